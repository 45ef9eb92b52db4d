//! Arguments of the due list and of work orders.

use super::{ChangeArgs, LimitArgs};
use clap::{Args, ValueEnum};

/// Arguments of `due`.
#[derive(Debug, Args)]
pub(crate) struct DueArgs {
    /// The last shop day to look at [default: today].
    #[arg(long, value_name = "YYYY-MM-DD", conflicts_with = "within")]
    pub(crate) until: Option<String>,
    /// How far to look ahead, in days or weeks: 7d, 2w.
    #[arg(long, value_name = "SPAN")]
    pub(crate) within: Option<String>,
    /// Only this machine: its tag, or a name that other systems give it.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only this area.
    #[arg(long, value_name = "AREA")]
    pub(crate) area: Option<String>,
    /// Add what may be done while a listed machine is stopped anyway.
    #[arg(long)]
    pub(crate) while_stopped: bool,
    /// List what may well fall due by then, so that nothing surprises: with one chance in ten or more.
    #[arg(long)]
    pub(crate) sure: bool,
    /// Stay, and tell each change of the list as it comes, until you stop it.
    #[arg(long)]
    pub(crate) watch: bool,
}

/// Arguments of `why`.
#[derive(Debug, Args)]
pub(crate) struct WhyArgs {
    /// The order's number, or a machine's tag.
    #[arg(value_name = "ORDER | MACHINE")]
    pub(crate) subject: String,
    /// The task's key on that machine.
    #[arg(value_name = "TASK")]
    pub(crate) task: Option<String>,
}

/// How the part was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum AsFound {
    /// In good condition.
    Good,
    /// Worn but working.
    Worn,
    /// Found failed at the look.
    Failed,
    /// It broke down in work.
    BrokeDown,
}

/// Arguments of `close`.
#[derive(Debug, Args)]
pub(crate) struct CloseArgs {
    /// The order's number; several are closed in one stop, each by itself.
    #[arg(
        value_name = "ORDER",
        value_parser = clap::value_parser!(i64).range(1..),
        required_unless_present = "machine",
        conflicts_with = "machine"
    )]
    pub(crate) orders: Vec<i64>,
    /// Walk what is due on this machine and what may be done while it is stopped; at a terminal.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Who did it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// When it was done: "2026-11-25 05:40" in the site's time zone, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) done: Option<String>,
    /// Who enters it, if someone else did it.
    #[arg(long, value_name = "NAME")]
    pub(crate) entered_by: Option<String>,
    /// How the part was found [default: good].
    #[arg(long, value_enum, value_name = "HOW")]
    pub(crate) as_found: Option<AsFound>,
    /// What was read at a test point: p-air=6.1bar (the unit may be left out). Of several orders, each that asks for that point
    /// takes it. Repeatable.
    #[arg(long = "read", value_name = "POINT=VALUE[UNIT]")]
    pub(crate) readings: Vec<String>,
    /// That it is right as it was typed, however odd it looks: a test point that was read, an item that was used, or `done` for the
    /// time; each by itself. Repeatable.
    #[arg(long = "it-is-so", value_name = "POINT|ITEM|done")]
    pub(crate) it_is_so: Vec<String>,
    /// What was used: "way oil VG 68=2 L", with the sump or reservoir into which it went, or which it fills instead of what
    /// was there, and with its lot where that matters: "coolant=8 L into sump @ A-17". Repeatable.
    #[arg(long = "used", value_name = "ITEM=QTY [UNIT] [into|fills PLACE] [@ LOT]")]
    pub(crate) used: Vec<String>,
    /// The task's kit was used as it stands, save for items that --used names.
    #[arg(long)]
    pub(crate) kit: bool,
    /// Waste that came out: "sump=180 L used coolant to drum 7 document 4711"; the place may be left out where there is only
    /// one. Repeatable.
    #[arg(long = "waste", value_name = "[PLACE=]QTY L KIND [to WHERE] [document NUMBER]")]
    pub(crate) waste: Vec<String>,
    /// The cautions were shown to the doer and heeded.
    #[arg(long)]
    pub(crate) cautions_confirmed: bool,
    /// The certificate's number, where licensed practice did the work.
    #[arg(long, value_name = "NUMBER")]
    pub(crate) certificate: Option<String>,
    /// The second person who was there.
    #[arg(long, value_name = "NAME")]
    pub(crate) second_person: Option<String>,
    /// How long it took.
    #[arg(
        long,
        value_name = "N",
        allow_negative_numbers = true,
        value_parser = clap::value_parser!(i32).range(0..=10_000)
    )]
    pub(crate) minutes: Option<i32>,
    /// A covered task that was not done this time; its order stays open. Repeatable.
    #[arg(long = "left-out", value_name = "TASK")]
    pub(crate) left_out: Vec<String>,
    /// What is left to do: raises an order for it on the same machine.
    #[arg(long, value_name = "TITLE")]
    pub(crate) follow_up: Option<String>,
    /// A note.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `skip`.
#[derive(Debug, Args)]
pub(crate) struct SkipArgs {
    /// The order's number.
    #[arg(value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) order: i64,
    /// Who decides.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
    /// Show what would come of it, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `raise`.
#[derive(Debug, Args)]
pub(crate) struct RaiseArgs {
    /// The machine's tag.
    pub(crate) machine: String,
    /// What is to be done.
    pub(crate) title: String,
    /// Who raises it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// The shop day it is due [default: today].
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) due: Option<String>,
    /// Neglect can hurt someone.
    #[arg(long)]
    pub(crate) hazard: bool,
    /// What was seen.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `undo`.
#[derive(Debug, Args)]
pub(crate) struct UndoArgs {
    /// The number of the order whose closing is undone.
    #[arg(value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) order: i64,
    /// Who undoes it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
    /// Show what would come of it, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Where an order stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum OrderState {
    /// To be done.
    Open,
    /// Ended by a closing.
    Closed,
    /// Ended without being done.
    Skipped,
    /// No longer stands.
    Void,
}

/// Arguments of `orders`.
#[derive(Debug, Args)]
pub(crate) struct OrdersArgs {
    /// Show this one with its closing.
    #[arg(value_parser = clap::value_parser!(i64).range(1..), conflicts_with_all = ["state", "machine", "task"])]
    pub(crate) order: Option<i64>,
    /// Only those in this state.
    #[arg(long, value_enum)]
    pub(crate) state: Option<OrderState>,
    /// Only those on this machine.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only those of this task of the machine.
    #[arg(long, value_name = "KEY", requires = "machine")]
    pub(crate) task: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}
