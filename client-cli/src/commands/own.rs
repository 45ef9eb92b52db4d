//! `config`, `completions` and `manual`: what concerns the client alone.

use crate::{
    args::{
        Args, Command, OutputForm,
        own::{CompletionsArgs, ConfigCommand, ManualArgs},
    },
    config, csvout,
    exit::{Answer, Failure},
    origin::{Found, Given},
    out::Out,
    profile,
    render::table::Table,
};
use clap::CommandFactory as _;
use serde_json::json;
use std::{fmt::Write as _, fs};

/// What is shown in place of a secret.
const HIDDEN: &str = "(not shown)";

/// Runs such a command; none where it is another one.
pub(super) fn run(command: &Command, given: &Given, out: &Out) -> Option<Result<Answer, Failure>> {
    if let Command::Config(ConfigCommand::Show) = command {
        return Some(config(given, out));
    }
    if let Command::Completions(args) = command {
        return Some(completions(args, given.output, out));
    }
    if let Command::Manual(args) = command {
        return Some(manual(args, given.output, out));
    }
    None
}

/// Shows every setting and where it was read.
fn config(given: &Given, out: &Out) -> Result<Answer, Failure> {
    let rows: Vec<[String; 3]> = given.all().map(row).collect();
    let text = match given.output {
        OutputForm::Json => as_json(given, &rows),
        OutputForm::Csv => csvout::text(&table(&rows)),
        OutputForm::Table => {
            let mut text = table(&rows).text(usize::from(given.width), out.style());
            text.push('\n');
            let _ = match (&given.file, profile::place()) {
                (Some(file), _) => writeln!(text, "file      {}", file.display()),
                (None, Some(place)) => writeln!(text, "file      none; it would be {}", place.display()),
                (None, None) => writeln!(text, "file      none"),
            };
            if !given.profiles.is_empty() {
                let _ = writeln!(text, "profiles  {}", given.profiles.join(", "));
            }
            text
        }
    };
    out.data(&text)?;
    Ok(Answer::Done)
}

fn row(found: &Found) -> [String; 3] {
    let of_folder = || config::admin_token().filter(|path| found.key == "token_file" && path.exists());
    let (value, from) = match &found.value {
        Some(_) if found.is_secret => (HIDDEN.to_owned(), found.origin.words()),
        Some(value) => (value.to_string_lossy().into_owned(), found.origin.words()),
        None => match of_folder() {
            Some(path) => {
                (path.display().to_string(), "data folder, for a service on this machine".to_owned())
            }
            None => (String::new(), String::new()),
        },
    };
    [found.key.to_owned(), value, from]
}

fn table(rows: &[[String; 3]]) -> Table {
    let mut table = Table::new(["setting", "value", "from"]);
    for row in rows {
        table.push(row.clone());
    }
    table
}

fn as_json(given: &Given, rows: &[[String; 3]]) -> String {
    let settings: Vec<_> = rows
        .iter()
        .map(|[setting, value, from]| json!({"setting": setting, "value": value, "from": from}))
        .collect();
    let file = given.file.as_ref().map(|file| file.display().to_string());
    let whole = json!({
        "file": file, "profile": given.profile, "profiles": given.profiles, "settings": settings,
    });
    format!("{whole:#}\n")
}

/// Writes what a shell completes by.
fn completions(args: &CompletionsArgs, form: OutputForm, out: &Out) -> Result<Answer, Failure> {
    only_text(form, "what a shell completes by")?;
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "fettler", &mut script);
    out.data(&String::from_utf8_lossy(&script))?;
    Ok(Answer::Done)
}

/// Writes the pages of the manual.
fn manual(args: &ManualArgs, form: OutputForm, out: &Out) -> Result<Answer, Failure> {
    only_text(form, "a manual")?;
    let folder = args.to.display();
    let cannot = |error: std::io::Error| Failure::usage(format!("cannot write into {folder}: {error}"));
    fs::create_dir_all(&args.to).map_err(cannot)?;
    clap_mangen::generate_to(Args::command(), &args.to).map_err(cannot)?;
    out.note(&format!("the pages are in {folder}; read one with `man -l {folder}/fettler.1`\n"));
    Ok(Answer::Done)
}

fn only_text(form: OutputForm, what: &str) -> Result<(), Failure> {
    if form == OutputForm::Table {
        return Ok(());
    }
    Err(Failure::usage(format!("{what} is neither JSON nor CSV; leave --output out")))
}
