//! Arguments of `stock` and `buy`.

use super::fluids::WithdrawArgs;
use super::{ChangeArgs, LimitArgs};
use clap::{ArgGroup, Args, Subcommand};

/// What to do with the shelf.
#[derive(Debug, Subcommand)]
pub(crate) enum StockCommand {
    /// Items on the shelf: what there is, what is set aside, what is to be looked at.
    List(ListArgs),
    /// An item's lots and open purchases.
    Lots(LotsArgs),
    /// Some of an item was received.
    Receive(ReceiveArgs),
    /// An item was counted: that is what there is from now on.
    Count(CountArgs),
    /// Some of an item was taken off the shelf by hand; what an order used belongs into its closing.
    Issue(IssueArgs),
    /// Take back what was said to be taken by hand, with a reason and a name; it stays on record.
    Withdraw(WithdrawArgs),
    /// Some of an item was ordered, or an open purchase is restated.
    Ordered(OrderedArgs),
    /// What is still open of a purchase will not come.
    Cancel(CancelArgs),
}

/// Arguments of `stock list`.
#[derive(Debug, Args)]
pub(crate) struct ListArgs {
    /// Only items about which something stands open: to be counted, expired, no safety data sheet.
    #[arg(long)]
    pub(crate) findings: bool,
    /// How far ahead open orders set something aside, in days or weeks: 7d, 2w [default: 30d].
    #[arg(long, value_name = "SPAN")]
    pub(crate) within: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}

/// Arguments of `stock lots`.
#[derive(Debug, Args)]
pub(crate) struct LotsArgs {
    /// The item's name or code.
    pub(crate) item: String,
}

/// What every change of stock takes.
#[derive(Debug, Args)]
pub(crate) struct SayArgs {
    /// Show what would come of it, and change nothing.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// What every change takes.
    #[command(flatten)]
    pub(crate) change: ChangeArgs,
}

/// Arguments of `stock receive`.
#[derive(Debug, Args)]
pub(crate) struct ReceiveArgs {
    /// The item's name or code.
    pub(crate) item: String,
    /// How much, in the item's unit.
    #[arg(allow_negative_numbers = true)]
    pub(crate) quantity: String,
    /// The supplier's lot [default: named after the day].
    #[arg(long, value_name = "LOT")]
    pub(crate) lot: Option<String>,
    /// The last day on which it may be used [default: from the item's shelf life].
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) expires: Option<String>,
    /// The purchase that it comes from [default: the oldest open ones].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) purchase: Option<i64>,
    /// Who says it [default: nobody is named, only the token].
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `stock count`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("what").required(true).args(["quantity", "lots"])))]
pub(crate) struct CountArgs {
    /// The item's name or code.
    pub(crate) item: String,
    /// All there is, in the item's unit.
    pub(crate) quantity: Option<String>,
    /// What there is of a lot; of a lot that is not named there is none. A day after a comma is the last on which a new lot
    /// may be used: A-17=8,2027-03-01. Repeatable.
    #[arg(id = "lots", long = "lot", value_name = "LOT=QTY[,DAY]")]
    pub(crate) lots: Vec<String>,
    /// Who counted.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `stock issue`.
#[derive(Debug, Args)]
pub(crate) struct IssueArgs {
    /// The item's name or code.
    pub(crate) item: String,
    /// How much, in the item's unit.
    #[arg(allow_negative_numbers = true)]
    pub(crate) quantity: String,
    /// The lot it came from [default: what expires first and has not expired].
    #[arg(long, value_name = "LOT")]
    pub(crate) lot: Option<String>,
    /// Who took it.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// What for.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// It is so, though it is more than there is by the book.
    #[arg(long)]
    pub(crate) it_is_so: bool,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `stock ordered`.
#[derive(Debug, Args)]
pub(crate) struct OrderedArgs {
    /// The item's name or code.
    pub(crate) item: String,
    /// How much is to come, in the item's unit.
    #[arg(allow_negative_numbers = true)]
    pub(crate) quantity: String,
    /// The day that the supplier has confirmed [default: not confirmed].
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) arrives: Option<String>,
    /// The number by which the ERP or the supplier knows it.
    #[arg(long, value_name = "NUMBER")]
    pub(crate) reference: Option<String>,
    /// An open purchase of the item that is restated by this [default: a new one].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) purchase: Option<i64>,
    /// Who says it [default: nobody is named, only the token].
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `stock cancel`.
#[derive(Debug, Args)]
pub(crate) struct CancelArgs {
    /// The item's name or code.
    pub(crate) item: String,
    /// The purchase's number.
    #[arg(value_parser = clap::value_parser!(i64).range(1..))]
    pub(crate) purchase: i64,
    /// Who says it [default: nobody is named, only the token].
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// What such a change takes.
    #[command(flatten)]
    pub(crate) say: SayArgs,
}

/// Arguments of `buy`.
#[derive(Debug, Args)]
pub(crate) struct BuyArgs {
    /// The last shop day to look at; a year ahead at most [default: 91 days from today].
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) until: Option<String>,
    /// Only what is to be ordered by this day [default: all up to the horizon].
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) order_by: Option<String>,
    /// Only this item: its name or code.
    #[arg(long, value_name = "ITEM")]
    pub(crate) item: Option<String>,
    /// How much to show.
    #[command(flatten)]
    pub(crate) limit: LimitArgs,
}
