//! Arguments of `fluid`.

use super::stock::SayArgs;
use super::{ChangeArgs, LimitArgs};
use clap::{Args, Subcommand};

/// What to do with the record of fluids.
#[derive(Debug, Subcommand)]
pub(crate) enum FluidCommand {
    /// The record of a machine's sumps and reservoirs: readings, additions, changes and waste.
    Record(RecordArgs),
    /// A fluid was added outside a work order.
    Add(PourArgs),
    /// A fluid was changed outside a work order: what was in it came out, this went in.
    Change(PourArgs),
    /// Waste came out outside a work order.
    Waste(WasteArgs),
    /// Take an entry back, with a reason and a name; it stays on record.
    Withdraw(WithdrawArgs),
}

/// Arguments of `fluid record`.
#[derive(Debug, Args)]
pub(crate) struct RecordArgs {
    /// The machine's tag, or a name that other systems give it.
    pub(crate) machine: String,
    /// Only this sump or reservoir, by its key.
    #[arg(long, value_name = "PLACE")]
    pub(crate) place: Option<String>,
    /// Only what was from this time on: "2026-11-01", "2026-11-25 05:40" in the site's time zone, or RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub(crate) from: Option<String>,
    /// Only what was before this time.
    #[arg(long, value_name = "TIME")]
    pub(crate) until: Option<String>,
    /// One page of HTML that needs nothing else, made for printing on A4.
    #[arg(long, conflicts_with = "output")]
    pub(crate) html: bool,
    /// How much of it to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `fluid add` and `fluid change`.
#[derive(Debug, Args)]
pub(crate) struct PourArgs {
    /// The machine's tag, or a name that other systems give it.
    pub(crate) machine: String,
    /// The key of its sump or reservoir.
    pub(crate) place: String,
    /// What went in: "water=20 L", with its lot where that matters: "coolant concentrate=8 L @ A-17".
    #[arg(value_name = "FLUID=QTY L [@ LOT]")]
    pub(crate) fluid: String,
    /// What every such entry takes.
    #[command(flatten)]
    pub(crate) told: ToldArgs,
}

/// Arguments of `fluid waste`.
#[derive(Debug, Args)]
pub(crate) struct WasteArgs {
    /// The machine's tag, or a name that other systems give it.
    pub(crate) machine: String,
    /// The key of its sump or reservoir.
    pub(crate) place: String,
    /// How much of what: "180 L used coolant".
    #[arg(value_name = "QTY L KIND")]
    pub(crate) waste: String,
    /// The container it went into, or who collected it [default: not stated, which is a finding].
    #[arg(long = "route", value_name = "WHERE")]
    pub(crate) route: Option<String>,
    /// The number of the document that goes with it [default: not stated].
    #[arg(long, value_name = "NUMBER")]
    pub(crate) document: Option<String>,
    /// What every such entry takes.
    #[command(flatten)]
    pub(crate) told: ToldArgs,
}

/// What every entry takes.
#[derive(Debug, Args)]
pub(crate) struct ToldArgs {
    /// Who did it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// When: "2026-11-25 05:40" in the site's time zone, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// A note.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `fluid withdraw` and `stock withdraw`.
#[derive(Debug, Args)]
pub(crate) struct WithdrawArgs {
    /// The entry's number, as the record or `stock issue` shows it.
    #[arg(value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) entry: i64,
    /// Who withdraws it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}
