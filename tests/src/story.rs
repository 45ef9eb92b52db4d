//! The invented year of `tests/oracle/second_year.py`, line by line, as declarations, reports and settlements on the wire.

use crate::oracle;
use crate::year::timestamp;
use fettler_proto::v1::shift_report::Statement;
use fettler_proto::v1::{
    HeldCode, IntervalStatement, MachineCard, MeterCard, MeterFeed, MeterKind, ReadingStatement,
    ReplaceCounterRequest, ReportReference, ReportState, SettleReportRequest, Settlement, ShiftReport, Shop,
    Site, Source, Unit, WithdrawalStatement,
};
use serde_json::Value;

/// The story as the generator tells it.
#[derive(Clone, Debug)]
pub struct Story {
    /// Its lines, in the order in which they would reach a service.
    pub lines: Vec<Value>,
}

impl Story {
    /// The story of a seed.
    pub fn tell(seed: u64, machines: u32, days: u32) -> Story {
        let [seed, machines, days] = [seed.to_string(), machines.to_string(), days.to_string()];
        let arguments = ["--seed", &seed, "--machines", &machines, "--days", &days];
        Story { lines: oracle::lines(&oracle::run("second_year.py", &arguments, "")) }
    }

    /// The lines of one kind.
    pub fn of(&self, kind: &str) -> impl Iterator<Item = &Value> {
        self.lines.iter().filter(move |line| line["line"] == kind)
    }

    /// The instant of the story's end, in microseconds.
    pub fn as_of(&self) -> i64 {
        self.of("as_of").next().expect("a story has an end")["at"].as_i64().expect("micros")
    }

    /// The shop with these of its machines.
    pub fn shop(&self, wanted: impl Fn(&Value) -> bool) -> Shop {
        let site = Site { key: "story".into(), zone: "Europe/Berlin".into(), ..Site::default() };
        let sources = self.of("source").enumerate().map(|(place, line)| source(place, line));
        let machines = self.of("machine").filter(|line| wanted(line)).map(card);
        let people = vec!["Ada Kern".into()];
        Shop {
            site: Some(site),
            sources: sources.collect(),
            people,
            machines: machines.collect(),
            ..Shop::default()
        }
    }

    /// The replacements of the machines' counters up to the story's end.
    pub fn replacements(&self) -> Vec<ReplaceCounterRequest> {
        let mut all = Vec::new();
        for machine in self.of("machine") {
            for meter in list(&machine["meters"]) {
                for one in list(&meter["replacements"]).filter(|one| number(one, "at") <= self.as_of()) {
                    all.push(ReplaceCounterRequest {
                        machine: text(&machine["names"][0]),
                        meter: text(&meter["key"]),
                        at: Some(timestamp(number(one, "at"))),
                        closing_value: amount(number(one, "closing"), Unit::Hours),
                        opening_value: amount(number(one, "opening"), Unit::Hours),
                        by: "Ada Kern".into(),
                        ..ReplaceCounterRequest::default()
                    });
                }
            }
        }
        all
    }

    /// The reports, in the order of the story.
    pub fn reports(&self) -> Vec<ShiftReport> {
        self.of("report").map(report).collect()
    }

    /// The settlements, in the order of the story.
    pub fn settlements(&self) -> impl Iterator<Item = (&Value, SettleReportRequest)> {
        self.of("settlement").map(|line| (line, settlement(line)))
    }
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

fn number(line: &Value, field: &str) -> i64 {
    line[field].as_i64().unwrap_or_else(|| panic!("{field} of {line}"))
}

fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().expect("a list").iter()
}

/// Kept units as decimal text, with digits enough that reading it gives the same kept units again.
fn amount(kept: i64, unit: Unit) -> String {
    let per_unit: i128 = if unit == Unit::Hours { 3_600_000 } else { 1_000 };
    let scaled = (i128::from(kept.abs()) * 1_000_000_000_000 * 2 + per_unit) / (per_unit * 2);
    let sign = if kept < 0 { "-" } else { "" };
    format!("{sign}{}.{:012}", scaled / 1_000_000_000_000, scaled % 1_000_000_000_000)
}

fn unit(line: &Value) -> Unit {
    match line["unit"].as_str().expect("a unit") {
        "cycles" => Unit::Cycles,
        "litres" => Unit::Litres,
        _ => Unit::Hours,
    }
}

fn kind(word: &Value) -> MeterKind {
    match word.as_str() {
        Some("powered") => MeterKind::Powered,
        Some("working") => MeterKind::Working,
        Some("cycles") => MeterKind::Cycles,
        None => MeterKind::Unspecified,
        Some(other) => panic!("the story has no meter of kind {other}"),
    }
}

/// The story's ranks begin at 0, and a source without one comes last; the wire's begin at 1.
fn source(place: usize, line: &Value) -> Source {
    let rank = line["rank"].as_i64().map_or(1_000, |rank| rank + 1);
    let rank = i32::try_from(rank).unwrap_or_else(|_| panic!("the rank of source {place}"));
    Source { name: text(&line["name"]), rank, feeds: kind(&line["feeds"]).into() }
}

fn card(line: &Value) -> MachineCard {
    let names: Vec<String> = list(&line["names"]).map(text).collect();
    let meters = list(&line["meters"]).map(|meter| {
        let kind = kind(&meter["kind"]);
        let feed = if meter["feed"] == "absolute" { MeterFeed::Readings } else { MeterFeed::Intervals };
        let most = amount(number(meter, "max_per_hour"), Unit::Cycles);
        MeterCard {
            key: text(&meter["key"]),
            kind: kind.into(),
            feed: feed.into(),
            max_per_hour: if kind == MeterKind::Cycles { most } else { String::new() },
        }
    });
    MachineCard {
        tag: names[0].clone(),
        also_known_as: names[1..].to_vec(),
        meters: meters.collect(),
        ..MachineCard::default()
    }
}

fn report(line: &Value) -> ShiftReport {
    let at = |field: &str| Some(timestamp(number(line, field)));
    let statement = if line["withdrawn"] == true {
        Statement::Withdrawal(WithdrawalStatement {})
    } else if line.get("value").is_some() {
        let value = amount(number(line, "value"), unit(line));
        Statement::Reading(ReadingStatement { at: at("at"), value, unit: unit(line).into() })
    } else {
        let amount = amount(number(line, "amount"), unit(line));
        Statement::Interval(IntervalStatement {
            start: at("start"),
            end: at("end"),
            amount,
            unit: unit(line).into(),
        })
    };
    ShiftReport {
        source: text(&line["source"]),
        report_id: text(&line["report"]),
        revision: u32::try_from(number(line, "revision")).expect("a revision"),
        machine: text(&line["machine"]),
        meter: text(&line["meter"]),
        statement: Some(statement),
    }
}

fn settlement(line: &Value) -> SettleReportRequest {
    let settlement = if line["settlement"] == "count" { Settlement::Count } else { Settlement::Drop };
    SettleReportRequest {
        report: Some(ReportReference {
            source: text(&line["source"]),
            report_id: text(&line["report"]),
            revision: u32::try_from(number(line, "revision")).expect("a revision"),
            digest: text(&line["digest"]),
        }),
        settlement: settlement.into(),
        by: "Ada Kern".into(),
        ..SettleReportRequest::default()
    }
}

/// The oracle's words for where a report stands and why.
pub fn words(state: ReportState, reason: HeldCode) -> (String, Option<String>) {
    let word = |name: &str, prefix: &str| name.trim_start_matches(prefix).to_lowercase();
    let reason = (reason != HeldCode::Unspecified).then(|| word(reason.as_str_name(), "HELD_CODE_"));
    (word(state.as_str_name(), "REPORT_STATE_"), reason)
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::quantity::{Amount, Unit as Kept};

    #[test]
    fn an_amount_is_read_as_it_was_meant() {
        for kept in [0, 1, -1, 60_001, 3_600_000, 36_000_000_000] {
            assert_eq!(Amount::parse(&amount(kept, Unit::Hours), Kept::Hours), Ok(Amount(kept)));
            assert_eq!(Amount::parse(&amount(kept, Unit::Cycles), Kept::Cycles), Ok(Amount(kept)));
        }
    }
}
