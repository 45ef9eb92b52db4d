//! What operators go by: figures after a known script of calls, read by Prometheus' own parser and linted by its own tool; who is given
//! them; the lines of the log; the rules and the board that rest on the figures; settings that are told and checked.

use fettler_tests::oracle::{http, lines, run};
use fettler_tests::programs::{program, root};
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Names that must stand in no figure and in no line of the log but the site's.
const SHOP: &str = r#"
people = ["Ada Kern"]

[site]
key = "north"
zone = "Europe/Berlin"

[[machine]]
tag = "L-03"
area = "hall a"

[[machine.meter]]
kind = "operating"

[[machine.task]]
key = "guard"
title = "Test the door interlock"
every = "30 days"
hazard = true
last_done = "2026-01-05"

[[machine.task]]
key = "bowl"
title = "Drain the bowl"
every = "10 days"
"#;
const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";

fn post(service: &Service, token: &str, method: &str, body: &Value) -> Value {
    let trace = format!("00-{TRACE}-00f067aa0ba902b7-01");
    let headers = json!({"content-type": "application/json", "authorization": format!("Bearer {token}"), "traceparent": trace});
    let url = format!("{}/fettler.v1.{method}", service.http());
    http(&[json!({"url": url, "method": "POST", "headers": headers, "body": body.to_string()})]).remove(0)
}

fn get(service: &Service, path: &str, headers: &Value) -> Value {
    http(&[json!({"url": format!("{}{path}", service.http()), "headers": headers})]).remove(0)
}

fn report(id: &str, machine: &str, hours: &str) -> Value {
    let interval = json!({"start": "2026-11-20T06:00:00Z", "end": "2026-11-20T14:00:00Z", "amount": hours, "unit": "UNIT_HOURS"});
    json!({"source": "erp", "report_id": id, "machine": machine, "interval": interval})
}

/// Makes calls whose figures are known.
fn script(service: &Service) {
    let token = service.token();
    for _ in 0..3 {
        assert_eq!(post(service, &token, "PersonService/ListPeople", &json!({}))["status"], 200);
    }
    assert_eq!(post(service, &token, "PersonService/ListPeople", &json!({"page_size": -1}))["status"], 400);
    assert_eq!(post(service, "fettler_wrong", "PersonService/ListPeople", &json!({}))["status"], 401);
    let reports = [
        report("a", "L-03", "6"),
        report("a", "L-03", "6"),
        report("b", "nowhere", "6"),
        report("", "L-03", "6"),
    ];
    let pushed = post(service, &token, "RunHoursService/PushReports", &json!({"reports": reports}));
    assert_eq!(pushed["status"], 200, "{pushed}");
    let signed = post(service, &token, "ProofService/GetCheckpoint", &json!({}));
    assert_eq!(signed["status"], 200, "{signed}");
}

/// The figures of a text, as Prometheus' parser for Python reads them.
struct Figures {
    families: BTreeSet<String>,
    samples: BTreeMap<String, f64>,
}

impl Figures {
    fn read(text: &str) -> Figures {
        let (mut families, mut samples) = (BTreeSet::new(), BTreeMap::new());
        for line in lines(&run("metrics.py", &[], text)) {
            if let Some(family) = line["family"].as_str() {
                families.insert(family.to_owned());
                continue;
            }
            let labels = line["labels"].as_object().expect("labels");
            let labels: Vec<String> = labels
                .iter()
                .map(|(name, value)| format!("{name}={}", value.as_str().expect("a text")))
                .collect();
            let name = line["sample"].as_str().expect("a name");
            samples
                .insert(format!("{name}{{{}}}", labels.join(",")), line["value"].as_f64().expect("a number"));
        }
        Figures { families, samples }
    }

    fn get(&self, sample: &str) -> f64 {
        *self.samples.get(sample).unwrap_or_else(|| panic!("{sample} is missing: {:#?}", self.samples))
    }

    /// Whether a name of an expression is one of these.
    fn knows(&self, name: &str) -> bool {
        self.samples.keys().any(|sample| sample.split('{').next() == Some(name))
    }
}

/// The figures of a service after the script.
fn figures(service: &Service) -> (String, Figures) {
    let told = get(service, "/metrics", &json!({}));
    assert_eq!(told["status"], 200, "{told}");
    assert_eq!(told["headers"]["content-type"], "text/plain; version=0.0.4; charset=utf-8");
    let text = told["body"].as_str().expect("a text").to_owned();
    let figures = Figures::read(&text);
    (text, figures)
}

/// promtool lies where ./tests/run puts it, beside the Python of the oracles, or in the path.
fn promtool(arguments: &[&str], input: &str) -> (bool, String) {
    let named = std::env::var_os("FETTLER_PROMTOOL").map(PathBuf::from);
    let python = std::env::var_os("FETTLER_PYTHON").map(PathBuf::from);
    let tools = python.and_then(|python| Some(python.ancestors().nth(3)?.join("promtool")));
    let program = named.or(tools.filter(|path| path.exists())).unwrap_or_else(|| PathBuf::from("promtool"));
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool is missing: it is in Debian's package prometheus; ./tests/run fetches it");
    child.stdin.take().expect("a pipe").write_all(input.as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8_lossy(&said).into_owned())
}

#[test]
fn figures_are_those_of_a_known_script_and_keep_to_the_conventions() {
    let service = Service::with_shop(SHOP);
    script(&service);
    let (text, figures) = figures(&service);
    for (sample, value) in [
        ("fettler_calls_total{code=OK,method=ListPeople}", 3.0),
        ("fettler_calls_total{code=INVALID_ARGUMENT,method=ListPeople}", 1.0),
        ("fettler_calls_total{code=UNAUTHENTICATED,method=ListPeople}", 1.0),
        ("fettler_calls_total{code=OK,method=PushReports}", 1.0),
        ("fettler_call_duration_seconds_count{method=ListPeople}", 4.0),
        ("fettler_reports_total{outcome=accepted}", 1.0),
        ("fettler_reports_total{outcome=duplicate}", 1.0),
        ("fettler_reports_total{outcome=held}", 1.0),
        ("fettler_reports_total{outcome=refused}", 1.0),
        ("fettler_reports_total{outcome=replaces}", 0.0),
        ("fettler_report_acknowledgement_duration_seconds_count{}", 3.0),
        ("fettler_reports_held{site=1}", 1.0),
        ("fettler_orders{site=1,state=late}", 1.0),
        ("fettler_orders{site=1,state=never_recorded}", 1.0),
        ("fettler_orders{site=1,state=ahead}", 0.0),
        ("fettler_orders_hazard_late{site=1}", 1.0),
        ("fettler_machines{site=1,state=in_service}", 1.0),
        ("fettler_meters_unheard{site=1}", 0.0),
        ("fettler_plan_rows_stale{site=1}", 0.0),
        ("fettler_calls_under_way{}", 0.0),
        ("fettler_figures_failures_total{}", 0.0),
    ] {
        assert_eq!(figures.get(sample).to_bits(), f64::to_bits(value), "{sample}: {}", figures.get(sample));
    }
    for sample in [
        "fettler_journal_entries{site=1}",
        "fettler_journal_checkpoint_timestamp_seconds{site=1}",
        "fettler_database_size_bytes{}",
        "fettler_database_log_size_bytes{}",
        "fettler_disk_free_bytes{}",
        "process_resident_memory_bytes{}",
        "process_cpu_seconds_total{}",
        "process_open_fds{}",
        "process_start_time_seconds{}",
        "fettler_build_info{version=0.1.0}",
    ] {
        assert!(figures.get(sample) > 0.0, "{sample}");
    }
    let (is_well, said) = promtool(&["check", "metrics"], &text);
    assert!(is_well && said.is_empty(), "promtool finds: {said}");
    assert!(!promtool(&["check", "metrics"], "bad_total 1\n").0, "a planted fault is found");
    for name in ["north", "L-03", "hall", "Ada", "erp", "interlock", "guard", &service.token()] {
        assert!(!text.contains(name), "{name} stands in the figures");
    }
}

#[test]
fn figures_are_for_whom_they_are_meant() {
    let service = Service::with_shop(SHOP);
    let status = |service: &Service, headers: &Value| get(service, "/metrics", headers)["status"].as_u64();
    let passed_on = json!({"X-Forwarded-For": "192.0.2.7"});
    assert_eq!(status(&service, &json!({})), Some(200));
    assert_eq!(status(&service, &passed_on), Some(403), "a proxy asks for others");
    drop(service);

    let service = Service::start_with(&["--metrics", "token"]);
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    let made = |part: &[&str]| {
        let mut command = Command::new(program("fettlerd"));
        command
            .args(["token", "add", "watch", "--role", "reporter", "--data"])
            .arg(service.data())
            .args(part);
        let output = command.env_clear().output().expect("it runs");
        format!("Bearer {}", String::from_utf8_lossy(&output.stdout).trim())
    };
    assert_eq!(status(&service, &json!({})), Some(401));
    assert_eq!(status(&service, &json!({"authorization": made(&[])})), Some(200));
    assert_eq!(status(&service, &json!({"authorization": made(&["--site", "north"])})), Some(401));
    drop(service);

    assert_eq!(status(&Service::start_with(&["--metrics", "off"]), &json!({})), Some(404));
    assert_eq!(status(&Service::start_with(&["--metrics", "open"]), &passed_on), Some(200));
}

#[test]
fn a_line_of_the_log_tells_of_each_call_and_holds_no_secret_and_nothing_that_was_sent() {
    let mut service = Service::start_in(vec![("FETTLER_LOG".to_owned(), "warn,fettler=info".to_owned())]);
    fs::write(service.data().join("shop.toml"), SHOP).expect("a file");
    service.fettler(&["shop", "load", "shop.toml"]).done();
    script(&service);
    let id = "0192f0c1-2b3c-7d4e-8f50-112233445566";
    let add = json!({"name": "Jo Lind", "request_id": id});
    assert_eq!(post(&service, &service.token(), "PersonService/AddPerson", &add)["status"], 200);
    let token = service.token();
    service.stop();
    let said = service.said();
    let calls: Vec<Value> = said
        .iter()
        .filter_map(|line| serde_json::from_str(line).ok())
        .filter(|line: &Value| line["target"] == "fettler::call")
        .collect();
    let of = |method: &str| -> Vec<&Value> {
        calls.iter().filter(|call| call["method"] == format!("fettler.v1.{method}")).collect()
    };
    let codes: Vec<&str> =
        of("PersonService/ListPeople").iter().filter_map(|call| call["code"].as_str()).collect();
    assert_eq!(
        codes,
        ["OK", "OK", "OK", "INVALID_ARGUMENT"],
        "refused ones have lines of their own: {said:#?}"
    );
    let push = of("RunHoursService/PushReports");
    assert_eq!((push.len(), &push[0]["site"], &push[0]["token"]), (1, &json!("north"), &json!(1)));
    assert!(push[0]["latency_us"].as_u64().is_some_and(|micros| micros > 0));
    assert_eq!((&push[0]["trace_id"], &push[0]["level"]), (&json!(TRACE), &json!("INFO")));
    assert!(push[0]["peer"].as_str().is_some_and(|peer| peer.starts_with("127.0.0.1:")));
    let added = of("PersonService/AddPerson");
    assert_eq!((added.len(), &added[0]["request_id"]), (1, &json!(id)));
    let refused = said.iter().filter(|line| line.contains("call refused")).count();
    assert_eq!(refused, 1);
    for secret in [token.as_str(), "fettler_wrong", "Jo Lind", "nowhere", "2026-11-20T06"] {
        assert!(
            !said.iter().skip_while(|line| line.contains("listening")).any(|line| line.contains(secret)),
            "{secret}"
        );
    }
}

/// Names of figures in an expression.
fn names(expression: &str) -> Vec<&str> {
    let is_part = |c: char| c.is_ascii_alphanumeric() || c == '_';
    let words = expression.split(|c| !is_part(c));
    words.filter(|word| word.starts_with("fettler_") || word.starts_with("process_")).collect()
}

/// The expressions of a board.
fn expressions<'v>(value: &'v Value, found: &mut Vec<&'v str>) {
    match value {
        Value::Object(map) => {
            found.extend(map.get("expr").and_then(Value::as_str));
            map.values().for_each(|value| expressions(value, found));
        }
        Value::Array(all) => all.iter().for_each(|value| expressions(value, found)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

#[test]
fn rules_and_board_rest_on_figures_that_there_are() {
    let service = Service::with_shop(SHOP);
    script(&service);
    let (_, figures) = figures(&service);
    let installed = |file: &str| fs::read_to_string(root().join("docs/install").join(file)).expect("a file");
    let rules = root().join("docs/install/alerts.yml");
    let (is_well, said) = promtool(&["check", "rules", rules.to_str().expect("UTF-8")], "");
    assert!(is_well, "{said}");
    let (is_well, said) =
        promtool(&["test", "rules", &root().join("tests/data/alerts_test.yml").display().to_string()], "");
    assert!(is_well, "{said}");

    let rules = installed("alerts.yml");
    let in_rules: BTreeSet<&str> =
        rules.lines().filter(|line| line.trim_start().starts_with("expr:")).flat_map(names).collect();
    let board: Value = serde_json::from_str(&installed("plots.json")).expect("JSON");
    let mut all = Vec::new();
    expressions(&board, &mut all);
    let on_board: BTreeSet<&str> = all.iter().copied().flat_map(names).collect();
    assert!(in_rules.len() >= 10 && on_board.len() >= 15, "{in_rules:?} {on_board:?}");
    for name in in_rules.union(&on_board) {
        assert!(figures.knows(name), "{name} is no figure of the service");
    }
    // Each expression is one that Prometheus reads.
    let quoted: Vec<String> = all
        .iter()
        .enumerate()
        .map(|(i, expr)| {
            let expr = expr.replace("$instance", ".*");
            format!("  - record: board:part_{i}\n    expr: {}\n", json!(expr))
        })
        .collect();
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("board.yml");
    fs::write(&file, format!("groups:\n- name: board\n  rules:\n{}", quoted.concat())).expect("written");
    let (is_well, said) = promtool(&["check", "rules", file.to_str().expect("UTF-8")], "");
    assert!(is_well, "{said}");

    let operations = fs::read_to_string(root().join("docs/operations.md")).expect("a file");
    for family in &figures.families {
        assert!(operations.contains(&format!("`{family}")), "docs/operations.md does not tell of {family}");
    }
}

#[test]
fn settings_are_told_with_where_they_come_from_and_checked() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("fettlerd.toml");
    fs::write(&file, "http = \"off\"\nlisten = \"127.0.0.1:0\"\n").expect("written");
    let config = |part: &[&str]| {
        let mut command = Command::new(program("fettlerd"));
        command
            .arg("config")
            .args(part)
            .env_clear()
            .env("FETTLER_CONFIG", &file)
            .env("FETTLER_DATA", folder.path());
        let output = command.output().expect("it runs");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code(), text(&output.stdout), text(&output.stderr))
    };
    let (code, out, err) = config(&["--check"]);
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert!(out.contains(&format!("off  (file {})", file.display())), "{out}");
    assert!(out.contains(&format!("{}  (environment FETTLER_DATA)", folder.path().display())), "{out}");
    let wrong = ["--check", "--listen", "nowhere", "--tls-key", "k.pem", "--http", "0.0.0.0:80"];
    let (code, out, err) = config(&wrong);
    assert_eq!(code, Some(1), "{out}");
    assert!(err.contains("fault: listen = nowhere (typed): "), "{err}");
    assert!(err.contains("--tls-cert <FILE> is needed as well") && err.contains("3 faults"), "{err}");
    assert!(err.contains("fault: http = 0.0.0.0:80 (typed): --http 0.0.0.0:80 is reachable"), "{err}");
    assert_eq!(config(&["--listen", "nowhere"]).0, Some(0), "without --check no value is judged");
    let (code, _, err) = config(&["--chekc"]);
    assert!(code == Some(1) && err.contains("--chekc is no setting"), "{err}");
    let refused = Command::new(program("fettlerd")).args(["config", "--help"]).env_clear().output();
    assert_eq!(refused.expect("it runs").status.code(), Some(0));

    // The same file serves.
    fs::write(&file, "metrics = \"off\"\n").expect("written");
    let service = Service::start_in(vec![("FETTLER_CONFIG".to_owned(), file.display().to_string())]);
    assert_eq!(get(&service, "/metrics", &json!({}))["status"], 404, "the file says that figures are off");
}
