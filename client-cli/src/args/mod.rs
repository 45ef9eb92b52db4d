//! Arguments as typed: every command and flag, and nothing that looks at the world.

pub(crate) mod ahead;
pub(crate) mod audit;
pub(crate) mod backtest;
pub(crate) mod calc;
pub(crate) mod calendar;
pub(crate) mod figures;
pub(crate) mod fluids;
pub(crate) mod hours;
pub(crate) mod import;
pub(crate) mod journal;
pub(crate) mod orders;
pub(crate) mod outbound;
pub(crate) mod own;
pub(crate) mod planned;
pub(crate) mod readings;
pub(crate) mod report;
pub(crate) mod review;
pub(crate) mod round;
pub(crate) mod sheet;
pub(crate) mod shop;
pub(crate) mod stock;

use crate::out::ColorChoice;
use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;
use uuid::Uuid;

/// Keeps the machines of a shop in good order: what is due, why, and what was done.
#[derive(Debug, Parser)]
#[command(
    name = "fettler",
    version,
    propagate_version = true,
    max_term_width = 100,
    after_help = "Examples:\n  \
        fettler due                                   what is due today\n  \
        fettler due --within 7d --while-stopped       the week, and what fits into a stop\n  \
        fettler round --by \"Ada Kern\"                 walk the checks of the shift\n  \
        fettler why 1042                              where a due point comes from\n  \
        fettler close 1042 --by \"Ada Kern\"            it was done, just now\n  \
        fettler hours push shift.csv --source erp     run hours in\n  \
        fettler calc                                  what can be calculated\n\n\
        Exit codes: 0 done, 1 the answer is no, 2 usage, 3 refused by the service,\n\
        4 not reachable (safe to repeat), 130 interrupted."
)]
pub(crate) struct Args {
    /// What holds for every command.
    #[command(flatten)]
    pub(crate) global: GlobalArgs,
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The form of the answer on stdout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum OutputForm {
    /// For people.
    #[default]
    Table,
    /// The protobuf JSON mapping of the service's answer.
    Json,
    /// RFC 4180 with a header row.
    Csv,
}

/// What holds for every command. Nothing here looks at the environment: a flag that was not typed would then stand in the
/// usage line of every complaint; `origin` does.
#[derive(Clone, Debug, Default, ClapArgs)]
#[command(next_help_heading = "Everywhere")]
pub(crate) struct GlobalArgs {
    /// Where the service listens. Else FETTLER_SERVER, the profile's, http://127.0.0.1:7133.
    #[arg(long, global = true, value_name = "URL")]
    pub(crate) server: Option<String>,
    /// The site's key; needed only where there are several. Else FETTLER_SITE, the profile's.
    #[arg(long, global = true, value_name = "KEY")]
    pub(crate) site: Option<String>,
    /// The file that holds the token. Else FETTLER_TOKEN, FETTLER_TOKEN_FILE, the profile's, or the service's data folder on
    /// this machine.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) token_file: Option<PathBuf>,
    /// The file that holds the PIN of the person who is named. Else FETTLER_PIN_FILE, FETTLER_PIN, the profile's, or what is
    /// typed at the terminal, unseen.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) pin_file: Option<PathBuf>,
    /// The authority of an https service's certificate, PEM. Else FETTLER_CA_FILE, the profile's.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) ca_file: Option<PathBuf>,
    /// A certificate to show to the service, PEM; with --client-key. It may stand in a token's place. Else FETTLER_CLIENT_CERT,
    /// the profile's.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) client_cert: Option<PathBuf>,
    /// The certificate's key, PEM. Else FETTLER_CLIENT_KEY, the profile's.
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) client_key: Option<PathBuf>,
    /// The profile of the client's file of settings. Else FETTLER_PROFILE, the one that the file names.
    #[arg(long, global = true, value_name = "NAME")]
    pub(crate) profile: Option<String>,
    /// The form of the answer [default: table].
    #[arg(long, global = true, value_enum)]
    pub(crate) output: Option<OutputForm>,
    /// When headings may be set in bold; NO_COLOR and CLICOLOR_FORCE are heeded. Meaning never hangs on it [default: auto].
    #[arg(long, global = true, value_enum, value_name = "WHEN")]
    pub(crate) color: Option<ColorChoice>,
    /// How wide tables may be, 60 to 400 characters [default: 80].
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(60..=400))]
    pub(crate) width: Option<u16>,
    /// Show nothing through a pager. Else what is longer than the terminal goes through PAGER, the profile's, or less.
    #[arg(long, global = true)]
    pub(crate) no_pager: bool,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// What is due, the forbidden machines first.
    Due(orders::DueArgs),
    /// The due list for calendars: add an address, list, revoke, file.
    #[command(subcommand)]
    Calendar(calendar::CalendarCommand),
    /// How often tasks are expected to fall due, month by month, and what that takes.
    Ahead(ahead::AheadArgs),
    /// Why an order is due when it is.
    Why(orders::WhyArgs),
    /// A job was done: end its order and keep the record.
    Close(orders::CloseArgs),
    /// End an order without doing it, with a reason and a name.
    Skip(orders::SkipArgs),
    /// Raise an order for a job that no rule foresaw.
    Raise(orders::RaiseArgs),
    /// Reverse a closing and all it did.
    Undo(orders::UndoArgs),
    /// Work orders, open and ended.
    Orders(orders::OrdersArgs),
    /// The checks of the shift: walk them, list them, hand over.
    Round(round::RoundArgs),
    /// Which machines will be ready when the shift starts.
    Ready(round::ReadyArgs),
    /// What was done, with all that belongs to it: for a manager, however much it is.
    Audit(audit::AuditArgs),
    /// Something was read at test points: keep it, and judge it against its limits.
    Read(readings::ReadArgs),
    /// Readings; those of one test point drawn, with limits and trend.
    Readings(readings::ReadingsArgs),
    /// Take a reading back, with a reason and a name; it stays on record.
    Withdraw(readings::WithdrawArgs),
    /// Fluids: record, add, change, waste, withdraw.
    #[command(subcommand)]
    Fluid(fluids::FluidCommand),
    /// Run hours: push, look, settle, read a counter.
    #[command(subcommand)]
    Hours(hours::HoursCommand),
    /// Items on the shelf: list, lots, receive, count, issue, ordered, cancel.
    #[command(subcommand)]
    Stock(stock::StockCommand),
    /// What to buy, how much, by when and why.
    Buy(stock::BuyArgs),
    /// What an ERP books: pull closed work and what to buy, and say that it is done.
    #[command(subcommand)]
    Outbound(outbound::OutboundCommand),
    /// What closings tell of intervals, and the answer: accept, decline.
    Review(review::ReviewArgs),
    /// What was done in time, what is overdue, how long machines run between failures, what it took.
    Figures(figures::FiguresArgs),
    /// A month as one page of HTML with plots, and the tables behind it as CSV.
    Report(report::ReportArgs),
    /// Machines: list, show, rest, forbid, return, retire.
    #[command(subcommand)]
    Machine(shop::MachineCommand),
    /// People: add and list.
    #[command(subcommand)]
    Person(shop::PersonCommand),
    /// The declared shop: load, show, and when tasks were last done.
    #[command(subcommand)]
    Shop(shop::ShopCommand),
    /// Task sheets that come with Fettler: list, show, use.
    #[command(subcommand)]
    Sheet(sheet::SheetCommand),
    /// The journal: everything that changed.
    #[command(subcommand)]
    Journal(journal::JournalCommand),
    /// Calculators: compressed air, lubricants, coolants, stock; they ask no service.
    Calc(calc::CalcArgs),
    /// How good forecasts would have been: of the site's own history, or from files without a service.
    Backtest(backtest::BacktestArgs),
    /// Whether the service is reached, trusted and known here, and what to do where it is not.
    Doctor,
    /// The client's own settings: show.
    #[command(subcommand)]
    Config(own::ConfigCommand),
    /// The words of every command, for a shell that completes what is typed.
    Completions(own::CompletionsArgs),
    /// Pages of this manual for `man`, one for each command.
    Manual(own::ManualArgs),
}

/// What every changing command takes.
#[derive(Debug, ClapArgs)]
pub(crate) struct ChangeArgs {
    /// A UUID of your own; the same one again has no second effect [default: a fresh one].
    #[arg(long, value_name = "UUID")]
    pub(crate) request_id: Option<Uuid>,
}

/// How much of a long list to show.
#[derive(Debug, ClapArgs)]
pub(crate) struct LimitArgs {
    /// How many rows at most.
    #[arg(long, value_name = "N", default_value = "100", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub(crate) limit: u32,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn the_definition_is_well_formed() {
        Args::command().debug_assert();
    }

    #[test]
    fn commands_read_as_documented() {
        for line in [
            "fettler due --until 2026-12-01 --machine L-03 --while-stopped",
            "fettler due --within 7d --area hall-a --output csv",
            "fettler due --within 7d --sure --while-stopped",
            "fettler ahead --until 2027-05-31 --area hall-a --machine L-03",
            "fettler calendar add wall --area hall-a --area hall-b --person Ada --http https://shop:7134",
            "fettler calendar file --whole -o due.ics",
            "fettler why 1042",
            "fettler why L-03 drain-bowl",
            "fettler close 1042 --by Ada --done 2026-11-25T05:40 --as-found broke-down --read p=6.1bar --used oil=2",
            "fettler skip 1042 --by Ada --reason no-spare --dry-run",
            "fettler read L-03 p-air=6.1bar coolant=3.2% --by Ada --it-is-so coolant --dry-run",
            "fettler read --from readings.csv --by Ada",
            "fettler readings L-03 coolant --limit 5",
            "fettler readings --out-of-limits",
            "fettler fluid record MC-01 --place sump --from 2026-11-01 --until 2026-12-01 --html",
            "fettler fluid add MC-01 sump water=20L --by Ada --dry-run",
            "fettler audit --until 2026-12-01 --machine L-03 --by Ada --late --undone --output csv",
            "fettler orders 1042",
            "fettler orders --state open --machine L-03 --task t",
            "fettler hours push - --source erp --delimiter ;",
            "fettler hours settle erp R-1 count --by Ada",
            "fettler hours adjust L-03 -2.5 --at 2026-11-25T05:40:00Z --by Ada --note gap",
            "fettler hours read L-03 4812.5",
            "fettler review --family lathes --all",
            "fettler review accept drain-bowl --sheet lathes --by Ada --dry-run",
            "fettler review decline drain-bowl --machine L-03 --interval 33 --by Ada --reason season",
            "fettler figures --month 2026-10 --by machine",
            "fettler figures --from 2026-01-01 --until 2026-10-31 --by month --figure compliance --orders",
            "fettler report --month 2026-10 -o october.html --csv october --earlier september",
            "fettler machine forbid L-03 --by Ada --reason door",
            "fettler shop load shop.toml --dry-run",
            "fettler journal list --from 0 --kind order.",
            "fettler journal verify north.journal --checkpoint monday.txt --checkpoint friday.txt --key shop.key",
            "fettler journal proof 1042 --to 1042.tlog-proof",
            "fettler round --by Ada --area hall",
            "fettler round --list --open --at 2026-11-25T05:40",
            "fettler round --answers - --by Ada",
            "fettler backtest --output json",
            "fettler backtest --reports a.csv.gz --reports b.csv --cases c.csv --deciles --output csv",
        ] {
            let parsed = Args::try_parse_from(line.split(' '));
            assert!(parsed.is_ok(), "{line}: {:?}", parsed.err());
        }
    }

    #[test]
    fn contradictions_are_usage() {
        for line in [
            "fettler due --until 2026-12-01 --within 7d",
            "fettler orders 1042 --state open",
            "fettler close 1042",
            "fettler hours push f.csv",
            "fettler hours settle erp R-1 maybe --by Ada",
            "fettler orders --task t",
            "fettler ahead",
            "fettler calendar add wall",
            "fettler calendar file --whole --area hall",
            "fettler round --open",
            "fettler round --answers f.csv",
            "fettler round --list --end --by Ada",
            "fettler figures",
            "fettler figures --month 2026-10 --from 2026-10-01 --until 2026-10-02",
            "fettler review accept drain-bowl --by Ada",
            "fettler review --all accept drain-bowl --machine L-03 --by Ada",
            "fettler journal proof",
            "fettler journal proof 1042 --entry 7",
            "fettler journal confirm 1042.tlog-proof",
            "fettler backtest --cases c.csv",
            "fettler read L-03 --by Ada",
            "fettler read L-03 p-air=6.1",
            "fettler read L-03 p-air=6.1 --from f.csv",
            "fettler backtest --reports r.csv",
            "fettler backtest --deciles",
        ] {
            assert!(Args::try_parse_from(line.split(' ')).is_err(), "{line}");
        }
    }

    /// The words of a line as a shell would give them, double quotes taken off; the sign that a shell would take for
    /// itself, where one stands bare.
    fn words(line: &str) -> Result<Vec<String>, char> {
        let mut words = vec![String::new()];
        let mut quoted = false;
        for letter in line.chars() {
            match letter {
                '"' => quoted = !quoted,
                ' ' if !quoted => words.push(String::new()),
                '$' | '`' | '\\' | '!' => return Err(letter),
                sign if !quoted && ";&|<>()*?[]{}#~'^\t".contains(sign) => return Err(sign),
                other => words.last_mut().unwrap().push(other),
            }
        }
        if quoted { Err('"') } else { Ok(words) }
    }

    #[test]
    fn bare_signs_of_a_shell_are_no_words() {
        assert_eq!(words("a --b \";\"").unwrap(), ["a", "--b", ";"]);
        for (line, sign) in [("a ;", ';'), ("a | b", '|'), ("a \"$b\"", '$'), ("a \"b", '"')] {
            assert_eq!(words(line), Err(sign), "{line}");
        }
    }

    /// The commands that do something, such as "hours push".
    fn leaves(command: &clap::Command, path: &str, found: &mut Vec<String>) {
        for sub in command.get_subcommands().filter(|sub| sub.get_name() != "help") {
            let path = format!("{path} {}", sub.get_name());
            if sub.has_subcommands() {
                leaves(sub, &path, found);
            } else {
                found.push(path);
            }
        }
    }

    #[test]
    fn every_documented_example_is_a_command_and_every_command_has_one() {
        let text = include_str!("../../../docs/cli.md");
        let examples: Vec<&str> = text.lines().filter(|line| line.starts_with("fettler ")).collect();
        for line in &examples {
            let words = words(line).unwrap_or_else(|sign| panic!("a shell takes the bare {sign} of: {line}"));
            let parsed = Args::try_parse_from(words);
            assert!(parsed.is_ok(), "{line}: {}", parsed.unwrap_err());
        }
        let mut found = Vec::new();
        leaves(&Args::command(), "fettler", &mut found);
        assert!(found.len() > 20, "{found:?}");
        for command in found {
            let shown =
                examples.iter().any(|line| **line == command || line.starts_with(&format!("{command} ")));
            assert!(shown, "docs/cli.md has no example of `{command}`");
        }
    }
}
