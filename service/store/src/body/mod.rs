//! The store's calls in SQL: the same text for every engine, compiled once per engine.
//!
//! `super::Db` is the driver, `super::dialect` what really differs. Placeholders are `$1`; optional filters are
//! built by `QueryBuilder`, everything else is a constant listed in its module's `ALL_SQL`, which a test describes.
//!
//! * [`looks`]: what is measured of a call's steps where somebody looks on.
//! * [`bulk`]: statements over many rows at once, in fixed sizes.
//! * [`tx`], [`head`], [`journal`], [`request`]: what every writing transaction does.
//! * [`writer`]: the one task that writes.
//! * [`mind`], [`declared`], [`history`]: what the writer remembers of a site between transactions.
//! * [`statistics`]: whether the engine knows how its tables have grown.
//! * [`push`], [`ledger`], [`apply`], [`settle`], [`meters`], [`reports`]: run hours.
//! * [`inputs`], [`refresh`], [`plan_reads`], [`weeks`], [`ahead`], [`upkeep`]: the plan.
//! * [`fleet`], [`planned`]: what expected dates rest on beside a meter's own reports.
//! * [`people`], [`pins`], [`erasing`], [`sites`], [`entries`]: who speaks, and the rest of the reading.
//! * [`proofs`], [`tokens`]: what makes the journal provable, and who may call.
//! * [`shop`], [`shop_scope`], [`shop_state`], [`shop_write`], [`machines`]: declarations and machines.
//! * [`orders`], [`close`], [`ending`], [`ended`]: work orders.
//! * [`audit`]: closings with all that belongs to them.
//! * [`readings`], [`closing_reads`], [`point_reads`]: readings at test points.
//! * [`rounds`], [`round_reads`], [`handovers`]: what was seen in rounds, and handed over.
//! * [`fluids`], [`fluid_reads`]: what goes into sumps and reservoirs and comes out.
//! * [`shelf`], [`shelf_use`], [`buy`]: items on the shelf, and what to buy.
//! * [`due_calendars`]: what is told to people's own calendars.
//! * [`outbound`]: what other systems book.
//! * [`review`], [`review_answer`], [`care`]: what closings tell of intervals, the answers to it, and the orders and hours behind figures.
//! * [`gauges`]: counts that operators watch.
//! * [`copy`]: everything, read and written as it stands.
//! * [`check`], [`check_journal`], [`check_closings`], [`check_ledger`], [`check_plan`]: whether all of it is whole.

use super::{Db, dialect, lists};
use crate::contract::{Result, StoreError};

mod ahead;
mod apply;
mod audit;
mod bulk;
mod buy;
mod care;
mod check;
mod check_closings;
mod check_journal;
mod check_ledger;
mod check_plan;
mod close;
mod closing_reads;
mod copy;
mod declared;
mod decode;
mod due_calendars;
mod ended;
mod ending;
mod entries;
mod erasing;
mod fleet;
mod fluid_reads;
mod fluids;
mod gauges;
mod handovers;
mod head;
mod history;
mod inputs;
mod journal;
mod ledger;
mod looks;
mod machines;
mod meters;
mod mind;
mod orders;
mod outbound;
mod people;
mod pins;
mod plan_reads;
mod plan_write;
mod planned;
mod point_reads;
mod proofs;
mod push;
mod raised;
mod readings;
mod refresh;
mod reports;
mod request;
mod review;
mod review_answer;
mod round_reads;
mod rounds;
mod settle;
mod shelf;
mod shelf_use;
mod shop;
mod shop_scope;
mod shop_state;
mod shop_write;
mod sites;
mod statistics;
mod store;
mod store_calendars;
mod store_care;
mod store_gauges;
mod store_outbound;
mod store_pins;
mod store_proofs;
mod store_rounds;
mod store_tokens;
mod store_vault;
mod store_watching;
mod tokens;
mod tx;
mod upkeep;
mod weeks;
mod withdrawal;
mod writer;

pub(crate) use copy::CopySide;
pub(crate) use statistics::Statistics;
pub(crate) use store::SqlStore;
pub(crate) use tx::Connect;
pub(crate) use writer::Log;

/// Runs work that needs no database on another thread, from now on, so that the caller can use the database meanwhile.
fn beside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T> + Send + 'static,
) -> impl Future<Output = Result<T>> + Send {
    let task = tokio::task::spawn_blocking(work);
    async move { task.await.map_err(|error| StoreError::Unavailable(format!("computing failed: {error}")))? }
}

/// A connection of the engine.
type Conn = <Db as sqlx::Database>::Connection;
/// A row of the engine.
type DbRow = <Db as sqlx::Database>::Row;

/// The constant statements that change or show one thing.
#[cfg(test)]
pub(super) fn of_one_thing() -> Vec<&'static str> {
    let fixed = [
        close::ALL_SQL,
        closing_reads::ALL_SQL,
        ended::ALL_SQL,
        ending::ALL_SQL,
        fluids::ALL_SQL,
        raised::ALL_SQL,
        readings::ALL_SQL,
        request::ALL_SQL,
        pins::ALL_SQL,
        shelf_use::ALL_SQL,
        tokens::ALL_SQL,
    ];
    let mut all = fixed.concat();
    all.extend(journal::all_sql());
    let made = [
        inputs::all_sql(),
        ledger::all_sql(),
        orders::all_sql(),
        people::all_sql(),
        plan_reads::all_sql(),
        plan_write::all_sql(),
    ];
    all.extend(made.concat());
    all
}

#[cfg(test)]
pub(super) fn all_sql() -> Vec<&'static str> {
    let mut all = of_one_thing();
    let constants = [
        buy::ALL_SQL,
        check_journal::ALL_SQL,
        check_plan::ALL_SQL,
        copy::ALL_SQL,
        declared::ALL_SQL,
        entries::ALL_SQL,
        erasing::ALL_SQL,
        handovers::ALL_SQL,
        gauges::ALL_SQL,
        head::ALL_SQL,
        proofs::ALL_SQL,
        reports::ALL_SQL,
        round_reads::ALL_SQL,
        rounds::ALL_SQL,
        review_answer::ALL_SQL,
        shelf::ALL_SQL,
        shop::ALL_SQL,
        shop_scope::ALL_SQL,
        shop_state::ALL_SQL,
        shop_write::ALL_SQL,
        sites::ALL_SQL,
    ];
    all.extend(constants.into_iter().flatten());
    let lists = [
        ahead::all_sql(),
        check_closings::ALL_SQL.to_vec(),
        check_ledger::all_sql(),
        due_calendars::all_sql(),
        care::all_sql(),
        audit::all_sql(),
        fleet::all_sql(),
        fluid_reads::all_sql(),
        history::all_sql(),
        machines::all_sql(),
        meters::all_sql(),
        outbound::all_sql(),
        planned::all_sql(),
        point_reads::all_sql(),
        refresh::all_sql(),
        review::all_sql(),
        upkeep::all_sql(),
        weeks::all_sql(),
    ];
    all.extend(lists.into_iter().flatten());
    all
}
