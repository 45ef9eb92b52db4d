//! Clauses that follow a model: worked examples with their sources, what is learnt, faults, and the order of arrival.

mod fill;
mod level;
mod poured;
mod said;

use super::*;
use fettler_domain::plan::{Counted, Modelled, PointInput, reason_in_words, reasons};
use fettler_domain::reading::course::Placed;
use fettler_domain::reading::{PointUnit, Value};
use fettler_domain::rule::model::Model;

fn value(text: &str) -> Value {
    Value::parse(text).unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn point(text: &str) -> Key {
    Key::new(text).expect("a key")
}

/// An order whose only clause follows a model; the readings of its point and the closings from which it learns.
fn following(model: Model<MeterId>, unit: &str, readings: &[(&str, &str)], closings: &[&str]) -> TaskInput {
    let key = model.points().first().map(|(_, key)| (*key).clone());
    let clause = Clause::Model { model: Box::new(model) };
    let placed = |(at, read): &(&str, &str)| Placed { at: utc(at), value: value(read) };
    let known = PointInput {
        unit: unit.into(),
        sign: PointUnit::parse(unit).expect("a unit").sign().into(),
        readings: readings.iter().map(placed).collect(),
        ..PointInput::default()
    };
    let models = fettler_domain::plan::ModelInput {
        points: key.map(|key| (key, known)).into_iter().collect(),
        closings: closings.iter().map(|at| utc(at)).collect(),
        poured: std::collections::BTreeMap::new(),
    };
    TaskInput { models: Some(Box::new(models)), ..task(&[clause]) }.closed(closings)
}

/// What the model of a row's first clause tells.
fn told(row: &PlanRow) -> &Modelled {
    let Counted::Model { told, .. } = &row.clauses[0].counted else { panic!("a model: {row:?}") };
    told
}

/// The reason of a row's first clause, in words.
fn why(row: &PlanRow) -> String {
    let today = row.stamp.as_of;
    reason_in_words(&reasons(row, &plain())[0], &plain(), today)
}

/// The meter ran so many hours each day from a day on, at one pace.
fn ran_daily(input: TaskInput, from: &str, days: i64, each: &str) -> TaskInput {
    let start = utc(from);
    let stretches: Vec<Segment> = (0..days)
        .map(|day| {
            let start = start.plus_micros(day * 86_400_000_000);
            Segment { start, end: start.plus_micros(86_400_000_000), amount: hours(each) }
        })
        .collect();
    let mut input = input;
    let history = History::from_segments(stretches);
    input.meters.insert(METER, MeterInput { unit: Unit::Hours, history, forecast: None });
    input
}
