//! Looking ahead: how often tasks are expected to fall due.

use super::fields::{Fields, SHORT_MAX};
use super::units::decimal;
use fettler_domain::error::Error;
use fettler_domain::plan::{LookAhead, MonthCount, TaskAhead, WhyNone};
use fettler_domain::quantity::Amount;
use fettler_domain::shop::{KitItem, TaskCard};
use fettler_domain::text::ForeignName;
use fettler_domain::time::ShopDay;
use fettler_proto::v1;
use fettler_store::contract::MachineAhead;

/// The farthest last day, in days from today: two years, as far as months are planned by.
const HORIZON_DAYS_MAX: i64 = 731;
/// Machines of a page when none are asked for, and at most: each is walked anew.
const MACHINES_DEFAULT: u32 = 20;
const MACHINES_MAX: u32 = 50;

/// What is asked.
pub struct Ask {
    /// The last shop day.
    pub until: ShopDay,
    /// Only this machine.
    pub machine: Option<ForeignName>,
    /// Only this area.
    pub area: Option<String>,
}

/// Reads what is asked on the shop day `today`.
pub fn ask(ask: &v1::LookAheadRequest, today: ShopDay) -> Result<Ask, Error> {
    let mut fields = Fields::new();
    let until = fields.optional_day("until", &ask.until);
    let last = today.plus_days(HORIZON_DAYS_MAX);
    match until {
        Some(None) => fields.wrong("until", format!("is missing; give a day from today, {today}, to {last}")),
        Some(Some(until)) if !(today..=last).contains(&until) => {
            fields.wrong(
                "until",
                format!("{until} is out of bounds; give a day from today, {today}, to {last}"),
            );
        }
        Some(Some(_)) | None => {}
    }
    let machine = fields.optional_foreign("machine", &ask.machine);
    let area = fields.optional_line("area", &ask.area, SHORT_MAX);
    let read = until.flatten().zip(machine).zip(area);
    fields.finish(read.map(|((until, machine), area)| Ask { until, machine, area }))
}

/// How many machines a page has.
pub fn machines(ask: &v1::LookAheadRequest, limit: u32) -> u32 {
    if ask.page_size == 0 { MACHINES_DEFAULT } else { limit.min(MACHINES_MAX) }
}

/// The tasks of a machine.
pub fn tasks(machine: &MachineAhead) -> impl Iterator<Item = v1::TaskAhead> + '_ {
    let LookAhead { tasks, cut_off } = &machine.ahead;
    let counted_to = cut_off.map(|day| day.to_string()).unwrap_or_default();
    tasks.iter().filter_map(move |ahead| {
        let card = machine.cards.get(&ahead.task)?;
        Some(v1::TaskAhead {
            machine: machine.tag.to_string(),
            machine_name: machine.name.to_string(),
            area: machine.area.clone(),
            counted_to: counted_to.clone(),
            ..task(ahead, card)
        })
    })
}

fn task(ahead: &TaskAhead, card: &TaskCard) -> v1::TaskAhead {
    let nothing = match ahead.none {
        None => v1::NothingAhead::Unspecified,
        Some(WhyNone::NeverRecorded) => v1::NothingAhead::NeverRecorded,
        Some(WhyNone::Resting) => v1::NothingAhead::Resting,
        Some(WhyNone::Ended) => v1::NothingAhead::Ended,
    };
    v1::TaskAhead {
        task: card.key.to_string(),
        title: card.title.to_string(),
        minutes: i32::try_from(card.minutes).unwrap_or(i32::MAX),
        months: ahead.months.iter().map(|count| month(count, card)).collect(),
        with_larger: wire(ahead.with_larger),
        nothing: nothing.into(),
        ..Default::default()
    }
}

fn month(count: &MonthCount, card: &TaskCard) -> v1::MonthAhead {
    v1::MonthAhead {
        month: count.month.0.format("%Y-%m").to_string(),
        times: wire(count.times),
        by_then: wire(count.by_then),
        by_then_p90: wire(count.by_then_p90),
        kit: card.kit.iter().filter_map(|item| kit(item, count)).collect(),
    }
}

/// A kit's item, so many times. What is stored was checked when it came; what cannot be read is left out.
fn kit(item: &KitItem, count: &MonthCount) -> Option<v1::KitAhead> {
    let one = item.checked_quantity().ok()?;
    let times = |count: u32| decimal(Amount(one.0.saturating_mul(i64::from(count))));
    Some(v1::KitAhead {
        item: item.item.to_string(),
        unit: item.unit.clone(),
        quantity: times(count.times),
        by_then: times(count.by_then),
        by_then_p90: times(count.by_then_p90),
    })
}

fn wire(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}
