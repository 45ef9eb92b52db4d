//! Arguments of `hours`.

use super::import::{FollowArgs, ImportArgs};
use super::planned::{PlanArgs, PlannedArgs};
use super::{ChangeArgs, LimitArgs};
use clap::{Args, Subcommand, ValueEnum};

/// What to do with run hours.
#[derive(Debug, Subcommand)]
pub(crate) enum HoursCommand {
    /// Push reports from a CSV file; each row has its own outcome.
    Push(PushArgs),
    /// Import files as other programs write them, read by a mapping file: tables, MTConnect documents, adapters' logs.
    Import(ImportArgs),
    /// Follow an MTConnect agent: what its counters show since the last turn.
    Follow(FollowArgs),
    /// Reports as the ledger keeps them.
    List(ListArgs),
    /// Reports that are kept and not counted, with their reasons.
    Held(HeldArgs),
    /// Settle a held report: count it, or drop it.
    Settle(SettleArgs),
    /// Push what a counter shows.
    Read(ReadArgs),
    /// What a meter shows.
    Meter(MeterArgs),
    /// A counter was replaced.
    Replace(ReplaceArgs),
    /// Book an adjustment on a meter that is fed by intervals.
    Adjust(AdjustArgs),
    /// State what is to run in a period, in place of what was planned there.
    Plan(PlanArgs),
    /// What is planned to run.
    Planned(PlannedArgs),
}

/// The unit of a file's amounts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum UnitWord {
    /// Hours.
    Hours,
    /// Cycles.
    Cycles,
    /// Litres.
    Litres,
}

/// Arguments of `hours push`.
#[derive(Debug, Args)]
pub(crate) struct PushArgs {
    /// The file, gzip or plain; - reads stdin.
    pub(crate) file: String,
    /// Who says it: the name of the source.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: String,
    /// The time zone of times without an offset [default: such times are refused].
    #[arg(long, value_name = "IANA ZONE")]
    pub(crate) zone: Option<String>,
    /// The character between columns.
    #[arg(long, value_name = "CHAR", default_value = ",", value_parser = delimiter)]
    pub(crate) delimiter: u8,
    /// The unit of amounts in rows that name none.
    #[arg(long, value_enum, default_value = "hours")]
    pub(crate) unit: UnitWord,
    /// List every row that was held or refused, not only the first 20.
    #[arg(long)]
    pub(crate) all: bool,
    /// Header names.
    #[command(flatten)]
    pub(crate) columns: ColumnArgs,
}

/// The header names of a file.
#[expect(clippy::struct_field_names, reason = "the names are the flags")]
#[derive(Debug, Args)]
#[command(next_help_heading = "Header names")]
pub(crate) struct ColumnArgs {
    /// The machine's tag or other name.
    #[arg(long, value_name = "HEADER", default_value = "machine")]
    pub(crate) machine_col: String,
    /// The source's own name for the report.
    #[arg(long, value_name = "HEADER", default_value = "report_id")]
    pub(crate) report_col: String,
    /// The revision; may be missing.
    #[arg(long, value_name = "HEADER", default_value = "revision")]
    pub(crate) revision_col: String,
    /// The meter; may be missing.
    #[arg(long, value_name = "HEADER", default_value = "meter")]
    pub(crate) meter_col: String,
    /// The first instant of the stretch.
    #[arg(long, value_name = "HEADER", default_value = "start")]
    pub(crate) start_col: String,
    /// The first instant after it.
    #[arg(long, value_name = "HEADER", default_value = "end")]
    pub(crate) end_col: String,
    /// How much was run.
    #[arg(long, value_name = "HEADER", default_value = "hours")]
    pub(crate) hours_col: String,
    /// The unit of the amount: hours, cycles or litres; may be missing.
    #[arg(long, value_name = "HEADER", default_value = "unit")]
    pub(crate) unit_col: String,
    /// What a counter showed, instead of a stretch.
    #[arg(long, value_name = "HEADER", default_value = "reading")]
    pub(crate) reading_col: String,
    /// When it was read.
    #[arg(long, value_name = "HEADER", default_value = "at")]
    pub(crate) at_col: String,
    /// "yes" where the report is taken back.
    #[arg(long, value_name = "HEADER", default_value = "withdrawn")]
    pub(crate) withdrawn_col: String,
}

/// Arguments of `hours list`.
#[derive(Debug, Args)]
pub(crate) struct ListArgs {
    /// Only those of this machine.
    #[arg(long, value_name = "TAG")]
    pub(crate) machine: Option<String>,
    /// Only those of this source.
    #[arg(long, value_name = "NAME")]
    pub(crate) source: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Why a report is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum HeldWord {
    /// No machine has that tag or name.
    UnknownMachine,
    /// The machine has no such meter, or it is not clear which one is meant.
    UnknownMeter,
    /// The meter is fed the other way, or counts in another unit.
    WrongKind,
    /// Negative, or the end not after the start, or over 31 days.
    Impossible,
    /// More than fits the stretch.
    MoreThanTime,
    /// Reports of one source overlap and together do not fit.
    Overlap,
    /// A better ranked source counts there.
    Conflict,
    /// The same revision came with other content.
    SameRevision,
    /// It ends in the future.
    Future,
    /// The counter fell.
    Fell,
}

/// Arguments of `hours held`.
#[derive(Debug, Args)]
pub(crate) struct HeldArgs {
    /// Only those held for this reason.
    #[arg(long, value_enum)]
    pub(crate) reason: Option<HeldWord>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// How a held report is settled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SettleWord {
    /// It counts, before all others.
    Count,
    /// It does not count.
    Drop,
}

/// Arguments of `hours settle`.
#[derive(Debug, Args)]
pub(crate) struct SettleArgs {
    /// The source.
    pub(crate) source: String,
    /// The source's name for the report.
    pub(crate) report: String,
    /// What to do with it.
    #[arg(value_enum)]
    pub(crate) settlement: SettleWord,
    /// Who decides.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// The revision [default: the held one; needed for a report that was settled before].
    #[arg(long, value_name = "N")]
    pub(crate) revision: Option<u32>,
    /// The content's digest, or its beginning, where several contents of one revision are held.
    #[arg(long, value_name = "HEX")]
    pub(crate) digest: Option<String>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `hours read`.
#[derive(Debug, Args)]
pub(crate) struct ReadArgs {
    /// The machine's tag or other name.
    pub(crate) machine: String,
    /// What the counter shows.
    #[arg(allow_negative_numbers = true)]
    pub(crate) value: String,
    /// The meter's key [default: the machine's only meter].
    #[arg(long, value_name = "KEY")]
    pub(crate) meter: Option<String>,
    /// When it was read: "2026-11-25 05:40" in the site's time zone, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// The source it is kept under.
    #[arg(long, value_name = "NAME", default_value = "counter")]
    pub(crate) source: String,
    /// The unit of the value.
    #[arg(long, value_enum, default_value = "hours")]
    pub(crate) unit: UnitWord,
    /// 1 or more corrects what was read at that time.
    #[arg(long, value_name = "N", default_value = "0")]
    pub(crate) revision: u32,
    /// Who read it [default: nobody is named, only the token].
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
}

/// Arguments of `hours meter`.
#[derive(Debug, Args)]
pub(crate) struct MeterArgs {
    /// The machine's tag.
    pub(crate) machine: String,
    /// The meter's key [default: the machine's only meter].
    #[arg(long, value_name = "KEY")]
    pub(crate) meter: Option<String>,
    /// At which instant: local time of the site or RFC 3339 [default: all that is counted].
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
}

/// Arguments of `hours replace`.
#[derive(Debug, Args)]
pub(crate) struct ReplaceArgs {
    /// The machine's tag.
    pub(crate) machine: String,
    /// The meter's key [default: the machine's only meter].
    #[arg(long, value_name = "KEY")]
    pub(crate) meter: Option<String>,
    /// When: local time of the site or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// What the old counter showed last.
    #[arg(long, value_name = "VALUE")]
    pub(crate) closing: String,
    /// At what the new one started.
    #[arg(long, value_name = "VALUE", default_value = "0")]
    pub(crate) opening: String,
    /// Who says it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `hours adjust`.
#[derive(Debug, Args)]
pub(crate) struct AdjustArgs {
    /// The machine's tag.
    pub(crate) machine: String,
    /// How much is added; a minus sign takes away.
    #[arg(allow_negative_numbers = true)]
    pub(crate) amount: String,
    /// The meter's key [default: the machine's only meter].
    #[arg(long, value_name = "KEY")]
    pub(crate) meter: Option<String>,
    /// From when on: local time of the site or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<String>,
    /// Who decides.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: String,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        [b @ (b',' | b';' | b'\t' | b'|')] => Ok(*b),
        _ if text == "tab" || text == "\\t" => Ok(b'\t'),
        _ => Err("give one of , ; | or tab".to_owned()),
    }
}
