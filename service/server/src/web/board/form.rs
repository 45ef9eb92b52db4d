//! A closing as it was typed: read into the call that records it, and what is wrong with it told at the field that it is about.

use super::requests::Typed;
use super::time::Teller;
use super::words::{self, sentence};
use fettler_domain::error::ASKED_BACK;
use fettler_domain::order::Confirmed;
use fettler_proto::v1;
use std::collections::{BTreeMap, BTreeSet};
use tonic::Status;
use tonic_types::StatusExt as _;

/// Lines for what was used beside the task's kit.
pub(super) const USED_LINES: usize = 3;
/// How the names of fields for readings begin.
const READING: &str = "read.";
/// What stands in the tick of a field that was left empty.
const EMPTY: &str = "empty";

/// What is wrong with what was typed.
#[derive(Debug, Default)]
pub(super) struct Complaints {
    /// By field.
    fields: BTreeMap<String, String>,
    /// About no field of the form.
    pub(super) others: Vec<String>,
    /// The fields that are asked back.
    asked_back: BTreeSet<String>,
}

impl Complaints {
    /// One that is about no field.
    pub(super) fn other(text: &str) -> Complaints {
        Complaints { others: vec![text.to_owned()], ..Default::default() }
    }

    fn put(&mut self, field: impl Into<String>, text: &str) {
        let of_field = self.fields.entry(field.into()).or_default();
        if !of_field.is_empty() {
            of_field.push(' ');
        }
        of_field.push_str(&sentence(text.trim_end_matches('.')));
        of_field.push('.');
    }

    /// What is wrong in a field.
    pub(super) fn of(&self, field: &str) -> Option<&str> {
        self.fields.get(field).map(String::as_str)
    }

    /// Whether a field is asked back.
    pub(super) fn asks_back(&self, field: &str) -> bool {
        self.asked_back.contains(field)
    }

    /// The fields with something wrong, and what.
    pub(super) fn each(&self) -> impl Iterator<Item = (&str, &str)> {
        self.fields.iter().map(|(field, text)| (field.as_str(), text.as_str()))
    }

    /// Whether nothing is wrong.
    pub(super) fn is_empty(&self) -> bool {
        self.fields.is_empty() && self.others.is_empty()
    }
}

/// How the names of ticks begin.
const TICK: &str = "so.";

/// The name of the tick that says of a field that it is right as it stands.
pub(super) fn tick(field: &str) -> String {
    format!("{TICK}{field}")
}

/// Whether a name is that of a tick.
pub(super) fn is_tick(name: &str) -> bool {
    name.starts_with(TICK)
}

/// What the tick of a field holds: what stood there when it was asked back. To a reading belongs from whose record it is: a yes to a
/// number is no yes to a record that is missing since.
pub(super) fn ticked(typed: &Typed, field: &str) -> String {
    let text = typed.get(field);
    let record = if field.starts_with(READING) { typed.get("certificate") } else { "" };
    match (text, record) {
        ("", "") => EMPTY.to_owned(),
        (text, "") => text.to_owned(),
        (text, record) => format!("{text} by {record}"),
    }
}

/// Whether somebody said that a field is right as it stands. What was changed since was not asked back yet.
pub(super) fn is_so(typed: &Typed, field: &str) -> bool {
    typed.get(&tick(field)) == ticked(typed, field)
}

/// A closing as it is sent, with the names of the fields that its lists came from.
#[derive(Debug)]
pub(super) struct Said {
    /// The call.
    pub(super) request: v1::CloseOrderRequest,
    /// The test points of its readings, in their order.
    points: Vec<String>,
    /// The lines of what was used, in their order.
    lines: Vec<usize>,
}

/// Reads what was typed of an order.
pub(super) fn read(typed: &Typed, order: i64, site: &str, teller: Teller) -> Result<Said, Complaints> {
    let mut wrong = Complaints::default();
    let asks_heed = typed.has("cautious");
    if asks_heed && !typed.has("heeded") {
        wrong.put("heeded", "say whether they were shown and heeded");
    }
    let found = words::AS_FOUND.iter().find(|(_, word, _)| *word == typed.get("found"));
    if found.is_none() {
        wrong.put("found", "say how it was found");
    }
    if !typed.has("by") {
        wrong.put("by", "say who did it");
    }
    let done_at = match typed.get("done") {
        "" => None,
        text => teller.typed(text).map_err(|why| wrong.put("done", &why)).ok(),
    };
    let (points, readings) = readings(typed, &mut wrong);
    let (lines, used) = used(typed, &mut wrong);
    let minutes = match typed.get("minutes") {
        "" => 0,
        text => text.parse().unwrap_or_else(|_| {
            wrong.put("minutes", "write whole minutes, such as 12");
            0
        }),
    };
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let request = v1::CloseOrderRequest {
        site: site.to_owned(),
        request_id: typed.get("request").to_owned(),
        order,
        done_at,
        done_by: typed.get("by").to_owned(),
        as_found: found.map_or(0, |(found, _, _)| (*found).into()),
        readings,
        used,
        kit_used: typed.has("kit"),
        cautions_confirmed: asks_heed && typed.get("heeded") == "yes",
        certificate: typed.get("certificate").to_owned(),
        second_person: typed.get("second").to_owned(),
        minutes,
        note: typed.get("note").to_owned(),
        left_out: typed.under("left.").map(str::to_owned).collect(),
        confirmed: confirmed(typed, &lines),
        ..Default::default()
    };
    Ok(Said { request, points, lines })
}

/// The fields of the call that somebody said are right.
fn confirmed(typed: &Typed, lines: &[usize]) -> Vec<String> {
    let done = is_so(typed, "done").then(|| Confirmed::DONE_AT.to_owned());
    let is_so = |(_, line): &(usize, &usize)| is_so(typed, &format!("used.{line}.item"));
    let items = lines.iter().enumerate().filter(is_so).map(|(at, _)| Confirmed::item_field(at));
    done.into_iter().chain(items).collect()
}

fn readings(typed: &Typed, wrong: &mut Complaints) -> (Vec<String>, Vec<v1::Reading>) {
    let (mut points, mut readings) = (Vec::new(), Vec::new());
    for point in typed.under(READING) {
        let field = format!("{READING}{point}");
        let text = typed.get(&field);
        if text.is_empty() {
            continue;
        }
        let (value, unit) = amount(text);
        if unit.starts_with(',') {
            wrong.put(field, "write a point and no comma, such as 6.1");
        } else if !value.bytes().any(|b| b.is_ascii_digit()) {
            wrong.put(
                field,
                "there is no number in it; write it like 6.1, or leave it empty where it was not read",
            );
        } else {
            readings.push(v1::Reading {
                point: point.to_owned(),
                value: value.to_owned(),
                unit: unit.to_owned(),
                confirmed: is_so(typed, &field),
            });
            points.push(point.to_owned());
        }
    }
    (points, readings)
}

fn used(typed: &Typed, wrong: &mut Complaints) -> (Vec<usize>, Vec<v1::KitItem>) {
    let (mut lines, mut used) = (Vec::new(), Vec::new());
    for line in 1..=USED_LINES {
        let of = |name: &str| typed.get(&format!("used.{line}.{name}")).to_owned();
        let item = v1::KitItem {
            item: of("item"),
            quantity: of("quantity"),
            unit: of("unit"),
            ..Default::default()
        };
        if item.item.is_empty() && item.quantity.is_empty() {
            continue;
        }
        if item.item.is_empty() {
            wrong.put(format!("used.{line}.item"), "say which item");
        } else if item.quantity.is_empty() {
            wrong.put(format!("used.{line}.quantity"), "say how much");
        }
        used.push(item);
        lines.push(line);
    }
    (lines, used)
}

/// The leading number of a text, and what follows it.
fn amount(text: &str) -> (&str, &str) {
    let sign = usize::from(text.starts_with('-'));
    let end = text[sign..].find(|c: char| !c.is_ascii_digit() && c != '.').map_or(text.len(), |at| at + sign);
    let (number, unit) = text.split_at(end);
    (number, unit.trim())
}

impl Said {
    /// What the service found wrong with it, at the fields that it came from.
    pub(super) fn refused(&self, status: &Status) -> Complaints {
        let mut wrong = Complaints::default();
        let details = status.get_error_details();
        let reason = details.error_info().map(|info| info.reason.as_str()).unwrap_or_default();
        let violations = details.bad_request().map(|bad| bad.field_violations.as_slice()).unwrap_or_default();
        for violation in violations {
            match self.place(&violation.field) {
                Some(place) => {
                    wrong.put(place.as_str(), &violation.description);
                    wrong.asked_back.extend((reason == ASKED_BACK).then_some(place));
                }
                None if violation.field.is_empty() => {
                    wrong.others.push(format!("{}.", sentence(&violation.description)));
                }
                None => wrong.others.push(format!("{}: {}.", violation.field, violation.description)),
            }
        }
        if !violations.is_empty() {
            return wrong;
        }
        let message = status.message().replace("`done_by`", "“Who did it”");
        let about = details.resource_info();
        match about.filter(|about| about.resource_type == "person") {
            Some(about) if about.resource_name == self.request.second_person => wrong.put("second", &message),
            Some(_) => wrong.put("by", &message),
            None if reason.starts_with("PIN_") => wrong.put("pin", &message),
            None => wrong.others.push(format!("{}.", sentence(&message))),
        }
        wrong
    }

    /// The field of the form that a field of the call came from.
    fn place(&self, field: &str) -> Option<String> {
        let (list, rest) = field.split_once('[').unwrap_or((field, ""));
        let (at, part) = rest.split_once(']').unwrap_or((rest, ""));
        let at: usize = at.parse().unwrap_or(usize::MAX);
        let place = match (list, self.points.get(at), self.lines.get(at)) {
            ("readings", Some(point), _) => return Some(format!("{READING}{point}")),
            ("used", _, Some(line)) => {
                let part = part.trim_start_matches('.');
                let part = if matches!(part, "quantity" | "unit") { part } else { "item" };
                return Some(format!("used.{line}.{part}"));
            }
            ("done_at", ..) => "done",
            ("done_by", ..) => "by",
            ("as_found", ..) => "found",
            ("second_person", ..) => "second",
            ("certificate" | "minutes" | "note", ..) => list,
            _ => return None,
        };
        Some(place.to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::Failure;
    use fettler_domain::error::{Error, Question, Violation};

    fn teller() -> Teller {
        Teller::new("UTC", None)
    }

    #[test]
    fn what_was_typed_becomes_the_call() {
        let typed = Typed::parse(
            b"request=r&cautious=1&heeded=yes&found=worn&by=Ada+Kern&done=2026-11-25T05:40&read.line-air=6.1+bar&read.oil=\
              &so.read.line-air=6.1+bar&so.done=2026-11-25T05:40&so.used.2.item=way+oil&kit=1&used.2.item=way+oil&used.2.quantity=2&used.2.unit=L&minutes=12&note=n&left.bowl=1",
        );
        let said = read(&typed, 245, "north", teller()).unwrap();
        let request = &said.request;
        assert_eq!((request.order, request.site.as_str(), request.request_id.as_str()), (245, "north", "r"));
        assert_eq!((request.as_found(), request.done_by.as_str()), (v1::AsFound::Worn, "Ada Kern"));
        let reading = &request.readings[0];
        assert_eq!(
            (reading.point.as_str(), reading.value.as_str(), reading.unit.as_str()),
            ("line-air", "6.1", "bar")
        );
        assert!(
            reading.confirmed
                && request.readings.len() == 1
                && request.cautions_confirmed
                && request.confirmed == ["done_at", "used[0].item"]
                && request.kit_used
        );
        assert_eq!(request.done_at.map(|at| at.seconds), Some(1_795_585_200));
        assert_eq!((said.lines, request.left_out.as_slice()), (vec![2], &["bowl".to_owned()][..]));
    }

    #[test]
    fn everything_that_is_wrong_is_told_at_its_field() {
        let typed = Typed::parse(
            b"cautious=1&done=soon&read.p=6,1&read.q=high&minutes=1.5&used.1.item=oil&used.3.quantity=2",
        );
        let wrong = read(&typed, 1, "", teller()).unwrap_err();
        let fields: Vec<&str> = wrong.each().map(|(field, _)| field).collect();
        let expected = [
            "by",
            "done",
            "found",
            "heeded",
            "minutes",
            "read.p",
            "read.q",
            "used.1.quantity",
            "used.3.item",
        ];
        assert_eq!(fields, expected);
    }

    #[test]
    fn a_tick_is_for_what_stood_there_when_it_was_asked_back() {
        let confirmed = |typed: &[u8]| {
            let typed = [b"found=good&by=A&used.1.item=oyl&used.1.quantity=2&", typed].concat();
            let request = read(&Typed::parse(&typed), 1, "", teller()).unwrap().request;
            (request.confirmed, request.readings.first().is_some_and(|reading| reading.confirmed))
        };
        let of = |fields: &[&str]| fields.iter().map(|&field| field.to_owned()).collect::<Vec<_>>();
        assert_eq!(confirmed(b"read.p=61"), (of(&[]), false));
        assert_eq!(confirmed(b"so.done=empty&read.p=61&so.read.p=61"), (of(&["done_at"]), true));
        assert_eq!(confirmed(b"so.used.1.item=oyl&read.p=16&so.read.p=61"), (of(&["used[0].item"]), false));
        assert_eq!(confirmed(b"read.p=61&so.read.p=61&certificate=K-1"), (of(&[]), false));
        assert_eq!(confirmed(b"read.p=61&so.read.p=61+by+K-1&certificate=K-1"), (of(&[]), true));
        assert_eq!(confirmed(b"read.p=61&so.read.p=61+by+K-1&certificate="), (of(&[]), false));
        assert_eq!(confirmed(b"so.used.1.item=oil&done=2026-11-25T05:40&so.done=empty"), (of(&[]), false));
    }

    #[test]
    fn a_refusal_stands_at_the_field_that_was_typed() {
        let typed = Typed::parse(b"found=good&by=A&read.o=&read.p=61&used.3.item=oil&used.3.quantity=x");
        let said = read(&typed, 1, "", teller()).unwrap();
        assert!(said.request.confirmed.is_empty());
        let violations = [
            ("readings[0].value", "`high` is no number"),
            ("used[0].quantity", "is no number"),
            ("done_at", "lies 40 h in the future"),
            ("waste", "is odd"),
        ];
        let violations = violations.map(|(field, text)| Violation::new(field, text)).to_vec();
        let wrong = said.refused(&Status::from(Failure::Refused(Error::Invalid(violations))));
        let fields: Vec<&str> = wrong.each().map(|(field, _)| field).collect();
        assert_eq!(fields, ["done", "read.p", "used.3.quantity"]);
        assert!(wrong.asked_back.is_empty() && wrong.others == ["waste: is odd."]);
    }

    #[test]
    fn what_is_asked_back_is_known_by_its_reason_and_stands_at_its_field() {
        let typed = Typed::parse(b"found=good&by=A&read.o=&read.p=61&used.3.item=oyl&used.3.quantity=2");
        let said = read(&typed, 1, "", teller()).unwrap();
        let asked = ["readings[0].value", "used[0].item"].map(|field| Question::new(field, "looks odd"));
        let wrong = said.refused(&Status::from(Failure::Refused(Error::AskedBack(asked.to_vec()))));
        assert!(wrong.asks_back("read.p") && wrong.asks_back("used.3.item"));
        assert!(!wrong.asks_back("done") && !wrong.asks_back("read.o"));
    }
}
