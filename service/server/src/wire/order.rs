//! Work orders and closings.

use super::due::own_item;
use super::fields::{Fields, SHORT_MAX, Said, shown};
use super::machine::numbers;
use super::people::{Names, known_by};
use super::time::{by_days, days_in_words, not_late, stamp, stamp_of};
use super::units::{decimal, unknown_value};
use fettler_domain::calendar::Calendar;
use fettler_domain::error::Error;
use fettler_domain::fluid::{Into, WASTE_MAX};
use fettler_domain::ids::{OrderNumber, PersonId};
use fettler_domain::order::{
    AsFound, CONFIRMED_MAX, ClosingRecord, ClosingSaid, Confirmed, LotUsed, OrderState, READINGS_SAID_MAX,
    RaiseSaid, ReadingSaid,
};
use fettler_domain::plan::{By, PlanRow, Satisfied, Timing};
use fettler_domain::shop::KitItem;
use fettler_domain::shop::limits::{COVERS_MAX, KIT_MAX, MINUTES_MAX, UNIT_MAX};
use fettler_domain::text::{Key, Name};
use fettler_domain::time::{MICROS_PER_MINUTE, Ts};
use fettler_proto::v1;
use fettler_store::contract::{ClosingView, DueEntry, Ended, OrderFilter, OrderRecord};

/// Which orders to list.
pub fn filter(ask: &v1::ListOrdersRequest) -> Result<OrderFilter, Error> {
    let mut fields = Fields::new();
    let state = state_asked(&mut fields, ask.state);
    let machine = fields.optional_key("machine", &ask.machine);
    let task = fields.optional_key("task", &ask.task);
    if !ask.task.is_empty() && ask.machine.is_empty() {
        fields.wrong("machine", "is missing; a task's key belongs to a machine, so give its tag too");
    }
    let all = state.zip(machine).zip(task);
    fields.finish(all.map(|((state, machine), task)| OrderFilter { state, machine, task }))
}

fn state_asked(fields: &mut Fields, value: i32) -> Said<Option<OrderState>> {
    Some(match v1::OrderState::try_from(value) {
        Ok(v1::OrderState::Unspecified) => None,
        Ok(v1::OrderState::Open) => Some(OrderState::Open),
        Ok(v1::OrderState::Closed) => Some(OrderState::Closed),
        Ok(v1::OrderState::Skipped) => Some(OrderState::Skipped),
        Ok(v1::OrderState::Void) => Some(OrderState::Void),
        Err(_) => {
            unknown_value(fields, "state", value, "open, closed, skipped or void");
            return None;
        }
    })
}

/// Reads an order's number.
pub fn number(order: i64) -> Result<OrderNumber, Error> {
    let mut fields = Fields::new();
    let order = fields.order("order", order);
    fields.finish(order)
}

/// Reads a closing said at `now`.
pub fn closing(ask: &v1::CloseOrderRequest, now: Ts) -> Result<ClosingSaid, Error> {
    let mut fields = Fields::new();
    let order = fields.order("order", ask.order);
    let done_at = fields.optional_instant("done_at", ask.done_at.as_ref()).map(|at| at.unwrap_or(now));
    if let Some(at) = done_at.filter(|at| at.micros_since(now) > MICROS_PER_MINUTE) {
        fields.wrong(
            "done_at",
            format!("lies {} in the future; give when it was done", at.ahead_in_words(now)),
        );
    }
    let done_by = fields.name("done_by", &ask.done_by);
    let entered_by = fields.optional_name("entered_by", &ask.entered_by);
    let as_found = as_found(&mut fields, ask.as_found);
    let readings = fields.each("readings", &ask.readings, READINGS_SAID_MAX, reading);
    let used = fields.each("used", &ask.used, KIT_MAX, used_item);
    let waste = fields.each("waste", &ask.waste, WASTE_MAX, super::fluid::waste);
    let certificate = fields.line("certificate", &ask.certificate, SHORT_MAX);
    let second_person = fields.optional_name("second_person", &ask.second_person);
    let minutes = fields.number("minutes", ask.minutes, 0, MINUTES_MAX);
    let left_out = fields.each("left_out", &ask.left_out, COVERS_MAX, |fields, key| fields.key("", key));
    let note = fields.note("note", &ask.note);
    let confirmed = confirmed(&mut fields, ask);
    let said = (|| {
        Some(ClosingSaid {
            order: order?,
            done_at: done_at?,
            done_by: done_by?,
            entered_by: entered_by?,
            as_found: as_found?,
            readings,
            used,
            kit_used: ask.kit_used,
            waste,
            cautions_confirmed: ask.cautions_confirmed,
            certificate: certificate.map(|number| (!number.is_empty()).then_some(number))?,
            second_person: second_person?,
            minutes: minutes?,
            left_out,
            note: note?,
            confirmed,
        })
    })();
    fields.finish(said)
}

/// Reads which fields of a closing are so, however odd they look.
fn confirmed(fields: &mut Fields, ask: &v1::CloseOrderRequest) -> Confirmed {
    let mut all = Confirmed::default();
    let used = ask.used.len();
    fields.each("confirmed", &ask.confirmed, CONFIRMED_MAX, |fields, field| {
        if !all.confirm(field, used) {
            let items = match used {
                0 => String::new(),
                1 => format!(" and {}", Confirmed::item_field(0)),
                _ => format!(", {} to {}", Confirmed::item_field(0), Confirmed::item_field(used - 1)),
            };
            let of_reading =
                if field.starts_with("readings") { "; a reading has its own `confirmed`" } else { "" };
            let there = format!("what can be confirmed here: {}{items}{of_reading}", Confirmed::DONE_AT);
            fields.wrong("", format!("`{}` is no such field; {there}", shown(field)));
        }
        Some(())
    });
    all
}

fn as_found(fields: &mut Fields, value: i32) -> Option<AsFound> {
    match v1::AsFound::try_from(value) {
        Ok(v1::AsFound::Unspecified | v1::AsFound::Good) => Some(AsFound::Good),
        Ok(v1::AsFound::Worn) => Some(AsFound::Worn),
        Ok(v1::AsFound::Failed) => Some(AsFound::Failed),
        Ok(v1::AsFound::BrokeDown) => Some(AsFound::BrokeDown),
        Err(_) => {
            unknown_value(fields, "as_found", value, "good, worn, failed or broke down");
            None
        }
    }
}

fn reading(fields: &mut Fields, said: &v1::Reading) -> Option<ReadingSaid> {
    let point = fields.key("point", &said.point);
    let value = fields.decimal_text("value", &said.value);
    let unit = fields.line("unit", &said.unit, UNIT_MAX)?;
    Some(ReadingSaid {
        point: point?,
        value: value?,
        unit: (!unit.is_empty()).then_some(unit),
        confirmed: said.confirmed,
    })
}

/// Reads an item that was used, and the lot it came from where that is said.
fn used_item(fields: &mut Fields, said: &v1::KitItem) -> Option<KitItem> {
    let lot = fields.optional_name("lot", &said.lot);
    let used = kit_item(fields, &v1::KitItem { lot: String::new(), ..said.clone() });
    Some(KitItem { lot: lot?, ..used? })
}

/// Reads an item and how much of it.
pub fn kit_item(fields: &mut Fields, said: &v1::KitItem) -> Option<KitItem> {
    if !said.lot.is_empty() {
        fields.wrong("lot", "is not a kit's to say; leave it out, and name it when the order is closed");
    }
    let item = fields.name("item", &said.item);
    let quantity = fields.positive_text("quantity", &said.quantity);
    let unit = fields.line("unit", &said.unit, UNIT_MAX);
    let into = fields.optional_key("into", &said.into);
    if said.change && said.into.is_empty() {
        fields.wrong("into", "is missing; a change names the sump or reservoir whose fluid it is");
    }
    let into = into.map(|key| key.map(|reservoir| Into { reservoir, change: said.change }));
    Some(KitItem { item: item?, quantity: quantity?, unit: unit?, lot: None, into: into? })
}

/// Reads a job raised by hand.
pub fn raised(ask: &v1::RaiseOrderRequest) -> Result<RaiseSaid, Error> {
    let mut fields = Fields::new();
    let machine = fields.key("machine", &ask.machine);
    let title = fields.name("title", &ask.title);
    let by = fields.name("by", &ask.by);
    let due_day = fields.optional_day("due_day", &ask.due_day);
    let note = fields.note("note", &ask.note);
    let all = machine.zip(title).zip(by).zip(due_day).zip(note);
    fields.finish(all.map(|((((machine, title), by), due_day), note)| RaiseSaid {
        machine,
        title,
        by,
        due_day,
        hazard: ask.hazard,
        note,
    }))
}

/// Reads a skip or an undo: the order, who decides, and why.
pub fn decided(order: i64, by: &str, reason: &str) -> Result<(OrderNumber, Name, String), Error> {
    let mut fields = Fields::new();
    let order = fields.order("order", order);
    let by = fields.name("by", by);
    let reason = fields.required_line("reason", reason, super::fields::LINE_MAX);
    fields.finish(order.zip(by).zip(reason).map(|((order, by), reason)| (order, by, reason)))
}

/// The people whom an order names.
pub fn people_of(order: &OrderRecord) -> Vec<PersonId> {
    let closings = order.closing.iter().chain(&order.undone).map(|view| &view.record);
    let in_closings = closings.flat_map(|record| {
        let undone = record.undone.as_ref().map(|undone| undone.by);
        [Some(record.done_by), Some(record.entered_by), record.second_person, undone].into_iter().flatten()
    });
    order.raised_by.into_iter().chain(order.skipped_by).chain(in_closings).collect()
}

/// The people whom the end of an order names.
pub fn people_of_ended(ended: &Ended) -> Vec<PersonId> {
    ended.order.iter().chain(&ended.covered).flat_map(people_of).collect()
}

/// A work order.
pub fn order(record: &OrderRecord, names: &Names, calendar: &Calendar) -> v1::Order {
    let planned = |of: fn(&PlanRow) -> Option<Ts>| record.plan.as_ref().and_then(of);
    v1::Order {
        number: record.number.0,
        state: state(record.state).into(),
        machine: record.machine.to_string(),
        task: record.task.as_ref().map(Key::to_string).unwrap_or_default(),
        title: record.title.to_string(),
        opened_at: Some(stamp(record.opened_at)),
        raised_by: names.of_some(record.raised_by),
        raised_by_point: record.raised_by_point.as_ref().map(Key::to_string).unwrap_or_default(),
        raised_by_check: record.raised_by_check.as_ref().map(Key::to_string).unwrap_or_default(),
        note: record.note.clone(),
        ended_at: stamp_of(record.ended_at),
        reason: record.reason.clone(),
        skipped_by: names.of_some(record.skipped_by),
        closing: record.closing.as_ref().map(|view| closed(view, names, calendar)),
        undone: record.undone.iter().map(|view| closed(view, names, calendar)).collect(),
        due: stamp_of(planned(|row| row.due)),
        p10: stamp_of(planned(|row| row.p10)),
        p50: stamp_of(planned(|row| row.p50)),
        p90: stamp_of(planned(|row| row.p90)),
    }
}

fn state(state: OrderState) -> v1::OrderState {
    match state {
        OrderState::Open => v1::OrderState::Open,
        OrderState::Closed => v1::OrderState::Closed,
        OrderState::Skipped => v1::OrderState::Skipped,
        OrderState::Void => v1::OrderState::Void,
    }
}

/// A closing.
pub fn closed(view: &ClosingView, names: &Names, calendar: &Calendar) -> v1::Closing {
    let record = &view.record;
    v1::Closing {
        number: record.closing.0,
        order: record.order.0,
        done_at: Some(stamp(record.done_at)),
        done_by: names.of(record.done_by),
        entered_at: Some(stamp(record.entered_at)),
        entered_by: names.of(record.entered_by),
        entered_known_by: known_by(Some(record.entered_by), record.known).into(),
        as_found: wire_as_found(record.as_found).into(),
        readings: record.readings.iter().map(wire_reading).collect(),
        used: record.used.iter().map(kit).collect(),
        lots: record.lots.iter().map(lot_used).collect(),
        cautions_shown: record.cautions_shown.clone(),
        cautions_confirmed: record.cautions_confirmed,
        certificate: record.certificate.clone().unwrap_or_default(),
        second_person: names.of_some(record.second_person),
        minutes: i32::try_from(record.minutes).unwrap_or(i32::MAX),
        note: view.note.clone(),
        // What was only expected was no due instant; the words say which day it was expected.
        due_as_known_then: stamp_of(record.was_due()),
        lateness_as_known_then: lateness_at(record, calendar),
        lateness_as_known_now: lateness_now(view, calendar),
        satisfied: view
            .satisfied
            .as_ref()
            .map(|met| satisfied(met, record.done_at, calendar))
            .unwrap_or_default(),
        covered_by: record.covered_by.map_or(0, |closing| closing.0),
        undone_at: record.undone.as_ref().map(|undone| stamp(undone.at)),
        undone_by: names.of_some(record.undone.as_ref().map(|undone| undone.by)),
        undone_reason: record.undone.as_ref().map(|undone| undone.reason.clone()).unwrap_or_default(),
        findings: record.findings.clone(),
        entry: view.entry,
        left_out: record.left_out.iter().map(Key::to_string).collect(),
    }
}

pub(super) fn wire_as_found(found: AsFound) -> v1::AsFound {
    match found {
        AsFound::Good => v1::AsFound::Good,
        AsFound::Worn => v1::AsFound::Worn,
        AsFound::Failed => v1::AsFound::Failed,
        AsFound::BrokeDown => v1::AsFound::BrokeDown,
    }
}

fn wire_reading(said: &ReadingSaid) -> v1::Reading {
    let unit = said.unit.clone().unwrap_or_default();
    v1::Reading { point: said.point.to_string(), value: said.value.clone(), unit, confirmed: said.confirmed }
}

/// An item and how much of it.
pub fn kit(item: &KitItem) -> v1::KitItem {
    v1::KitItem {
        item: item.item.to_string(),
        quantity: item.quantity.clone(),
        unit: item.unit.clone(),
        lot: item.lot.as_ref().map(Name::to_string).unwrap_or_default(),
        into: item.into.as_ref().map(|into| into.reservoir.to_string()).unwrap_or_default(),
        change: item.into.as_ref().is_some_and(|into| into.change),
    }
}

fn lot_used(of: &LotUsed) -> v1::LotUsed {
    v1::LotUsed { item: of.item.to_string(), lot: of.lot.to_string(), quantity: decimal(of.amount) }
}

/// How a closing stood to its due point, in words, from the instants known at the closing. A forecast is told as
/// one: nothing is early or late by it.
pub fn lateness_at(record: &ClosingRecord, calendar: &Calendar) -> String {
    let Some(due) = record.due_then else {
        return "no due point known".to_owned();
    };
    let days = record.days_from(due, calendar);
    if record.was_expected() {
        let (due, done) = (calendar.shop_day_of(due), calendar.shop_day_of(record.done_at));
        let expected = format!("expected {}", calendar.weekday_in_words(due, done));
        return match days {
            0 => format!("{expected}, done that day"),
            ..0 => format!("{expected}, done {} before", days_in_words(-days)),
            1.. => format!("{expected}, done {} after", days_in_words(days)),
        };
    }
    if record.was_late() {
        return by_days(days.max(0), "late");
    }
    not_late(days)
}

/// How a closing stands to its due point as known now, in words: the same measure as [`lateness_at`], whole shop days from the
/// shop day of the due point to that of the work. Empty where nothing is to be judged by any more.
fn lateness_now(view: &ClosingView, calendar: &Calendar) -> String {
    let Some(met) = &view.satisfied else { return String::new() };
    let days = view.record.due(Some(met)).map(|due| view.record.days_from(due, calendar));
    match (&met.timing, days) {
        (Timing::OnTime, Some(days)) => not_late(days),
        (Timing::OnTime, None) => "in its window".to_owned(),
        (Timing::NotKnown, _) => "nothing to measure by".to_owned(),
        (Timing::Early(_), Some(days @ ..=-1)) => by_days(-days, "early"),
        (Timing::Early(By::Days(days)), _) => by_days(*days, "early"),
        // Its count was not reached yet, so that no day is known on which it would have been due.
        (Timing::Early(By::Amount { .. }), _) => "early, before its window".to_owned(),
        (Timing::Late(_), Some(days)) => by_days(days.max(0), "late"),
        (Timing::Late(By::Days(days)), None) => by_days(*days, "late"),
        (Timing::Late(By::Amount { .. }), None) => "late".to_owned(),
    }
}

fn satisfied(met: &Satisfied, done_at: Ts, calendar: &Calendar) -> String {
    if met.extra_work {
        return "extra work".to_owned();
    }
    let seen_from = calendar.shop_day_of(done_at);
    let due = match met.due {
        Some(due) => format!("due {}", calendar.day_in_words(calendar.shop_day_of(due), seen_from)),
        None => "the first on record".to_owned(),
    };
    if met.missed > 0 { format!("{due}, {} passed over", met.missed) } else { due }
}

/// The next order of the ended one's own task: those of tasks that it covers stand beside it.
fn next(ended: &Ended) -> Option<&DueEntry> {
    let own = ended.order.as_ref()?;
    ended.next.iter().find(|entry| entry.task == own.task)
}

/// What came of a closing.
pub fn close_answer(ended: &Ended, names: &Names, calendar: &Calendar, now: Ts) -> v1::CloseOrderResponse {
    v1::CloseOrderResponse {
        order: ended.order.as_ref().map(|record| order(record, names, calendar)),
        next: next(ended).map(|entry| own_item(entry, calendar, now)),
        covered: ended.covered.iter().map(|record| order(record, names, calendar)).collect(),
        left_open: numbers(&ended.left_open),
        remarks: ended.remarks.clone(),
        void_orders: numbers(&ended.void),
    }
}

/// What came of a skip.
pub fn skip_answer(ended: &Ended, names: &Names, calendar: &Calendar, now: Ts) -> v1::SkipOrderResponse {
    v1::SkipOrderResponse {
        order: ended.order.as_ref().map(|record| order(record, names, calendar)),
        next: next(ended).map(|entry| own_item(entry, calendar, now)),
        remarks: ended.remarks.clone(),
        void_orders: numbers(&ended.void),
    }
}

/// What came of an undo.
pub fn undo_answer(ended: &Ended, calendar: &Calendar, now: Ts) -> v1::UndoClosingResponse {
    v1::UndoClosingResponse {
        open_again: ended.next.iter().map(|entry| own_item(entry, calendar, now)).collect(),
        void_orders: numbers(&ended.void),
        remarks: ended.remarks.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::calendar::{WallTime, Zone};
    use fettler_domain::ids::ClosingId;
    use fettler_domain::plan::DueKind;
    use fettler_domain::time::MICROS_PER_HOUR;

    fn record(due: Option<Ts>, kind: Option<DueKind>, late_from: Option<Ts>, done_at: Ts) -> ClosingRecord {
        ClosingRecord {
            closing: ClosingId(1),
            order: OrderNumber(1),
            done_at,
            done_by: PersonId(1),
            entered_at: done_at,
            entered_by: PersonId(1),
            known: None,
            as_found: AsFound::Good,
            readings: Vec::new(),
            used: Vec::new(),
            lots: Vec::new(),
            cautions_shown: Vec::new(),
            cautions_confirmed: false,
            certificate: None,
            second_person: None,
            minutes: 0,
            due_then: due,
            due_kind_then: kind,
            opens_then: None,
            late_from_then: late_from,
            governed_then: None,
            rule_effective: None,
            sheet: None,
            left_out: Vec::new(),
            covered: Vec::new(),
            covered_by: None,
            findings: Vec::new(),
            undone: None,
        }
    }

    #[test]
    fn fields_are_confirmed_by_their_names_and_no_others() {
        let read = |confirmed: &[&str], used: usize| {
            let item = v1::KitItem { item: "oil".into(), quantity: "2".into(), ..Default::default() };
            let ask = v1::CloseOrderRequest {
                order: 7,
                done_by: "Ada Kern".into(),
                used: vec![item; used],
                confirmed: confirmed.iter().map(|&field| field.to_owned()).collect(),
                ..Default::default()
            };
            match closing(&ask, Ts(0)) {
                Ok(said) => Ok(said.confirmed),
                Err(Error::Invalid(wrong)) => Err(format!("{}: {}", wrong[0].field, wrong[0].text)),
                Err(other) => panic!("{other}"),
            }
        };
        assert_eq!(read(&[], 2), Ok(Confirmed::default()));
        let both = Confirmed { done_at: true, used: [1].into() };
        assert_eq!(read(&["used[1].item", "done_at", "done_at"], 2), Ok(both));
        for (field, used, expect) in [
            ("used[2].item", 2, "what can be confirmed here: done_at, used[0].item to used[1].item"),
            ("used[+0].item", 1, "what can be confirmed here: done_at and used[0].item"),
            ("used[0].item", 0, "what can be confirmed here: done_at"),
            ("", 0, "what can be confirmed here: done_at"),
            (
                "readings[0].value",
                0,
                "what can be confirmed here: done_at; a reading has its own `confirmed`",
            ),
        ] {
            let told = Err(format!("confirmed[0]: `{field}` is no such field; {expect}"));
            assert_eq!(read(&[field], used), told);
        }
        assert_eq!(read(&["done_at"; 52], 0), Err("confirmed: has 52 entries; give at most 51".into()));
    }

    #[test]
    fn lateness_is_told_in_shop_days_and_late_only_after_the_window() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("06:00").unwrap());
        let at = |hours: i64| Ts(1_795_586_400_000_000 + hours * MICROS_PER_HOUR); // 2026-11-25 06:00
        let check = |late_from: Option<i64>, done: i64, expect: &str| {
            let known = record(Some(at(0)), Some(DueKind::CalendarDay), late_from.map(at), at(done));
            assert_eq!(lateness_at(&known, &calendar), expect, "{done} h");
            let older = ClosingRecord { due_kind_then: None, ..known };
            assert_eq!(lateness_at(&older, &calendar), expect, "{done} h, its kind not kept");
        };
        check(Some(48), 0, "on the day it was due");
        check(Some(48), 23, "on the day it was due");
        check(Some(48), -1, "1 day early");
        check(Some(48), -49, "3 days early");
        check(Some(48), 24, "1 day after the due day, in its window");
        check(Some(48), 48, "2 days late");
        check(Some(12), 13, "late the same day");
        check(None, 240, "10 days after the due day, in its window");
        assert_eq!(lateness_at(&record(None, None, None, at(0)), &calendar), "no due point known");
        let check = |done: i64, expect: &str| {
            let expected = record(Some(at(0)), Some(DueKind::Expected), None, at(done));
            assert_eq!(lateness_at(&expected, &calendar), expect, "{done} h");
            let view = ClosingView { record: expected, note: String::new(), satisfied: None, entry: 0 };
            assert_eq!(closed(&view, &Names::default(), &calendar).due_as_known_then, None);
        };
        check(0, "expected Wed 25 Nov, done that day");
        check(-25, "expected Wed 25 Nov, done 2 days before");
        check(240, "expected Wed 25 Nov, done 10 days after");
    }

    #[test]
    fn what_a_closing_met_is_told_in_shop_days_whatever_it_counted() {
        let calendar = Calendar::every_day(Zone::UTC, WallTime::parse("06:00").unwrap());
        let at = |hours: i64| Ts(1_795_586_400_000_000 + hours * MICROS_PER_HOUR); // 2026-11-25 06:00
        let hours = || By::Amount {
            amount: fettler_domain::quantity::Amount(9_000_000),
            unit: fettler_domain::quantity::Unit::Hours,
        };
        for (timing, due, expect, late) in [
            (Timing::OnTime, Some(0), "2 days after the due day, in its window", false),
            (Timing::OnTime, Some(48), "on the day it was due", false),
            (Timing::OnTime, Some(72), "1 day early", false),
            (Timing::OnTime, None, "in its window", false),
            (Timing::Early(By::Days(1)), Some(72), "1 day early", false),
            (Timing::Late(By::Days(2)), Some(0), "2 days late", true),
            (Timing::Late(hours()), Some(0), "2 days late", true),
            (Timing::Late(hours()), Some(48), "late the same day", true),
            (Timing::Early(hours()), None, "early, before its window", false),
            (Timing::NotKnown, None, "nothing to measure by", false),
        ] {
            let met = Satisfied {
                due: due.map(at),
                kind: DueKind::Exact,
                governing: None,
                clauses: Vec::new(),
                missed: 0,
                before_window: false,
                extra_work: false,
                timing,
            };
            let record = record(None, None, None, at(48));
            let view = ClosingView { record, note: String::new(), satisfied: Some(met), entry: 0 };
            let (record, met) = (&view.record, view.satisfied.as_ref());
            assert_eq!((lateness_now(&view, &calendar).as_str(), record.is_late(met)), (expect, late));
            let days = record.due(met).map(|due| record.days_from(due, &calendar));
            assert_eq!(days, due.map(|due| 2 - due / 24), "{expect}");
        }
    }
}
