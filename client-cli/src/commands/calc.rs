//! `calc`: the calculators. They ask no service.

use crate::{
    args::{
        OutputForm,
        calc::{CalcArgs, Calculation},
    },
    calc::{
        found::Found,
        given::{Given, Problem},
        rows::{Row, Rows},
    },
    csvout,
    exit::{Answer, Complaint, Failure},
    out::Out,
    render,
};

/// Digits that a result keeps where a program reads it.
const DIGITS: usize = 9;

/// Lists the calculators, computes one row, or a file of rows.
pub(super) fn run(args: CalcArgs, form: OutputForm, width: usize, out: &Out) -> Result<Answer, Failure> {
    let Some(calculation) = args.calculation else {
        let shown = match form {
            OutputForm::Table => render::calc::list(width, out.style()),
            OutputForm::Csv => csvout::text(&render::calc::table()),
            OutputForm::Json => render::calc::list_json(),
        };
        out.data(&shown)?;
        return Ok(Answer::Done);
    };
    match &calculation.csv {
        Some(file) => many(&calculation, file, form, out),
        None => one(&calculation, form, width, out),
    }
}

fn one(calculation: &Calculation, form: OutputForm, width: usize, out: &Out) -> Result<Answer, Failure> {
    let calculator = calculation.calculator;
    let typed = calculator.inputs.iter().zip(&calculation.typed);
    let text_of =
        |name: &str| typed.clone().find(|(input, _)| input.name == name).and_then(|(_, text)| text.clone());
    let given = Given::read(calculator, |input| text_of(input.name))
        .map_err(|problems| refused(calculation, &problems))?;
    let found = (calculator.compute)(&given).map_err(|problem| refused(calculation, &[problem]))?;
    let shown = match form {
        OutputForm::Table => render::calc::answer(calculator, &given, &found, width, out.style()),
        OutputForm::Json => render::calc::answer_json(calculator, &given, &found),
        OutputForm::Csv => {
            let header = csvout::line(calculator.results.iter().map(|result| result.name));
            header + &csvout::line(cells(&found).iter().map(String::as_str))
        }
    };
    out.data(&shown)?;
    if form == OutputForm::Csv {
        found.remarks.iter().for_each(|remark| out.note(&format!("remark: {remark}\n")));
        caution(calculation, out);
    }
    Ok(Answer::Done)
}

/// Says once what to heed, where the rows of an answer have no place for it.
fn caution(calculation: &Calculation, out: &Out) {
    for caution in render::calc::cautions(calculation.calculator) {
        out.note(&format!("caution: {caution}\n"));
    }
}

fn cells(found: &Found) -> Vec<String> {
    found.values.iter().map(|value| value.text(DIGITS)).collect()
}

fn refused(calculation: &Calculation, problems: &[Problem]) -> Failure {
    let name = calculation.calculator.name;
    let mut complaint = Complaint::new(format!("`calc {name}` cannot take these inputs"));
    for problem in problems {
        complaint.fields.push((format!("--{}", problem.field.replace('_', "-")), problem.whole()));
    }
    Failure::Usage(complaint.hint(format!("`fettler calc {name} --help` shows the inputs with their units")))
}

fn many(calculation: &Calculation, file: &str, form: OutputForm, out: &Out) -> Result<Answer, Failure> {
    let calculator = calculation.calculator;
    let mut rows = Rows::open(calculator, &calculation.typed, file)?;
    let json = form == OutputForm::Json;
    if !json {
        let names = calculator.results.iter().map(|result| result.name);
        out.data(&csvout::line(std::iter::once("id").chain(names)))?;
    }
    let (mut all, mut bad) = (0_u64, 0_u64);
    while let Some(row) = rows.next_row()? {
        all += 1;
        bad += u64::from(row.found.is_err());
        if json {
            out.data(&render::calc::row_json(calculator, &row))?;
        } else if let Ok(found) = &row.found {
            let cells = cells(found);
            out.data(&csvout::line(
                std::iter::once(row.id.as_str()).chain(cells.iter().map(String::as_str)),
            ))?;
        }
        tell(&row, out);
    }
    caution(calculation, out);
    if bad == 0 {
        return Ok(Answer::Done);
    }
    out.note(&format!("{bad} of {all} rows could not be computed and are not in the answer\n"));
    Ok(Answer::No)
}

/// Says what is wrong with a row, or to be noted of it.
fn tell(row: &Row, out: &Out) {
    let place = format!("line {} ({})", row.line, row.id);
    match &row.found {
        Ok(found) => {
            for remark in &found.remarks {
                out.note(&format!("{place}: remark: {remark}\n"));
            }
        }
        Err(problems) => {
            for problem in problems {
                out.note(&format!("{place}: {}: {}\n", problem.field, problem.whole()));
            }
        }
    }
}
