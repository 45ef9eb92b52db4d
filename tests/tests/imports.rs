//! Imports through the whole program: the example of the documentation, a real adapter's log against an independent
//! count, and an agent that is followed.

use fettler_tests::agent::{Agent, check};
use fettler_tests::client::Ran;
use fettler_tests::line::Line;
use fettler_tests::oracle;
use fettler_tests::programs::{program, root};
use fettler_tests::service::Service;
use flate2::read::GzDecoder;
use serde_json::Value;
use std::fs;
use std::io::{BufRead as _, BufReader, Read};
use std::process::{Command, Stdio};

/// A service with a shop, and files beside it.
struct Shop(Service);

impl Shop {
    /// The example of the documentation.
    fn example() -> Shop {
        let folder = root().join("docs/example/import");
        let service = Service::with_shop(&fs::read_to_string(folder.join("shop.toml")).expect("a shop"));
        for entry in fs::read_dir(&folder).expect("the example") {
            let path = entry.expect("an entry").path();
            let name = path.file_name().expect("a name");
            if name != "shop.toml" {
                fs::copy(&path, service.data().join(name)).expect("a copy");
            }
        }
        Shop(service)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.0.data().join(name), text).expect("a file");
    }

    fn ran(&self, line: &str) -> Ran {
        self.0.fettler(&line.split_whitespace().collect::<Vec<_>>())
    }

    /// A command that ends with this code, and what it printed.
    #[track_caller]
    fn ends(&self, line: &str, code: i32) -> String {
        let ran = self.ran(line);
        assert_eq!(ran.code, code, "fettler {line}\n{}", ran.all());
        ran.stdout
    }

    /// What was counted on a meter.
    #[track_caller]
    fn counted(&self, machine: &str, meter: &str) -> String {
        let text = self.ends(&format!("hours meter {machine} --meter {meter} --output json"), 0);
        let answer: Value = serde_json::from_str(&text).expect("JSON");
        answer["meter"]["counted"].as_str().unwrap_or_default().to_owned()
    }
}

#[track_caller]
fn has(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "no `{part}` in:\n{text}");
    }
}

/// 6.5 h, 7.25 h and 5.75 h; 8.5 h do not fit eight and are held, and 7:30 is no decimal number.
#[test]
fn a_table_is_imported_twice_and_counted_once() {
    let shop = Shop::example();
    let text = shop.ends("hours import clock.csv --mapping clock.toml", 1);
    has(
        &text,
        &[
            "clock.csv, line 7, report 03.11.2026/N/4711-03: held",
            "clock.csv, line 8: refused",
            "`7:30` is not a number such as 7,25",
            "6  lines read",
            "1  lines left out by a rule",
            "accepted               3",
            "held                   1",
        ],
    );
    assert_eq!(shop.counted("L-03", "operating"), "19.5");
    has(
        &shop.ends("hours import clock.csv --mapping clock.toml", 1),
        &["duplicate              4", "refused                1"],
    );
    assert_eq!(shop.counted("L-03", "operating"), "19.5");
}

/// The timer ran 2 h until its reset and 3 h after it: 4,008.5 - 4,006.5 + 10,800 s. Parts: 51,240 - 51,200.
#[test]
fn documents_are_imported_with_their_reset_and_validate() {
    check(&root().join("docs/example/import"));
    let shop = Shop::example();
    let text = shop.ends("hours import current.xml sample.xml --mapping agent.toml", 0);
    has(
        &text,
        &["1  resets taken as replacements", "1  UNAVAILABLE, which is no value", "accepted               4"],
    );
    has(&text, &["sample.xml, line 10, `op-time`", "was reset (MAINTENANCE) from 4008.5 h"]);
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("5".into(), "40".into())
    );
    let again = shop.ends("hours import current.xml sample.xml --mapping agent.toml", 0);
    has(&again, &["duplicate              4"]);
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("5".into(), "40".into())
    );
}

/// 4,500 - 3,600 s in the first hour and 900 s in the next.
#[test]
fn a_log_is_imported_and_a_dry_run_sends_nothing() {
    let shop = Shop::example();
    let dry = shop.ends("hours import adapter.log --mapping adapter.toml --dry-run --output csv", 0);
    let ids: Vec<&str> = dry.lines().skip(1).filter_map(|line| line.rsplit(',').next()).collect();
    let is = ["06:10:00.100Z/1", "06:40:00.100Z/1.25", "07:05:00.100Z/1.5"];
    assert_eq!(ids, is.map(|end| format!("cut_time/2026-11-02T{end}")));
    assert_eq!(shop.counted("L-09", "loaded"), "0");
    let text = shop.ends("hours import adapter.log --mapping adapter.toml", 0);
    has(
        &text,
        &[
            "6  lines read",
            "1  lines that step back in time",
            "1  said before",
            "1  between those that are kept",
        ],
    );
    assert_eq!(shop.counted("L-09", "loaded"), "0.5");
}

#[test]
fn a_dry_run_asks_no_service_and_hostile_documents_are_refused() {
    let shop = Shop::example();
    shop.write(
        "bomb.xml",
        "<!DOCTYPE a [<!ENTITY x \"xx\"><!ENTITY y \"&x;&x;\">]>\n<MTConnectStreams>&y;</MTConnectStreams>",
    );
    shop.write(
        "outside.xml",
        "<?xml version=\"1.0\"?>\n<!DOCTYPE a SYSTEM \"file:///etc/passwd\">\n<MTConnectStreams/>",
    );
    shop.write("deep.xml", &"<MTConnectStreams>".repeat(100));
    let ran = shop.ran(
        "hours import bomb.xml outside.xml deep.xml current.xml --mapping agent.toml --dry-run --server http://127.0.0.1:1",
    );
    assert_eq!(ran.code, 1, "{}", ran.all());
    has(
        &ran.stderr,
        &[
            "bomb.xml, line 1: refused",
            "outside.xml, line 2: refused",
            "it has a document type; none is read",
            "elements stand more than 64 deep",
        ],
    );
    has(&ran.stdout, &["2  reports would be sent, 3 could not"]);
    has(&ran.stdout, &["current.xml, line 8, `op-time`: MC-07 operating at 2026-11-02T04:59:58Z 4006.5"]);
}

/// The counts and totals are an oracle's of its own making; the lines that step back, those with a time and the falls
/// were counted by hand as well.
#[test]
fn a_real_adapters_log_comes_to_what_an_oracle_reckons() {
    let mut log = String::new();
    let packed = fs::File::open(oracle::data("mtconnect/adapter_log.txt.gz")).expect("the log");
    GzDecoder::new(packed).read_to_string(&mut log).expect("a text");
    let reckoned: Value =
        serde_json::from_str(&oracle::run("adapter_log.py", &["pCuttingTime", "ppartcount"], &log))
            .expect("JSON");
    let (counts, keys) = (&reckoned["counts"], &reckoned["keys"]);
    let shop = Shop(Service::with_shop(
        "people = [\"Ada Kern\"]\n[site]\nkey = \"n\"\nzone = \"UTC\"\n[[machine]]\ntag = \"L\"\nname = \"L\"\n[[machine.meter]]\nkind = \
         \"loaded\"\nfeed = \"readings\"\n[[machine.meter]]\nkind = \"cycles\"\nkey = \"parts\"\nfeed = \"readings\"\nmax_per_hour = \
         \"600\"\n",
    ));
    shop.write("adapter.log", &log);
    shop.write(
        "m.toml",
        "form = \"shdr\"\nsource = \"a\"\n[[item]]\nitem = \"pCuttingTime\"\nmachine = \"L\"\nmeter = \"loaded\"\namounts = \
         \"seconds\"\n[[item]]\nitem = \"ppartcount\"\nmachine = \"L\"\nmeter = \"parts\"\namounts = \"cycles\"\n",
    );
    let text = shop.ends("hours import adapter.log --mapping m.toml", 1);
    let (cut, parts) = (&keys["pCuttingTime"], &keys["ppartcount"]);
    let number = |value: &Value| value.as_u64().expect("a number");
    let length = |of: &Value| of["sent"].as_array().expect("a list").len();
    let sum = |key: &str| number(&cut[key]) + number(&parts[key]);
    for (count, words) in [
        (number(&counts["lines"]), "lines read"),
        (number(&counts["values"]), "values"),
        (number(&counts["body"]), "lines of bodies that span several"),
        (number(&counts["protocol"]), "lines of the protocol itself"),
        (number(&counts["back"]), "lines that step back in time"),
        (sum("falls"), "falls of counters"),
        (sum("said") - (length(cut) + length(parts)) as u64, "between those that are kept"),
    ] {
        let line = text.lines().find(|line| line.ends_with(&format!("  {words}"))).unwrap_or_default();
        assert_eq!(
            line.split_whitespace().next().unwrap_or_default().replace(',', ""),
            count.to_string(),
            "{words}"
        );
    }
    has(&text, &["10,770  lines read", "1,165  lines that step back", &format!("held {:>19}", sum("held"))]);
    // 2,349 - 772 s, and three parts on; by hand.
    assert_eq!((number(&cut["counted"]), number(&parts["counted"])), (1_577, 3));
    assert_eq!(shop.counted("L", "parts"), "3");
    // 1,577 s are 0.438055… h.
    assert!(shop.counted("L", "loaded").starts_with("0.43805"), "{}", shop.counted("L", "loaded"));
    let again = shop.ends("hours import adapter.log --mapping m.toml --output csv", 1);
    assert!(again.lines().skip(1).all(|line| line.contains(",duplicate,")), "{again}");
}

const FOLLOWED: &str = "form = \"mtconnect\"\nsource = \"agent\"\n[[item]]\nitem = \"op\"\nmachine = \"MC-07\"\nmeter = \
                        \"operating\"\n[[item]]\nitem = \"parts\"\nmachine = \"MC-07\"\nmeter = \"parts\"\n";

/// From 1 h to 4 h and 0 to 60 parts, with a turn cut off, a heartbeat, values forgotten and the agent started anew.
#[test]
fn an_agent_is_followed_from_turn_to_turn() {
    let shop = Shop::example();
    shop.write("f.toml", FOLLOWED);
    let agent = Agent::start();
    let line = format!("hours follow {} --mapping f.toml --state s", agent.address);
    agent.says("05:00:00", "3600");
    agent.counts("05:00:01", "0");
    has(&shop.ends(&line, 0), &["accepted               2"]);
    assert_eq!(agent.asked(), ["/current"]);
    // Two hours in parts of one value; the last hour is not over.
    agent.says("05:50:00", "5400");
    agent.says("06:30:00", "7200");
    agent.counts("06:40:00", "40");
    agent.answers_in_parts_of(1);
    let before = fs::read(shop.0.data().join("s")).expect("a state");
    has(&shop.ends(&line, 0), &["accepted               1"]);
    let asked = ["/sample?from=3&count=10000", "/sample?from=4&count=10000", "/sample?from=5&count=10000"];
    assert_eq!(agent.asked(), asked);
    // The turn was cut off before its state was written: it is taken again, and nothing counts twice.
    fs::write(shop.0.data().join("s"), before).expect("a state");
    has(&shop.ends(&line, 0), &["duplicate              1"]);
    agent.asked();
    // A heartbeat: the hour is over now, and what waited is sent.
    agent.clock("07:00:00");
    has(&shop.ends(&line, 0), &["1  of them without a value", "accepted               2"]);
    assert_eq!(agent.asked(), ["/sample?from=6&count=10000"]);
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("1".into(), "40".into())
    );
    // What lay between is gone.
    agent.says("07:10:00", "7800");
    agent.says("08:10:00", "10800");
    agent.counts("08:20:00", "60");
    agent.forgets_before(8);
    has(&shop.ends(&line, 1), &["values 6 to 7 are gone", "1  gaps"]);
    assert_eq!(agent.asked(), ["/sample?from=6&count=10000", "/current"]);
    agent.starts_anew();
    agent.says("09:30:00", "14400");
    agent.counts("09:30:00", "UNAVAILABLE");
    has(&shop.ends(&line, 0), &["was started anew", "1  starts of the agent", "accepted               2"]);
    agent.clock("10:00:00");
    shop.ends(&line, 0);
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("3".into(), "60".into())
    );
    // A state that is lost is no loss.
    fs::remove_file(shop.0.data().join("s")).expect("a state");
    has(&shop.ends(&line, 0), &["duplicate              1"]);
    agent.check_documents();
}

#[test]
fn an_agent_that_cannot_be_followed_is_told() {
    let shop = Shop::example();
    shop.write("f.toml", FOLLOWED);
    let ran = shop.ran("hours follow http://127.0.0.1:1 --mapping f.toml --state s");
    assert_eq!(ran.code, 4, "{}", ran.all());
    has(&ran.stderr, &["the agent http://127.0.0.1:1 did not answer current"]);
    let ran = shop.ran("hours follow https://127.0.0.1 --mapping f.toml --state s");
    assert_eq!(ran.code, 2, "{}", ran.all());
    let ran = shop.ran("hours follow http://127.0.0.1:1 --mapping clock.toml --state s");
    has(&ran.stderr, &["clock.toml is of another form"]);
    let agent = Agent::start();
    let dry = shop.ends(&format!("hours follow {} --mapping f.toml --state s --dry-run", agent.address), 0);
    has(&dry, &["1  documents read"]);
    assert!(!shop.0.data().join("s").exists(), "a dry run begins no state");
}

/// 19.5 h as above, 7.5 h in the line that was mended and 6.25 h in a new one; then 7.75 h for the 8.5 h that did not fit.
#[test]
fn a_mended_table_is_taken_again_and_only_what_failed_counts_anew() {
    let shop = Shop::example();
    let import = "hours import clock.csv --mapping clock.toml";
    shop.ends(import, 1);
    let path = shop.0.data().join("clock.csv");
    let table = fs::read_to_string(&path).expect("the table");
    let mended = table.replace("7:30", "7,5").replace("Summe;", "05.11.2026;F;4711-03;6,25\nSumme;");
    shop.write("clock.csv", &mended);
    has(&shop.ends(import, 1), &["duplicate              4", "accepted               2"]);
    assert_eq!(shop.counted("L-03", "operating"), "33.25");
    // What is held goes as another revision of all that the table holds.
    shop.write("clock.csv", &mended.replace("8,5", "7,75"));
    let mapping = fs::read_to_string(shop.0.data().join("clock.toml")).expect("the mapping");
    shop.write("again.toml", &format!("revision = 1\n{mapping}"));
    has(&shop.ends("hours import clock.csv --mapping again.toml", 0), &["replaces               6"]);
    assert_eq!(shop.counted("L-03", "operating"), "41");
    assert!(!shop.ends("hours held", 0).contains("4711-03"), "nothing waits any more");
}

#[test]
fn what_a_dead_line_kept_from_the_service_is_taken_by_the_next_turn() {
    let shop = Shop::example();
    let line = Line::to(&shop.0);
    line.cut();
    let import = format!("hours import clock.csv --mapping clock.toml --server {}", line.address());
    shop.ends(&import, 4);
    assert_eq!(shop.counted("L-03", "operating"), "0");
    line.lead_to(&shop.0);
    has(&shop.ends(&import, 1), &["accepted               3"]);
    assert_eq!(shop.counted("L-03", "operating"), "19.5");

    shop.write("f.toml", FOLLOWED);
    let agent = Agent::start();
    let follow =
        format!("hours follow {} --mapping f.toml --state s --server {}", agent.address, line.address());
    agent.says("05:00:00", "3600");
    agent.counts("05:00:01", "0");
    has(&shop.ends(&follow, 0), &["accepted               2"]);
    agent.says("06:30:00", "7200");
    agent.counts("06:40:00", "40");
    agent.clock("07:00:00");
    agent.asked();
    let before = fs::read(shop.0.data().join("s")).expect("a state");
    line.cut();
    shop.ends(&follow, 4);
    assert_eq!(fs::read(shop.0.data().join("s")).expect("a state"), before, "nothing was settled");
    line.lead_to(&shop.0);
    has(&shop.ends(&follow, 0), &["accepted               2"]);
    assert_eq!(agent.asked(), ["/sample?from=3&count=10000"; 2], "the same place is asked again");
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("1".into(), "40".into())
    );
}

/// What a machine ran before it was sold may come after it was: 19.5 h, as above.
#[test]
fn hours_of_a_machine_that_has_left_the_shop_count_and_plan_nothing() {
    let shop = Shop::example();
    let ran = shop.0.fettler(&["machine", "retire", "L-03", "--by", "Ada Kern", "--reason", "sold"]);
    assert_eq!(ran.code, 0, "{}", ran.all());
    has(&shop.ends("hours import clock.csv --mapping clock.toml", 1), &["accepted               3"]);
    assert_eq!(shop.counted("L-03", "operating"), "19.5");
    assert!(!shop.ends("due --until 2030-01-01", 0).contains("L-03"));
}

/// The timer closed at 4,008.5 h where both files were read; a file that lacks the value before the reset shows 4,006.5 h. Parts:
/// 51,250 - 51,200.
#[test]
fn a_reset_that_is_recorded_keeps_its_closing_whatever_another_file_shows() {
    let shop = Shop::example();
    let import = "hours import current.xml sample.xml --mapping agent.toml";
    shop.ends(import, 0);
    let sample = fs::read_to_string(shop.0.data().join("sample.xml")).expect("the document");
    let parts = sample.lines().find(|line| line.contains("sequence=\"111\"")).expect("a line");
    let more = parts
        .replace("sequence=\"111\"", "sequence=\"112\"")
        .replace("12:59:30Z", "13:10:00Z")
        .replace("51240", "51250");
    let thinned: Vec<&str> = sample
        .lines()
        .filter(|line| !line.contains("sequence=\"104\""))
        .flat_map(|line| if line == parts { vec![line, &more] } else { vec![line] })
        .collect();
    let thinned = thinned.join("\n").replace("lastSequence=\"111\"", "lastSequence=\"112\"");
    shop.write("sample.xml", &thinned.replace("nextSequence=\"112\"", "nextSequence=\"113\""));
    let ran = shop.ran(import);
    assert_eq!(ran.code, 1, "{}", ran.all());
    has(&ran.stderr, &["is recorded already with another closing", "fettler hours replace"]);
    has(&ran.stdout, &["accepted               1"]);
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("5".into(), "50".into())
    );
}

/// Reads on until a line has a text.
fn until_told(lines: &mut impl Iterator<Item = std::io::Result<String>>, text: &str) {
    let found = lines.map(|line| line.expect("a line")).any(|line| line.contains(text));
    assert!(found, "the client ended without `{text}`");
}

#[test]
fn an_agent_at_fault_is_told_and_followed_on() {
    let shop = Shop::example();
    shop.write("f.toml", FOLLOWED);
    let agent = Agent::start();
    agent.says("05:00:00", "3600");
    agent.counts("05:00:01", "0");
    let mut child = Command::new(program("fettler"))
        .args(["hours", "follow", &agent.address, "--mapping", "f.toml", "--state", "s", "--every", "1s"])
        .current_dir(shop.0.data())
        .env_clear()
        .env("FETTLER_SERVER", shop.0.endpoint())
        .env("FETTLER_DATA", shop.0.data())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the client starts");
    let mut told = BufReader::new(child.stdout.take().expect("a pipe")).lines();
    let mut complained = BufReader::new(child.stderr.take().expect("a pipe")).lines();
    until_told(&mut told, "accepted               2");
    for (status, body, why) in [
        ("500 Internal Server Error", "<html>", "it said 500"),
        ("404 Not Found", "no such page", "it said 404"),
        ("200 OK", "", "what the agent"),
        ("200 OK", "<MTConnectStreams><Header instanceId=\"1\"", "what the agent"),
        ("200 OK", "<!DOCTYPE a><MTConnectStreams/>", "it has a document type"),
    ] {
        agent.is_at_fault(status, body);
        until_told(&mut complained, why);
    }
    agent.says("06:30:00", "7200");
    agent.counts("06:40:00", "40");
    agent.clock("07:00:00");
    agent.is_mended();
    until_told(&mut told, "accepted               2");
    let stopped = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(stopped.expect("kill starts").success());
    assert_eq!(child.wait().expect("it ends").code(), Some(130));
    assert_eq!(
        (shop.counted("MC-07", "operating"), shop.counted("MC-07", "parts")),
        ("1".into(), "40".into())
    );
    let asked = agent.asked();
    assert_eq!(asked[0], "/current");
    let at_fault = asked.iter().filter(|path| path.as_str() == "/sample?from=3&count=10000").count();
    assert!(at_fault > 5 && !asked[1..].contains(&"/current".to_owned()), "the place was kept: {asked:?}");
    agent.check_documents();
}
