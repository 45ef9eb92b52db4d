//! A closing as it was typed: read into the call that records it, and what is wrong with it told at the field that it is about.

use super::requests::Typed;
use super::time::Teller;
use super::words::{self, sentence};
use fettler_proto::v1;
use std::collections::BTreeMap;
use tonic::Status;
use tonic_types::StatusExt as _;

/// Lines for what was used beside the task's kit.
pub(super) const USED_LINES: usize = 3;
/// How what looks like a slip is asked back by the service: a reading, the time or an item.
const ASKED_BACK: [&str; 2] = ["confirm the reading", "confirm the closing"];
/// The field that confirms the time and the items.
pub(super) const SO: &str = "so";

/// What is wrong with what was typed.
#[derive(Debug, Default)]
pub(super) struct Complaints {
    /// By field.
    fields: BTreeMap<String, String>,
    /// About no field of the form.
    pub(super) others: Vec<String>,
    /// Test points whose readings are asked back.
    asked_back: Vec<String>,
    /// Whether the time or an item is asked back.
    pub(super) asks_closing_back: bool,
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

    /// Whether a test point's reading is asked back.
    pub(super) fn asks_back(&self, point: &str) -> bool {
        self.asked_back.iter().any(|asked| asked == point)
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
        confirmed: typed.has(SO),
        ..Default::default()
    };
    Ok(Said { request, points, lines })
}

fn readings(typed: &Typed, wrong: &mut Complaints) -> (Vec<String>, Vec<v1::Reading>) {
    let (mut points, mut readings) = (Vec::new(), Vec::new());
    for point in typed.under("read.") {
        let field = format!("read.{point}");
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
                confirmed: typed.has(&format!("so.{point}")),
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
            self.put(&mut wrong, &violation.field, &violation.description);
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

    fn put(&self, wrong: &mut Complaints, field: &str, text: &str) {
        let (list, rest) = field.split_once('[').unwrap_or((field, ""));
        let (at, part) = rest.split_once(']').unwrap_or((rest, ""));
        let at: usize = at.parse().unwrap_or(usize::MAX);
        wrong.asks_closing_back |= text.ends_with(ASKED_BACK[1]);
        match (list, self.points.get(at), self.lines.get(at)) {
            ("readings", Some(point), _) => {
                if text.ends_with(ASKED_BACK[0]) {
                    wrong.asked_back.push(point.clone());
                }
                wrong.put(format!("read.{point}"), text);
            }
            ("used", _, Some(line)) => {
                let part = part.trim_start_matches('.');
                let part = if matches!(part, "quantity" | "unit") { part } else { "item" };
                wrong.put(format!("used.{line}.{part}"), text);
            }
            _ => match list {
                "done_at" => wrong.put("done", text),
                "done_by" => wrong.put("by", text),
                "as_found" => wrong.put("found", text),
                "second_person" => wrong.put("second", text),
                "certificate" | "minutes" | "note" => wrong.put(list, text),
                _ => wrong.others.push(format!("{field}: {text}.")),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::Failure;
    use fettler_domain::error::{Error, Violation};

    fn teller() -> Teller {
        Teller::new("UTC", None)
    }

    #[test]
    fn what_was_typed_becomes_the_call() {
        let typed = Typed::parse(
            b"request=r&cautious=1&heeded=yes&found=worn&by=Ada+Kern&done=2026-11-25T05:40&read.line-air=6.1+bar&read.oil=\
              &so.line-air=1&so=1&kit=1&used.2.item=way+oil&used.2.quantity=2&used.2.unit=L&minutes=12&note=n&left.bowl=1",
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
                && request.confirmed
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
    fn a_refusal_stands_at_the_field_that_was_typed_and_a_slip_is_asked_back() {
        let typed = Typed::parse(b"found=good&by=A&read.o=&read.p=61&used.3.item=oil&used.3.quantity=x");
        let said = read(&typed, 1, "", teller()).unwrap();
        assert!(!said.request.confirmed);
        let violations = [
            ("readings[0].value", "61 bar is more than it can show; if it is so, confirm the reading"),
            ("used[0].quantity", "is no number"),
            ("done_at", "lies 40 h before its order was opened; if it is so, confirm the closing"),
            ("waste", "is odd"),
        ];
        let violations = violations.map(|(field, text)| Violation::new(field, text)).to_vec();
        let status = Status::from(Failure::Refused(Error::Invalid(violations)));
        let wrong = said.refused(&status);
        let fields: Vec<&str> = wrong.each().map(|(field, _)| field).collect();
        assert_eq!(fields, ["done", "read.p", "used.3.quantity"]);
        assert!(
            wrong.asks_closing_back
                && wrong.asks_back("p")
                && !wrong.asks_back("o")
                && wrong.others == ["waste: is odd."]
        );
    }
}
