//! The service as other languages call it: the same calls by five stacks that share no code, and the examples of `docs/clients`.

use fettler_tests::languages::{
    self, Ask, Call, Caller, STREAM_REPORTS, code_name, node_modules, python_example, typescript_example,
};
use fettler_tests::line::Line;
use fettler_tests::oracle::lines;
use fettler_tests::programs::root;
use fettler_tests::service::Service;
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _};
use std::process::{Command, Stdio};

/// The moment at which the service of the calls stands, a Wednesday at 10:00 in the shop.
const CLOCK: &str = "2026-11-25T09:00:00Z";
/// The request id by which the shop is declared.
const LOAD: &str = "0d5a7c2e-4b1f-4000-8000-0000000000ff";
/// How many calls the script has at least.
const CALLS_MIN: usize = 60;
/// How many streams the script of streams has at least.
const STREAMS_MIN: usize = 16;

fn shop(file: &str) -> String {
    fs::read_to_string(root().join(file)).expect(file)
}

async fn answers(caller: Caller, calls: &[Call]) -> Vec<Value> {
    let service = Service::start_with(&["--clock-at", CLOCK, "--http", "127.0.0.1:0"]);
    fs::write(service.data().join("shop.toml"), shop("tests/data/calls/shop.toml")).expect("a file");
    // The journal tells the request id, so it is the same for all.
    service.fettler(&["shop", "load", "shop.toml", "--request-id", LOAD]).done();
    caller.answers(&service, calls).await
}

/// Where two answers differ first, and how.
fn difference(one: &Value, other: &Value, path: &str) -> Option<String> {
    let (count, pairs): (_, Vec<(String, &Value, &Value)>) = match (one, other) {
        (Value::Object(ones), Value::Object(others)) => {
            let of = |key: &String| (format!("{path}.{key}"), &one[key], &other[key]);
            (ones.keys().eq(others.keys()), ones.keys().map(of).collect())
        }
        (Value::Array(ones), Value::Array(others)) => {
            let pairs = ones.iter().zip(others).enumerate();
            (ones.len() == others.len(), pairs.map(|(n, (a, b))| (format!("{path}[{n}]"), a, b)).collect())
        }
        _ => (one == other, Vec::new()),
    };
    let within = pairs.into_iter().find_map(|(path, one, other)| difference(one, other, &path));
    within.or_else(|| (!count).then(|| format!("{path}: {one} and {other}")))
}

#[test]
fn the_place_of_a_difference_is_found() {
    let (one, other) = (json!({"a": [1, {"b": "x"}]}), json!({"a": [1, {"b": "y"}]}));
    assert_eq!(difference(&one, &other, "").expect("they differ"), ".a[1].b: \"x\" and \"y\"");
    assert!(difference(&json!({"a": 1}), &json!({"a": 1, "b": 2}), "").is_some());
    assert_eq!(difference(&one, &one.clone(), ""), None);
}

/// Holds what one caller was answered against the script, and what another was against that.
fn hold(calls: &[Call], first: &[Value]) {
    for (number, (call, answer)) in calls.iter().zip(first).enumerate() {
        assert_eq!(code_name(answer), call.code, "call {}, {}: {answer:#}", number + 1, call.call);
        let has_details = answer["details"].as_array().is_some_and(|details| !details.is_empty());
        assert_eq!(has_details, call.code != "OK", "call {}, {}: {answer:#}", number + 1, call.call);
    }
}

fn hold_alike(calls: &[Call], first: &[Value], told: &[Value], caller: Caller) {
    for (number, ((call, one), other)) in calls.iter().zip(first).zip(told).enumerate() {
        let differs = difference(one, other, "");
        assert_eq!(differs, None, "call {}, {}, by {caller:?}", number + 1, call.call);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn five_stacks_are_given_the_same_answers_and_error_details() {
    let calls = languages::script("calls.jsonl");
    assert!(calls.len() >= CALLS_MIN, "the script has {} calls", calls.len());
    let refused = calls.iter().filter(|call| call.code != "OK").count();
    assert!(refused * 4 > calls.len(), "{refused} of {} calls are refused", calls.len());
    let first = answers(Caller::Rust, &calls).await;
    hold(&calls, &first);
    for caller in Caller::ALL.into_iter().filter(|caller| *caller != Caller::Rust) {
        hold_alike(&calls, &first, &answers(caller, &calls).await, caller);
    }
}

/// The script of streams as a page in a browser can make it: it sends no streams, so that its reports go in one call, and a message
/// that says that something could not be read goes in none.
fn sent_at_once(calls: &[Call]) -> Vec<Call> {
    let at_once = |call: &Call| match &call.ask {
        Ask::Stream { asks, .. } if call.call == STREAM_REPORTS => {
            let reports: Vec<&Value> =
                asks.iter().map(|ask| &ask["report"]).filter(|report| !report.is_null()).collect();
            let ask = Ask::One(json!({"site": asks[0]["site"], "reports": reports}));
            Call { call: "RunHoursService/PushReports".into(), ask, code: call.code.clone() }
        }
        Ask::One(_) | Ask::Stream { .. } => call.clone(),
    };
    calls.iter().map(at_once).collect()
}

/// What a stream of reports was told, as one call is: without the answers to what could not be read.
fn told_at_once(call: &Call, told: &Value) -> Value {
    let Ask::Stream { asks, .. } = &call.ask else { return told.clone() };
    if call.call != STREAM_REPORTS {
        return told.clone();
    }
    let answers = told["answers"].as_array().expect("a stream's answers");
    let pairs = asks.iter().zip(answers).filter(|(ask, _)| !ask["report"].is_null());
    let acknowledgements: Vec<&Value> = pairs.map(|(_, answer)| &answer["acknowledgement"]).collect();
    if code_name(told) == "OK" {
        return json!({"code": told["code"], "answer": {"acknowledgements": acknowledgements}});
    }
    json!({"code": told["code"], "message": told["message"], "details": told["details"]})
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn five_stacks_are_told_the_same_streams() {
    let calls = languages::script("streams.jsonl");
    let streams: Vec<&Call> = calls.iter().filter(|call| matches!(call.ask, Ask::Stream { .. })).collect();
    assert!(streams.len() >= STREAMS_MIN, "the script has {} streams", streams.len());
    let refused = streams.iter().filter(|call| call.code != "OK").count();
    assert!(refused * 4 > streams.len(), "{refused} of {} streams are refused", streams.len());
    let first = answers(Caller::Rust, &calls).await;
    hold(&calls, &first);
    let told =
        first.iter().filter(|answer| answer["answers"].as_array().is_some_and(|told| !told.is_empty()));
    assert_eq!(told.count(), streams.len() - refused, "what is not refused tells something");
    for caller in [Caller::Python, Caller::Node, Caller::Json] {
        hold_alike(&calls, &first, &answers(caller, &calls).await, caller);
    }
    let first: Vec<Value> = calls.iter().zip(&first).map(|(call, told)| told_at_once(call, told)).collect();
    let calls = sent_at_once(&calls);
    hold_alike(&calls, &first, &answers(Caller::Web, &calls).await, Caller::Web);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_in_a_browser_is_told_by_its_own_library_that_it_sends_no_streams() {
    let mut calls = languages::script("streams.jsonl");
    calls.retain(|call| call.call == STREAM_REPORTS);
    for (call, told) in calls.iter().zip(answers(Caller::Web, &calls).await) {
        assert_eq!(code_name(&told), "UNKNOWN", "{told}");
        let why = told["message"].as_str().expect("a text");
        assert!(why.contains("does not support streaming request bodies"), "{call:?}: {told}");
    }
}

/// The examples' words for a shift of the shop in docs/example.
fn shift(service: &Service) -> Vec<String> {
    let token = service.data().join("admin.token").display().to_string();
    let words = [
        "--token-file",
        &token,
        "--machine",
        "L-03",
        "--report",
        "s-0100",
        "--start",
        "2026-11-16T14:00:00+01:00",
        "--end",
        "2026-11-16T22:00:00+01:00",
        "--hours",
        "6.5",
        "--request-id",
        "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e",
    ];
    words.map(str::to_owned).to_vec()
}

/// Runs an example over a line that is cut until it was seen to try again; then once more, as whoever saw no answer would.
fn example(program: &[String], is_web: bool) -> Vec<Value> {
    let service = Service::start_with(&["--clock-at", CLOCK, "--http", "127.0.0.1:0"]);
    for file in ["shop.toml", "shift.csv"] {
        fs::copy(root().join("docs/example").join(file), service.data().join(file)).expect("a copy");
    }
    service.fettler(&["shop", "load", "shop.toml"]).done();
    service.fettler(&["hours", "push", "shift.csv", "--source", "erp"]).done();
    let line = Line::to_port(if is_web { service.http() } else { service.endpoint() });
    line.cut();
    let start = |by: &str| {
        let mut command = Command::new(&program[0]);
        command.args(&program[1..]).args(shift(&service)).args(["--by", by]);
        let address = line.address();
        command.args(if is_web {
            ["--web", address]
        } else {
            ["--server", address.trim_start_matches("http://")]
        });
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the example starts")
    };
    let mut child = start("Ada Kern");
    let mut said = BufReader::new(child.stderr.take().expect("a pipe"));
    let mut told = String::new();
    while !told.contains("trying again") {
        assert_ne!(said.read_line(&mut told).expect("text"), 0, "it tries again: {told}");
    }
    line.lead_to_port(if is_web { service.http() } else { service.endpoint() });
    said.read_to_string(&mut told).expect("text");
    let ran = child.wait_with_output().expect("it ends");
    assert!(ran.status.success(), "{program:?}: {told}");
    // Said again, the report is known, and the closing under the same request id is of another order: refused, with why.
    let again = start("Ada Kern").wait_with_output().expect("it ends");
    let refused = String::from_utf8_lossy(&again.stderr);
    assert_eq!(again.status.code(), Some(3), "{refused}");
    assert!(refused.contains("REQUEST_ID_REUSED"), "{refused}");
    let known = lines(&String::from_utf8_lossy(&again.stdout));
    assert_eq!(known[0]["pushed"], "OUTCOME_DUPLICATE", "{known:?}");
    let audit = service.fettler(&["audit", "--output", "csv"]).done();
    assert_eq!(audit.lines().count(), 2, "one closing: {audit}");
    lines(&String::from_utf8_lossy(&ran.stdout))
}

#[test]
fn the_examples_push_pull_and_close_over_a_line_that_fails() {
    let folder = tempfile::tempdir().expect("a folder");
    let (python, typescript) = (folder.path().join("python"), folder.path().join("typescript"));
    fs::create_dir(&python).expect("a folder");
    let python = python_example(&python);
    let typescript = typescript_example(&typescript);
    let first = example(&python, false);
    assert_eq!(first[0]["pushed"], "OUTCOME_ACCEPTED", "{first:?}");
    let due = first[1]["due"].as_array().expect("a list");
    assert!(due[0].as_str().expect("text").contains("Drain the condensate bowl"), "{first:?}");
    assert_eq!(first[2]["heed"], json!(["shut off and bleed the air first"]), "{first:?}");
    assert_eq!(first[3]["closed"], 1, "{first:?}");
    assert_eq!(example(&typescript, false), first, "grpc-js");
    assert_eq!(example(&typescript, true), first, "connect-web");
}

/// The lines for a shell in the document on clients, each from `buf` to its end.
fn shell_lines(text: &str) -> Vec<String> {
    let blocks = text.split("```sh\n").skip(1).filter_map(|rest| rest.split("```").next());
    let joined = blocks.map(|block| block.replace("\\\n", " ")).collect::<String>();
    joined.lines().filter(|line| line.starts_with("buf curl")).map(str::to_owned).collect()
}

#[test]
fn the_lines_for_a_shell_do_what_they_say() {
    let lines = shell_lines(&shop("docs/clients/README.md"));
    assert_eq!(lines.len(), 4, "push, pull, close and one over gRPC-Web: {lines:?}");
    let service = Service::with_shop(&shop("docs/example/shop.toml"));
    let path =
        format!("{}:{}", node_modules().join(".bin").display(), std::env::var("PATH").unwrap_or_default());
    let expected = ["OUTCOME_ACCEPTED", "Top up the way oil", "ORDER_STATE_CLOSED", "Plant room"];
    for (line, expected) in lines.iter().zip(expected) {
        let line = line
            .replace("http://127.0.0.1:7133", service.endpoint())
            .replace("http://127.0.0.1:7134", service.http())
            .replace("--schema proto", &format!("--schema {}", root().join("proto").display()));
        let mut command = Command::new("sh");
        command
            .arg("-c")
            .arg(&line)
            .env("PATH", &path)
            .env("TOKEN", service.token())
            .env("HOME", service.data());
        let ran = languages::run(&mut command, "");
        let said = String::from_utf8_lossy(&ran.stdout).to_string() + &String::from_utf8_lossy(&ran.stderr);
        assert!(
            ran.status.success() && said.to_lowercase().contains(&expected.to_lowercase()),
            "{line}\n{said}"
        );
    }
}
