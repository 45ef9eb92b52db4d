//! `doctor`: what lies between this client and its service, looked at piece by piece: what was found, and the remedy.

use crate::{
    args::OutputForm,
    clock, config,
    config::Settings,
    csvout,
    exit::{Answer, Complaint, Failure},
    origin::Given,
    out::Out,
    render::{table::Table, wrap},
    session::Session,
    times,
};
use chrono::{DateTime, Utc};
use fettler_proto::v1 as pb;
use serde_json::json;
use std::{fmt::Write as _, fs, path::Path};

/// How far apart two clocks may be, in seconds: a work done more than a minute ahead is refused.
const APART_MAX_S: i64 = 60;
/// A token that ends within so many days is told.
const EXPIRY_DAYS: i64 = 14;
/// Where findings stand, in characters from the left.
const INDENT: usize = 4;

/// One piece that was looked at.
struct Line {
    check: &'static str,
    found: String,
    /// What to do; empty where all is well.
    remedy: String,
}

impl Line {
    fn well(check: &'static str, found: impl Into<String>) -> Line {
        Line { check, found: found.into(), remedy: String::new() }
    }

    fn ill(check: &'static str, found: impl Into<String>, remedy: impl Into<String>) -> Line {
        Line { check, found: found.into(), remedy: remedy.into() }
    }

    /// A failure as a finding.
    fn of(check: &'static str, failure: Failure) -> Line {
        let complaint = match failure {
            Failure::Usage(said) | Failure::Refused(said) | Failure::NotReachable(said) => said,
            Failure::Interrupted | Failure::BrokenPipe => Complaint::new("it was stopped"),
        };
        let remedy = if complaint.hints.is_empty() {
            "mend what is said here".to_owned()
        } else {
            complaint.hints.join("; ")
        };
        Line::ill(check, complaint.line(), remedy)
    }
}

/// Looks at everything, and tells it.
pub(super) async fn run(given: &Given, out: &Out) -> Result<Answer, Failure> {
    let mut lines = vec![settings(given)];
    lines.extend(folder());
    match Settings::resolve(given) {
        Err(failure) => lines.push(Line::of("settings", failure)),
        Ok(settings) => {
            lines.push(encryption(&settings));
            let session = Session::new(settings, out.clone());
            lines.extend(service(&session).await);
        }
    }
    out.data(&told(given, &lines, out))?;
    Ok(if lines.iter().all(|line| line.remedy.is_empty()) { Answer::Done } else { Answer::No })
}

fn settings(given: &Given) -> Line {
    let server = given.text("server").map(|(server, origin)| format!("{server} ({})", origin.words()));
    let profile = given.profile.as_ref().map_or("no profile".to_owned(), |name| format!("profile {name}"));
    Line::well("settings", format!("{}, {profile}", server.unwrap_or_default()))
}

/// The service's data folder on this machine, where there is one.
fn folder() -> Option<Line> {
    const CHECK: &str = "data folder";
    let token = config::admin_token()?;
    let folder = token.parent()?;
    if !folder.exists() {
        return Some(Line::well(CHECK, "none on this machine"));
    }
    let shown = folder.display();
    Some(match open_to(folder).or_else(|| open_to(&token)) {
        Some(what) => Line::ill(CHECK, format!("{what} is open to others"), format!("chmod -R go= {shown}")),
        None => Line::well(CHECK, format!("{shown}, open to its owner alone")),
    })
}

/// The path, where others than its owner may read it.
fn open_to(path: &Path) -> Option<String> {
    use std::os::unix::fs::PermissionsExt as _;
    let mode = fs::metadata(path).ok()?.permissions().mode();
    (mode & 0o077 != 0).then(|| path.display().to_string())
}

fn encryption(settings: &Settings) -> Line {
    const CHECK: &str = "encryption";
    if settings.tls.is_some() {
        return Line::well(CHECK, "https, trusted by the authority in --ca-file");
    }
    if settings.is_local() {
        return Line::well(CHECK, "none; the service is on this machine");
    }
    let remedy = "let the service encrypt, and name it as https with --ca-file FILE";
    Line::ill(CHECK, "none, and the token crosses the network as it is", remedy)
}

/// What the service says of itself and of the caller.
async fn service(session: &Session) -> Vec<Line> {
    const CHECK: &str = "service";
    let request = pb::GetInstallationRequest {};
    let asked = clock::now();
    let answer = session
        .ask(&request, |link, request| async move { link.installation().get_installation(request).await })
        .await;
    let told = match answer {
        Ok(told) => told,
        Err(failure @ Failure::Refused(_)) => {
            return vec![Line::well(CHECK, "it answers"), Line::of("token", failure)];
        }
        Err(failure) => return vec![Line::of(CHECK, failure)],
    };
    let mut lines = vec![
        version(&told),
        clocks(asked, clock::now(), told.now.as_ref().and_then(times::from_wire)),
        token(session, &told.token.unwrap_or_default(), asked),
    ];
    lines.push(match session.ask_site().await {
        Ok(site) => Line::well("site", format!("{}, {}, {}", site.key, site.name, site.zone)),
        Err(failure) => Line::of("site", failure),
    });
    lines
}

fn version(told: &pb::GetInstallationResponse) -> Line {
    const CHECK: &str = "service";
    let own = env!("CARGO_PKG_VERSION");
    let found = format!("fettlerd {}, schema {}; this is fettler {own}", told.version, told.schema);
    if told.version == own {
        Line::well(CHECK, found)
    } else {
        Line::ill(CHECK, found, "bring both to one version, the service first")
    }
}

/// The service told its time somewhere between the asking and the answer.
fn clocks(asked: DateTime<Utc>, answered: DateTime<Utc>, theirs: Option<DateTime<Utc>>) -> Line {
    const CHECK: &str = "clocks";
    let Some(theirs) = theirs else {
        return Line::ill(CHECK, "the service tells no time", "upgrade fettlerd");
    };
    let apart = if theirs < asked {
        (asked - theirs).num_seconds()
    } else {
        (theirs - answered).num_seconds().max(0)
    };
    if apart <= APART_MAX_S {
        return Line::well(CHECK, format!("within {} s of the service's", apart + 1));
    }
    let remedy = "set both by a time server (NTP); work done more than a minute ahead is refused";
    Line::ill(CHECK, format!("{apart} s apart from the service's"), remedy)
}

fn token(session: &Session, card: &pb::TokenCard, now: DateTime<Utc>) -> Line {
    const CHECK: &str = "token";
    let mut found = format!("`{}`, {}", card.name, card.roles.join(" and "));
    let _ = match card.sites.as_slice() {
        [] => write!(found, " of all sites"),
        sites => write!(found, " of {}", sites.join(", ")),
    };
    if !session.settings.token_from.is_empty() {
        let _ = write!(found, "; read from {}", session.settings.token_from);
    }
    let Some(ends) = card.expires_at.as_ref().and_then(times::from_wire) else {
        return Line::well(CHECK, found + "; it does not expire");
    };
    let days = (ends - now).num_days();
    let _ = write!(found, "; it expires in {days} days");
    if days >= EXPIRY_DAYS {
        return Line::well(CHECK, found);
    }
    Line::ill(CHECK, found, "ask the administrator for another, which `fettlerd token add` makes")
}

fn told(given: &Given, lines: &[Line], out: &Out) -> String {
    let word = |line: &Line| if line.remedy.is_empty() { "well" } else { "look" };
    match given.output {
        OutputForm::Json => {
            let of = |line: &Line| {
                let well = line.remedy.is_empty();
                json!({"check": line.check, "well": well, "found": line.found, "remedy": line.remedy})
            };
            format!("{:#}\n", json!({"checks": lines.iter().map(of).collect::<Vec<_>>()}))
        }
        OutputForm::Csv => {
            let mut table = Table::new(["check", "state", "found", "remedy"]);
            for line in lines {
                table.push([line.check.into(), word(line).into(), line.found.clone(), line.remedy.clone()]);
            }
            csvout::text(&table)
        }
        OutputForm::Table => lines.iter().map(|line| shown(line, word(line), given, out)).collect(),
    }
}

fn shown(line: &Line, word: &str, given: &Given, out: &Out) -> String {
    let width = usize::from(given.width);
    let mut text = format!("{}\n", out.style().heading(&format!("{word}  {}", line.check)));
    text.push_str(&wrap::labelled(INDENT, "found", 8, &line.found, width));
    if !line.remedy.is_empty() {
        text.push_str(&wrap::labelled(INDENT, "remedy", 8, &line.remedy, width));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    #[test]
    fn clocks_are_apart_by_what_the_way_does_not_explain() {
        let (asked, answered) = (at("2026-11-25T10:00:00Z"), at("2026-11-25T10:00:20Z"));
        for (theirs, well) in [
            ("2026-11-25T10:00:10Z", true),
            ("2026-11-25T09:59:05Z", true),
            ("2026-11-25T09:58:55Z", false),
            ("2026-11-25T10:01:15Z", true),
            ("2026-11-25T10:01:30Z", false),
        ] {
            let line = clocks(asked, answered, Some(at(theirs)));
            assert_eq!(line.remedy.is_empty(), well, "{theirs}: {}", line.found);
        }
    }
}
