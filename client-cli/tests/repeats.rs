//! A change whose answer is lost: the command that the client then advises says the same again, to the letter.

#[cfg(test)]
#[expect(dead_code, reason = "this program runs the client through a shell")]
mod support;

use std::{net::SocketAddr, path::Path, process::Command};
use support::{Mock, Plan, Ran, TOKEN, finish};

/// How often one run of the client sends a change.
const ATTEMPTS: usize = 4;

/// Every command that changes something, as somebody would type it, with nothing that could be left out.
const LINES: &[&str] = &[
    "fettler close 1042 --by \"Ada Kern\"",
    "fettler close 1042 --by \"Ada Kern\" --cautions-confirmed --note 'it was \"half\" full'",
    "fettler close 1042 1043 --by \"Ada Kern\" --as-found broke-down --kit --note \"in one stop\"",
    "fettler skip 1061 --by \"Ada Kern\" --reason \"no element on the shelf\"",
    "fettler raise L-03 \"Look for the oil drip\" --by \"Ben Holt\"",
    "fettler read L-03 p-air=6.1bar coolant=77% --by \"Ada Kern\" --it-is-so coolant",
    "fettler withdraw 1923 --by \"Ada Kern\" --reason \"wrong machine\"",
    "fettler undo 1042 --by \"Ada Kern\" --reason \"wrong machine\"",
    "fettler hours settle erp R-1 count --by \"Ada Kern\"",
    "fettler hours settle erp R-1 drop --by \"Ada Kern\" --digest 0123",
    "fettler hours read L-03 4812.5",
    "fettler hours replace L-03 --closing 4812.5 --by \"Ada Kern\"",
    "fettler hours adjust L-03 -2.5 --by \"Ada Kern\" --note \"gap to the counter\"",
    "fettler hours adjust L-03 -2.5 --by Ada --note gap --request-id 6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e",
    "fettler hours plan L-03 --from \"2026-12-01 06:00\" --until \"2026-12-02 06:00\" --shift \"2026-12-01 06:00\" \"2026-12-01 14:00\" 7.5",
    "fettler stock receive \"way oil\" 20",
    "fettler stock count \"way oil\" --lot A-17=8,2027-03-01 --by Ada",
    "fettler stock issue cloth 10 --by Ada --note \"for the wash stand\"",
    "fettler stock issue cloth 1000 --by Ada --it-is-so",
    "fettler stock withdraw 2042 --by Ada --reason \"ten, not a hundred\"",
    "fettler stock ordered \"way oil\" 40 --reference P-9",
    "fettler stock cancel \"way oil\" 3",
    "fettler outbound done --reader erp --through 9",
    "fettler fluid add MC-01 sump \"water=20 L\" --by \"Ada Kern\"",
    "fettler fluid withdraw 2041 --by \"Ben Holt\" --reason \"another machine\"",
    "fettler review accept drain-bowl --machine L-03 --interval 32 --by \"Ada Kern\"",
    "fettler round --end --by \"Ada Kern\" --note \"mind the door\"",
    "fettler round --acknowledge 7 --by \"Ada Kern\"",
    "fettler machine rest G-01 --by \"Ben Holt\" --reason \"no work until spring\"",
    "fettler machine forbid M-07 --by \"Ada Kern\" --reason \"the door's interlock\"",
    "fettler machine return M-07 --by \"Ada Kern\" --reason replaced",
    "fettler machine retire C-02 --by \"Ben Holt\" --reason sold",
    "fettler person add \"Cem Yil\"",
    "fettler person erase \"Cem Yil\" --by \"Ada Kern\" --note \"he asked for it\" --for-good",
    "fettler shop load shop.toml",
    "fettler shop last-done last-done.csv",
];

/// Runs a line as a shell does.
async fn typed(server: SocketAddr, folder: &Path, line: &str) -> Ran {
    let programs = Path::new(env!("CARGO_BIN_EXE_fettler")).parent().expect("programs lie in a folder");
    let mut shell = Command::new("/bin/sh");
    shell.args(["-c", line]).current_dir(folder).env_clear().env("PATH", programs);
    shell.env("FETTLER_TOKEN", TOKEN).env("FETTLER_SERVER", format!("http://{server}"));
    finish(shell).await
}

async fn is_the_same_again(folder: &Path, line: &str) {
    let (mock, server) = Mock::serve(Plan { changes_unanswered: ATTEMPTS, ..Plan::default() }).await;
    let lost = typed(server, folder, line).await;
    assert_eq!(lost.code, Some(4), "{line}: {lost:?}");
    assert!(lost.stderr.contains("this command is safe to repeat:\n"), "{line}: {lost:?}");
    let advised =
        lost.stderr.lines().find_map(|told| told.strip_prefix("  ").filter(|t| t.starts_with("fettler ")));
    let advised = advised.unwrap_or_else(|| panic!("{line}: {lost:?}"));
    let again = typed(server, folder, advised).await;
    let sent = mock.seen(|seen| seen.changes.clone());
    assert_eq!(sent.len(), ATTEMPTS + 1, "{advised}: {again:?}");
    assert!(sent.iter().all(|request| *request == sent[0]), "{advised} says something else");
    assert_eq!(again.code, Some(0), "{advised}: {again:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_command_that_is_advised_says_the_same_again() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("shop.toml"), "[site]\nkey = \"north\"\n").unwrap();
    std::fs::write(folder.path().join("last-done.csv"), "machine,task,day\nL-03,belt,2026-11-01\n").unwrap();
    let path = folder.path();
    futures::future::join_all(LINES.iter().map(|line| is_the_same_again(path, line))).await;
}

#[test]
fn every_command_that_takes_a_request_id_is_among_them() {
    let sources = concat!(env!("CARGO_MANIFEST_DIR"), "/src/commands");
    let mut changes = 0;
    for file in std::fs::read_dir(sources).unwrap() {
        let text = std::fs::read_to_string(file.unwrap().path()).unwrap();
        changes += text.matches("request_id: id.to_string()").count();
        changes += text.matches("request.request_id = id.to_string()").count();
    }
    let mut verbs: Vec<_> = LINES.iter().filter_map(|line| verb(line)).collect();
    verbs.dedup();
    // All but the reading, which is known by its own id; `close` also closes several, and raises what is left to do. A PIN is
    // typed anew, no service here keeps calendars, and a replacement that an import records is known by what it says.
    assert_eq!(verbs.len() - 1 + 2 + 3, changes, "{verbs:?}");
}

/// The words before the first argument.
fn verb(line: &str) -> Option<String> {
    let mut words = line.split(' ').skip(1);
    let first = words.next()?;
    let group = ["fluid", "hours", "machine", "outbound", "person", "review", "round", "shop", "stock"]
        .contains(&first);
    Some(if group { format!("{first} {}", words.next()?) } else { first.to_owned() })
}
