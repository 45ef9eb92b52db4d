//! A calculator's answer, and the list of calculators.

use super::{due::DEFERRAL, table::Table, wrap};
use crate::calc::{
    self, Calculator,
    found::{Column, Found, Value},
    given::{Given, Missing},
    rows::Row,
};
use crate::out::Style;
use serde_json::{Map, Value as Json, json};

/// Digits that a result keeps where a person reads it.
const DIGITS: usize = 6;

/// What to heed at the work that a calculator is for, and what comes before all that; nothing where nothing can hurt.
pub(crate) fn cautions(calculator: &Calculator) -> Vec<&'static str> {
    let deferral = (!calculator.cautions.is_empty()).then_some(DEFERRAL);
    calculator.cautions.iter().copied().chain(deferral).collect()
}

/// The calculators as rows.
pub(crate) fn table() -> Table {
    let mut table = Table::new(["calculator", "tells"]);
    for calculator in calc::ALL {
        table.push([calculator.name.to_owned(), calculator.about.to_owned()]);
    }
    table
}

/// The list of calculators.
pub(crate) fn list(width: usize, style: Style) -> String {
    format!(
        "{}\n`fettler calc NAME --help` shows inputs, formula, range and source; `--csv FILE` computes many rows.\n",
        table().text(width, style)
    )
}

/// The list of calculators, with what each takes and gives.
pub(crate) fn list_json() -> String {
    let one = |calculator: &&Calculator| {
        let inputs = calculator.inputs.iter().map(|input| {
            let (default, needed) = match input.missing {
                Missing::Needed => (Json::Null, true),
                Missing::Default(value) => (json!(value), false),
                Missing::Means(_) => (Json::Null, false),
            };
            json!({
                "name": input.name, "unit": input.unit(), "takes": input.takes(), "help": input.help,
                "default": default, "needed": needed,
            })
        });
        let results = calculator.results.iter().map(
            |result| json!({ "name": result.name, "unit": result.unit, "what": result.what, "absent": result.absent }),
        );
        json!({
            "name": calculator.name, "about": calculator.about, "formula": calculator.formula,
            "inputs": inputs.collect::<Vec<_>>(), "results": results.collect::<Vec<_>>(),
            "range": calculator.range, "source": calculator.source, "cautions": cautions(calculator),
        })
    };
    pretty(&json!(calc::ALL.iter().map(one).collect::<Vec<_>>()))
}

fn pretty(json: &Json) -> String {
    format!("{json:#}\n")
}

/// A calculator's answer for people: formula, inputs, results, range, source and cautions.
pub(crate) fn answer(
    calculator: &Calculator,
    given: &Given,
    found: &Found,
    width: usize,
    style: Style,
) -> String {
    let mut text = String::new();
    let mut part = |heading: &str, lines: String| {
        if !lines.is_empty() {
            text.push_str(&style.heading(heading));
            text.push('\n');
            text.push_str(&lines);
            text.push('\n');
        }
    };
    let indented =
        |lines: &str| lines.lines().map(|line| wrap::labelled(2, "", 0, line, width)).collect::<String>();
    part("FORMULA", indented(calculator.formula));
    part("INPUTS", inputs(calculator, given, width));
    part("RESULTS", results(calculator, found, width));
    part("REMARKS", indented(&found.remarks.join("\n")));
    part("RANGE", indented(calculator.range));
    part("SOURCE", indented(calculator.source));
    part("CAUTION", indented(&cautions(calculator).join("\n")));
    text.truncate(text.trim_end().len());
    text.push('\n');
    text
}

fn inputs(calculator: &Calculator, given: &Given, width: usize) -> String {
    let rows = calculator.inputs.iter().map(|input| {
        let (said, unit) = match (given.said(input.name), input.missing) {
            ("", Missing::Means(means)) => (format!("none: {means}"), ""),
            (said, _) => (said.to_owned(), input.unit()),
        };
        (input.name, said, unit, input.help)
    });
    lines(&rows.collect::<Vec<_>>(), width)
}

fn results(calculator: &Calculator, found: &Found, width: usize) -> String {
    let rows = calculator.results.iter().zip(&found.values).map(|(result, value)| {
        let (said, unit) = match value {
            Value::Absent => (result.absent.to_owned(), ""),
            Value::Number(_) | Value::Numbers(_) | Value::Text(_) => (value.text(DIGITS), result.unit),
        };
        (result.name, said, unit, result.what)
    });
    lines(&rows.collect::<Vec<_>>(), width)
}

/// Name, value with unit, and what it is, in three columns.
fn lines(rows: &[(&str, String, &str, &str)], width: usize) -> String {
    let values: Vec<String> =
        rows.iter().map(|(_, value, unit, _)| format!("{value} {unit}").trim_end().to_owned()).collect();
    let longest = |lengths: &mut dyn Iterator<Item = usize>| lengths.max().unwrap_or(0);
    let name_width = longest(&mut rows.iter().map(|(name, ..)| name.chars().count()));
    let value_width = longest(&mut values.iter().map(|value| value.chars().count())).min(VALUE_WIDTH_MAX);
    let mut text = String::new();
    let gap = name_width + value_width + 4;
    for ((name, .., what), value) in rows.iter().zip(&values) {
        let label = format!("{name:<name_width$}  {value:<value_width$}  ");
        if value.chars().count() > value_width {
            text.push_str(&wrap::labelled(2, name, name_width + 2, value, width));
            text.push_str(&wrap::labelled(2, "", gap, what, width));
        } else {
            text.push_str(&wrap::labelled(2, &label, gap, what, width));
        }
    }
    text
}

/// The widest column of values, in characters; a longer value stands above what is said of it.
const VALUE_WIDTH_MAX: usize = 24;

fn values(columns: &[Column], found: &Found) -> Map<String, Json> {
    columns.iter().zip(&found.values).map(|(column, value)| (column.name.to_owned(), value.json())).collect()
}

/// A calculator's answer for programs.
pub(crate) fn answer_json(calculator: &Calculator, given: &Given, found: &Found) -> String {
    let inputs: Map<String, Json> = calculator
        .inputs
        .iter()
        .map(|input| (input.name.to_owned(), json!(given.said(input.name))))
        .collect();
    let units: Map<String, Json> =
        calculator.results.iter().map(|result| (result.name.to_owned(), json!(result.unit))).collect();
    pretty(&json!({
        "calculator": calculator.name, "inputs": inputs, "results": values(calculator.results, found),
        "units": units, "remarks": found.remarks, "formula": calculator.formula, "range": calculator.range,
        "source": calculator.source, "cautions": cautions(calculator),
    }))
}

/// One row of many for programs, on one line.
pub(crate) fn row_json(calculator: &Calculator, row: &Row) -> String {
    let record = match &row.found {
        Ok(found) => json!({
            "line": row.line, "id": row.id, "results": values(calculator.results, found), "remarks": found.remarks,
        }),
        Err(problems) => {
            let problems = problems.iter().map(
                |problem| json!({ "field": problem.field, "value": problem.value, "text": problem.text }),
            );
            json!({ "line": row.line, "id": row.id, "problems": problems.collect::<Vec<_>>() })
        }
    };
    format!("{record}\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(name: &str, texts: &[(&str, &str)]) -> (&'static Calculator, Given, Found) {
        let calculator = calc::ALL.into_iter().find(|calculator| calculator.name == name).unwrap();
        let find =
            |name: &str| texts.iter().find(|(other, _)| *other == name).map(|(_, text)| (*text).to_owned());
        let given = Given::read(calculator, |input| find(input.name)).unwrap_or_else(|p| panic!("{p:?}"));
        let found = (calculator.compute)(&given).unwrap();
        (calculator, given, found)
    }

    #[test]
    fn an_answer_at_80_columns() {
        let bowl = [
            ("q_anr_l_min", "36"),
            ("p_gauge_bar", "6"),
            ("tdp_in_c", "-3"),
            ("t_bowl_c", "20"),
            ("bowl_ml", "30"),
        ];
        let (calculator, given, found) = of("condensate", &bowl);
        insta::assert_snapshot!(answer(calculator, &given, &found, 80, Style::PLAIN));
    }

    #[test]
    fn an_answer_for_programs() {
        let (calculator, given, found) = of(
            "reorder_point",
            &[("d_per_day", "5"), ("sd_day", "0"), ("lead_days", "3"), ("service", "0.95")],
        );
        let text = answer_json(calculator, &given, &found);
        let json: Json = serde_json::from_str(&text).unwrap();
        assert_eq!(json["inputs"]["sd_lead_days"], "0");
        assert_eq!(json["results"]["rop"], 15.0);
        assert_eq!(json["results"]["fill_rate"], Json::Null);
        assert_eq!(json["units"]["rop"], "units");
        assert_eq!(json["cautions"], json!([]), "nobody is hurt by a reorder point");
    }

    #[test]
    fn the_list_at_80_columns() {
        insta::assert_snapshot!(list(80, Style::PLAIN));
        let json: Json = serde_json::from_str(&list_json()).unwrap();
        assert_eq!(json.as_array().unwrap().len(), calc::ALL.len());
        let leak = json.as_array().unwrap().iter().find(|one| one["name"] == "leak").unwrap();
        assert_eq!(leak["cautions"].as_array().unwrap().last().unwrap(), DEFERRAL);
    }
}
