//! What makes the client good to live with: settings in profiles, completions, a manual, a pager, names that were meant, exit codes.

use fettler_tests::client::{Ran, fettler, fettler_in};
use fettler_tests::oracle::csv_rows;
use fettler_tests::programs::{program, root};
use fettler_tests::service::Service;
use fettler_tests::terminal::talk_in;
use fettler_tests::traced::post;
use serde_json::Value;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::process::Command;

const SHOP: &str = r#"people = ["Ada Kern", "=2+3"]

[site]
key = "north"
zone = "Europe/Berlin"

[[source]]
name = "erp"
rank = 1

[[item]]
name = "way oil VG 68"
unit = "L"

[[machine]]
tag = "L-03"
name = "=1+1"
area = "Hall A"

[[machine.meter]]
kind = "operating"

[[machine.point]]
key = "p-air"
unit = "bar"
act_below = "5.5"

[[machine.check]]
key = "leaks"
title = "Oil below the machine"
good = "dry"

[[machine.task]]
key = "drain-bowl"
title = "Drain the bowl"
every = "30 days"
"#;

/// A file of reports of which none can count: no machine has these tags.
fn ghosts(rows: u32) -> String {
    let lines = (0..rows).map(|n| format!("G-{n},r-{n},2026-03-02T05:00:00Z,2026-03-02T13:00:00Z,7\n"));
    std::iter::once("machine,report_id,start,end,hours\n".to_owned()).chain(lines).collect()
}

fn offline(arguments: &[&str]) -> Ran {
    let folder = tempfile::tempdir().expect("a folder");
    fettler("http://127.0.0.1:1", folder.path(), arguments, b"")
}

#[test]
fn five_shells_complete_commands() {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = offline(&["completions", shell]).done();
        assert!(script.contains("drain") || script.contains("forbid"), "{shell}: {} bytes", script.len());
    }
    // What bash itself makes of it.
    let folder = tempfile::tempdir().expect("a folder");
    let script = folder.path().join("fettler.bash");
    fs::write(&script, offline(&["completions", "bash"]).done()).expect("a file");
    let asked = "source \"$0\"; COMP_WORDS=(fettler machine fo); COMP_CWORD=2; _fettler fettler fo machine; echo \"${COMPREPLY[@]}\"";
    let ran = Command::new("bash").args(["--norc", "-c", asked]).arg(&script).output().expect("bash");
    assert_eq!(String::from_utf8_lossy(&ran.stdout), "forbid\n", "{ran:?}");
    let refused = offline(&["completions", "bash", "--output", "json"]);
    assert!(refused.code == 2 && refused.stderr.contains("neither JSON nor CSV"), "{}", refused.all());
}

#[test]
fn the_manual_has_a_page_for_each_command() {
    let folder = tempfile::tempdir().expect("a folder");
    fettler("http://127.0.0.1:1", folder.path(), &["manual", "--to", "man"], b"").done();
    let page = |name: &str| fs::read_to_string(folder.path().join("man").join(name)).expect(name);
    for name in ["fettler.1", "fettler-due.1", "fettler-machine-forbid.1", "fettler-config-show.1"] {
        assert!(page(name).contains(".SH NAME"), "{name}");
    }
    assert!(page("fettler-due.1").contains("while\\-stopped"), "{}", page("fettler-due.1"));
}

#[test]
fn a_profile_says_which_service_and_each_setting_says_where_it_was_read() {
    let service = Service::with_shop(SHOP);
    let home = tempfile::tempdir().expect("a folder");
    let folder = home.path().join("fettler");
    fs::create_dir(&folder).expect("a folder");
    fs::write(folder.join("hall.token"), service.token()).expect("a file");
    let text = format!(
        "profile = \"hall\"\n[profiles.hall]\nserver = \"{}\"\ntoken_file = \"hall.token\"\noutput = \"csv\"\n",
        service.endpoint()
    );
    fs::write(folder.join("config.toml"), text).expect("a file");
    let config = home.path().to_str().expect("UTF-8");
    // Empty variables say nothing, so the profile's service is asked, with the profile's token.
    let environment = [("XDG_CONFIG_HOME", config), ("FETTLER_DATA", config), ("FETTLER_SERVER", "")];
    let run = |arguments: &[&str]| fettler_in("", home.path(), (arguments, b""), &environment);
    assert!(run(&["machine", "list"]).done().contains("L-03,'=1+1,"), "as CSV");
    let shown: Value =
        serde_json::from_str(&run(&["config", "show", "--output", "json"]).done()).expect("JSON");
    let of = |key: &str| {
        let settings = shown["settings"].as_array().expect("a list");
        let found = settings.iter().find(|setting| setting["setting"] == key).expect(key);
        (found["value"].as_str().expect("text").to_owned(), found["from"].as_str().expect("text").to_owned())
    };
    assert_eq!(of("server"), (service.endpoint().to_owned(), "profile hall".to_owned()));
    assert_eq!(of("output"), ("json".to_owned(), "--output".to_owned()));
    assert_eq!(of("width").1, "default");
    assert_eq!(of("token_file").1, "profile hall");
    // The secret of one service goes to no other.
    let elsewhere = run(&["--server", "http://127.0.0.1:1", "config", "show"]).done();
    assert!(!elsewhere.contains("hall.token"), "{elsewhere}");
    let unknown = run(&["--profile", "hal", "due"]);
    assert!(unknown.code == 2 && unknown.stderr.contains("did you mean `hall`?"), "{}", unknown.all());
}

#[test]
fn a_secret_of_the_environment_is_not_shown() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran =
        fettler_in("", folder.path(), (&["config", "show"], b""), &[("FETTLER_TOKEN", "fettler_abc")]).done();
    assert!(ran.contains("(not shown)") && !ran.contains("fettler_abc"), "{ran}");
}

#[test]
fn a_long_table_goes_through_the_pager_and_keeps_its_exit_code() {
    let service = Service::with_shop(SHOP);
    let place = service.data().join("ghosts.csv").display().to_string();
    fs::write(&place, ghosts(60)).expect("a file");
    let seen = service.data().join("seen").display().to_string();
    let ask = |arguments: &[&str], pager: &str| {
        let words = [&["hours", "push", place.as_str(), "--source", "erp", "--all"], arguments].concat();
        talk_in(&service, (service.endpoint(), &words), &[("PAGER", pager), ("PATH", "/usr/bin:/bin")], &[])
    };
    // All of it goes to the pager, which keeps it; the screen gets what was said beside.
    let paged = ask(&[], &format!("tee {seen}"));
    let kept = fs::read_to_string(&seen).expect("the pager's copy");
    assert!(paged.code == 1 && kept.contains("G-0") && kept.contains("G-59"), "{paged:?}");
    // Left after a line, the command still ends as it would have.
    let left = ask(&[], "head -n 1");
    assert!(left.code == 1 && !left.shown.contains("G-59"), "{left:?}");
    for (arguments, pager) in [(&["--no-pager"][..], "head -n 1"), (&[], ""), (&[], "no-such-pager")] {
        let plain = ask(arguments, pager);
        assert!(plain.code == 1 && plain.shown.contains("G-59"), "{pager}: {plain:?}");
    }
    // What fits needs none, and what is no terminal gets none.
    let short = talk_in(
        &service,
        (service.endpoint(), &["person", "list"]),
        &[("PAGER", "false")],
        &[("Ada Kern", "")],
    );
    assert_eq!(short.code, 0, "{short:?}");
    let words = ["hours", "push", place.as_str(), "--source", "erp", "--all"];
    let piped = fettler_in(service.endpoint(), service.data(), (&words, b""), &[("PAGER", "false")]);
    assert!(piped.code == 1 && piped.stdout.contains("G-59"), "{}", piped.all());
}

#[test]
fn names_that_were_meant_are_told() {
    let service = Service::with_shop(SHOP);
    for (arguments, meant) in [
        (&["machine", "show", "L03"][..], "did you mean `L-03`?"),
        (&["due", "--area", "Hal A"], "did you mean `Hall A`?"),
        (&["stock", "lots", "way oil VG68"], "did you mean `way oil VG 68`?"),
        (&["stock", "receive", "way oil VG 86", "1", "--by", "Ada Kern"], "did you mean `way oil VG 68`?"),
        (&["why", "L-03", "drain-bwl"], "did you mean `drain-bowl`?"),
        (&["close", "1", "--by", "Ada Krn"], "did you mean `Ada Kern`?"),
        (&["sheet", "show", "lath"], "did you mean `lathe`?"),
        (&["--site", "nort", "due"], "did you mean `north`?"),
        (&["machin", "list"], "a similar subcommand exists: 'machine'"),
    ] {
        let ran = service.fettler(arguments);
        assert!(ran.code >= 2 && ran.stderr.contains(meant), "{arguments:?}: {}", ran.all());
    }
    // What is like nothing gets no guess, but says where the names are.
    let far = service.fettler(&["due", "--area", "nowhere"]);
    assert!(far.code == 3 && !far.stderr.contains("did you mean"), "{}", far.all());
    assert!(far.stderr.contains("`fettler machine list` shows the areas"), "{}", far.all());
}

#[test]
fn a_folder_or_a_port_that_is_the_wrong_one_is_named() {
    let service = Service::with_shop(SHOP);
    let elsewhere = tempfile::tempdir().expect("a folder");
    let ran = fettler(service.endpoint(), elsewhere.path(), &["due"], b"");
    let wanted = format!("there is no {}", elsewhere.path().join("admin.token").display());
    assert!(
        ran.code == 3 && ran.stderr.contains(&wanted) && ran.stderr.contains("FETTLER_DATA"),
        "{}",
        ran.all()
    );
    let ran = fettler(service.http(), service.data(), &["due"], b"");
    let wanted = format!("{}/ takes no calls of `fettler`: it answered with HTTP status 415", service.http());
    assert!(ran.code == 4 && ran.stderr.contains(&wanted), "{}", ran.all());
    assert!(
        ran.stderr.contains("takes calls on port 7133") && !ran.stderr.contains("INTERNAL"),
        "{}",
        ran.all()
    );
    let said = [("FETTLER_TOKEN", "")];
    let ran = fettler_in(service.endpoint(), service.data(), (&["due"], b""), &said);
    assert!(ran.code == 3 && ran.stderr.contains("the token of FETTLER_TOKEN is empty"), "{}", ran.all());
}

#[test]
fn the_doctor_tells_what_is_found_and_what_to_do() {
    let service = Service::with_shop(SHOP);
    let well = service.fettler(&["doctor", "--output", "json"]).done();
    let told: Value = serde_json::from_str(&well).expect("JSON");
    let checks = told["checks"].as_array().expect("a list");
    assert!(checks.len() >= 7 && checks.iter().all(|check| check["well"] == true), "{well}");
    assert!(service.fettler(&["doctor"]).done().contains("`admin`, admin of all sites"));
    let ill = |ran: Ran, found: &str, remedy: &str| {
        assert!(ran.code == 1 && ran.stdout.contains(found) && ran.stdout.contains(remedy), "{}", ran.all());
    };
    let run = |variables: &[(&str, &str)]| {
        fettler_in(service.endpoint(), service.data(), (&["doctor", "--width", "200"], b""), variables)
    };
    ill(run(&[("FETTLER_TOKEN", "fettler_x")]), "not known here", "the token was read from FETTLER_TOKEN");
    ill(run(&[("FETTLER_TOKEN", "")]), "carries no token", "--token-file FILE");
    ill(run(&[("FETTLER_SITE", "nort")]), "`nort` is not a site", "did you mean `north`?");
    ill(offline(&["doctor"]), "did not answer", "is `fettlerd serve` running there?");
    // A token that ends soon, and a folder that others may read.
    let made = Command::new(program("fettlerd"))
        .args(["token", "add", "tablet", "--role", "technician", "--expires", "3d", "--data"])
        .arg(service.data())
        .env_clear()
        .output()
        .expect("it runs");
    let token = String::from_utf8_lossy(&made.stdout).trim().to_owned();
    ill(run(&[("FETTLER_TOKEN", &token)]), "`tablet`, technician of all sites", "`fettlerd token add` makes");
    fs::set_permissions(service.data(), fs::Permissions::from_mode(0o755)).expect("a mode");
    ill(run(&[]), "is open to others", "chmod -R go=");
    // A clock that stands in another year.
    let past = Service::start_with(&["--clock-at", "2026-01-05T09:00:00Z"]);
    ill(past.fettler(&["doctor", "--width", "200"]), "apart from the service's", "NTP");
}

#[test]
fn complaints_show_what_was_typed_alone() {
    let ran = offline(&["close"]);
    assert!(ran.code == 2 && !ran.stderr.contains("--server"), "{}", ran.all());
}

#[test]
fn bold_headings_heed_no_color_and_clicolor_force() {
    let service = Service::with_shop(SHOP);
    let bold = |variables: &[(&str, &str)]| {
        let ran = fettler_in(service.endpoint(), service.data(), (&["person", "list"], b""), variables);
        ran.done().contains('\u{1b}')
    };
    assert!(!bold(&[]) && bold(&[("CLICOLOR_FORCE", "1")]) && !bold(&[("CLICOLOR_FORCE", "0")]));
    assert!(!bold(&[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")]));
}

/// Every command that shows a list, and what refuses to be one.
#[test]
fn lists_are_csv_whose_cells_a_spreadsheet_does_not_run() {
    let service = Service::with_shop(SHOP);
    fs::write(service.data().join("shift.csv"), ghosts(2)).expect("a file");
    for command in [
        "machine list",
        "machine show L-03",
        "person list",
        "due",
        "orders",
        "orders 1",
        "why 1",
        "round --list",
        "round --handovers",
        "ready",
        "readings",
        "readings L-03 p-air",
        "audit",
        "fluid record L-03",
        "hours list",
        "hours held",
        "hours meter L-03",
        "hours planned",
        "stock list",
        "buy",
        "review --all",
        "figures --month 2026-10",
        "ahead --until 2027-02-28",
        "shop show",
        "sheet list",
        "sheet show lathe",
        "journal list",
        "calendar list",
        "calc",
        "config show",
        "hours push shift.csv --source erp",
        "backtest",
    ] {
        let mut words: Vec<&str> = command.split(' ').collect();
        words.extend(["--output", "csv"]);
        let ran = service.fettler(&words);
        assert!(ran.code <= 1, "{command}: {}", ran.all());
        let rows = csv_rows(&ran.stdout);
        let width = rows.first().unwrap_or_else(|| panic!("{command} has no header")).len();
        assert!(rows.iter().all(|row| row.len() == width), "{command}: {rows:?}");
        let runs = |cell: &String| cell.starts_with(['=', '@', '\t', '\r']);
        assert!(!rows.iter().flatten().any(runs), "{command}: {rows:?}");
    }
    let people = service.fettler(&["person", "list", "--output", "csv"]).done();
    assert!(people.contains("'=2+3"), "{people}");
    for command in ["sheet print --due", "sheet labels", "report --month 2026-10", "calendar file --whole"] {
        let mut words: Vec<&str> = command.split(' ').collect();
        words.extend(["--output", "csv"]);
        let ran = service.fettler(&words);
        assert!(ran.code == 2 && ran.stderr.to_lowercase().contains("csv"), "{command}: {}", ran.all());
    }
}

/// A shop day starts at 06:00 where a site does not say: at 03:00 of the third it is that of the second.
#[test]
fn a_shop_that_is_declared_at_night_has_its_checks_at_once() {
    let service = Service::start_with(&["--clock-at", "2026-03-03T02:00:00Z"]);
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    service.fettler(&["sheet", "print", "--round", "-o", "round.html"]).done();
    let round = fs::read_to_string(service.data().join("round.html")).expect("a page");
    assert!(round.contains("Oil below the machine"), "{round}");
}

/// The exit codes of the table in docs/cli.md, each by a run that gives it.
#[test]
fn every_documented_exit_code_is_met() {
    let service = Service::with_shop(SHOP);
    fs::write(service.data().join("ghosts.csv"), ghosts(1)).expect("a file");
    let run = |arguments: &[&str]| service.fettler(arguments).code;
    let interrupted = talk_in(
        &service,
        (service.endpoint(), &["round", "--by", "Ada Kern"]),
        &[],
        &[("Oil below the machine", ""), ("> ", "\u{3}")],
    );
    let met = [
        i64::from(run(&["person", "list"])),
        i64::from(run(&["hours", "push", "ghosts.csv", "--source", "erp"])),
        i64::from(run(&["close"])),
        i64::from(run(&["machine", "show", "none"])),
        i64::from(offline(&["--server", "http://127.0.0.1:1", "person", "list"]).code),
        interrupted.code,
    ];
    let document = fs::read_to_string(root().join("docs/cli.md")).expect("docs/cli.md");
    let (_, table) = document.split_once("| exit code | meaning |").expect("the table of exit codes");
    let rows = table.lines().skip(2).take_while(|line| line.starts_with("| "));
    let told: Vec<i64> =
        rows.map(|row| row.split('|').nth(1).expect("a code").trim().parse().expect("a number")).collect();
    assert_eq!(told, met, "docs/cli.md tells what is met here");
}

#[test]
fn slips_are_asked_back_or_refused_with_what_was_meant() {
    let service = Service::with_shop(SHOP);
    let by = ["--by", "Ada Kern", "--cautions-confirmed"];
    let close = |flags: &[&str]| service.fettler(&[&["close", "1"][..], &by, flags].concat());
    // A test point and an item that there are not, and a day before the shop was declared: all told together, each with the flag that
    // confirms it.
    let slips = ["--read", "p-iar=6.1 bar", "--used", "way oil VG 86=2 L", "--done", "2026-01-05 10:00"];
    let asked = |flags: &[&str], told: &[&str], not_told: &str| {
        let ran = close(flags);
        let tells = |text: &&str| ran.stderr.contains(*text);
        assert!(ran.code == 3 && told.iter().all(tells) && !tells(&not_told), "{}", ran.all());
    };
    let time = "--done: lies ";
    let point = "--read p-iar: `p-iar` is no test point of L-03, which has `p-air`; say it again, or confirm that `p-iar` is meant";
    let item = "--used way oil VG 86: `way oil VG 86` is neither on the shelf nor in the kit, where there is `way oil VG 68`";
    let flags = "with --it-is-so done --it-is-so p-iar --it-is-so \"way oil VG 86\" for what is right";
    asked(&slips, &[time, point, item, flags, "code: INVALID_ARGUMENT, ASKED_BACK"], "?;");
    let but = |so: &'static str| [&slips[..], &["--it-is-so", so]].concat();
    asked(&but("done"), &[point, item, "with --it-is-so p-iar --it-is-so \"way oil VG 86\" for"], time);
    asked(&but("way oil VG 86"), &[time, point, "with --it-is-so done --it-is-so p-iar for"], item);
    asked(&but("p-iar"), &[time, item], point);
    let neither = close(&["--it-is-so", "p-iar"]);
    assert!(
        neither.code == 2
            && neither.stderr.contains("--it-is-so: p-iar was not said\nhint: name a test point"),
        "{}",
        neither.all()
    );
    let neither = service.fettler(&["read", "L-03", "p-air=6.1", "--by", "Ada Kern", "--it-is-so", "p-iar"]);
    assert!(
        neither.code == 2
            && neither.stderr.contains("--it-is-so: p-iar was not said\nhint: name a test point"),
        "{}",
        neither.all()
    );
    // No command stands in the words of the service, which are read at a tablet too.
    asked(
        &["--used", "grease=2 L"],
        &["nor in the kit; say it again", "hint: `fettler stock list` shows what is on the shelf\n"],
        "kit (",
    );
    let so = ["--it-is-so", "p-iar", "--it-is-so", "way oil VG 86", "--it-is-so", "done"];
    let closed = close(&[&slips[..], &so].concat()).done();
    assert!(closed.contains("p-iar is no test point of this machine"), "{closed}");

    for (arguments, code, told) in [
        (&["journal", "list", "--kind", "oder.closed"][..], 3, "did you mean `order.closed`?"),
        (&["journal", "list", "--kind", "nonsense"], 3, "kinds start with "),
        (
            &["audit", "--from", "2026-11-20", "--until", "2026-11-10"],
            2,
            "--until 2026-11-10 is not after --from 2026-11-20; give a later --until",
        ),
        (&["person", "add", "Ada Kern"], 0, "Ada Kern is there already; nothing was changed"),
        (&["person", "add", "ada kern"], 3, "name: `ada kern` looks like `Ada Kern`, and the work"),
    ] {
        let ran = service.fettler(arguments);
        assert!(ran.code == code && ran.stderr.contains(told), "{arguments:?}: {}", ran.all());
    }
    assert!(!service.fettler(&["person", "add", "Bo Ek"]).stderr.contains("already"));
}

#[test]
fn reports_are_told_what_else_there_is_to_know_of_them() {
    let service = Service::with_shop(SHOP);
    let push = |source: &str, hours: &str| {
        let rows = format!(
            "report_id,machine,start,end,hours\nr1,L-03,2026-11-25T05:00:00Z,2026-11-25T13:00:00Z,{hours}\n"
        );
        let words = ["hours", "push", "-", "--source", source, "--width", "400"];
        fettler_in(service.endpoint(), service.data(), (&words, rows.as_bytes()), &[]).stdout
    };
    assert!(!push("erp", "7").contains("is not declared"));
    let told = push("epr", "0.5");
    assert!(
        told.contains("the source `epr` is not declared") && told.contains("did you mean `erp`?"),
        "{told}"
    );
    let listed = service.fettler(&["hours", "list"]);
    assert!(listed.stderr.contains("the source `epr` is not declared"), "{}", listed.all());
    // Of two contents of one revision the one with the smaller digest counts, whichever came first: whoever sends forty hears of it.
    let told: Vec<String> = (10..50)
        .map(|hundredths| push("erp", &format!("7.{hundredths}")))
        .take_while(|told| !told.contains("smaller digest"))
        .collect();
    assert!(told.len() < 40, "none took the place of another: {told:?}");

    let bad = r#"{"reports": [{"source": "erp"}, {"source": "erp", "interval": {"start": "25.11.2026"}}]}"#;
    let answer = post(&service, "RunHoursService/PushReports", &[], bad);
    assert_eq!(answer["status"], 400);
    let answer: Value = serde_json::from_str(answer["body"].as_str().expect("a body")).expect("JSON");
    let told = answer["message"].as_str().expect("a message");
    assert!(told.contains("reports[1].interval.start: `\"25.11.2026\"` is no time; write it like"), "{told}");
    let fields = &answer["details"][1]["fieldViolations"][0]["field"];
    assert_eq!(fields, "reports[1].interval.start", "{answer}");
}
