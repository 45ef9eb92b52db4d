//! Callers in other languages: the examples of `docs/clients` as their readers build them, and scripts of calls made by four
//! libraries that share no code with the service's.

use crate::load::raw::Plain;
use crate::oracle::http;
use crate::programs::root;
use crate::service::Service;
use crate::wire::Authorised;
use fettler_proto::DESCRIPTORS;
use prost::Message as _;
use prost::bytes::Bytes;
use prost_reflect::{DescriptorPool, DynamicMessage, MessageDescriptor};
use serde_json::{Value, json};
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::{Code, Request, Status};

/// What to do where something of the other languages is missing.
const REMEDY: &str = "./tests/run --tools installs it";

/// The only call that takes a stream of messages.
pub const STREAM_REPORTS: &str = "RunHoursService/StreamReports";

/// A call of a script: which, what is asked, and the code that answers it.
#[derive(Clone, Debug)]
pub struct Call {
    /// Service and method.
    pub call: String,
    /// What is asked.
    pub ask: Ask,
    /// The code's name.
    pub code: String,
}

/// What a call asks, in the JSON mapping.
#[derive(Clone, Debug)]
pub enum Ask {
    /// A message that one message answers.
    One(Value),
    /// A message or several that a stream answers.
    Stream {
        /// The messages.
        asks: Vec<Value>,
        /// After how many answers the caller leaves. None: it stays to the end.
        first: Option<u64>,
    },
}

impl Call {
    /// As the programs take it.
    fn asked(&self) -> Value {
        match &self.ask {
            Ask::One(ask) => json!({"call": self.call, "ask": ask}),
            Ask::Stream { asks, first } => json!({"call": self.call, "asks": asks, "first": first}),
        }
    }
}

/// A script of calls, one a line, in `tests/data/calls`.
pub fn script(file: &str) -> Vec<Call> {
    let text = fs::read_to_string(root().join("tests/data/calls").join(file)).expect("the script");
    let call = |line: &str| {
        let said: Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        let text = |key: &str| said[key].as_str().unwrap_or_else(|| panic!("{line}: {key}")).to_owned();
        let ask = match said["asks"].as_array() {
            Some(asks) => Ask::Stream { asks: asks.clone(), first: said["first"].as_u64() },
            None => Ask::One(said["ask"].clone()),
        };
        Call { call: text("call"), ask, code: text("code") }
    };
    text.lines().map(call).collect()
}

/// What npm installed.
pub fn node_modules() -> PathBuf {
    let named = std::env::var_os("FETTLER_NODE_MODULES").map(PathBuf::from);
    let found = named.unwrap_or_else(|| {
        let own = std::env::current_exe().expect("the running test has a path");
        let target = own.ancestors().nth(3).expect("a test lies in target/PROFILE/deps");
        target.join("tools/npm/node_modules")
    });
    assert!(found.join(".bin/buf").exists(), "{} has no buf; {REMEDY}", found.display());
    found
}

/// Python with the packages of the tests.
pub fn python() -> String {
    std::env::var("FETTLER_PYTHON").unwrap_or_else(|_| "python3".into())
}

/// Runs a program to its end with a text to read.
pub fn run(command: &mut Command, input: &str) -> Output {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?}: {error}; {REMEDY}"));
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_owned();
    let writer = std::thread::spawn(move || stdin.write_all(input.as_bytes()));
    let output = child.wait_with_output().expect("it ends");
    // One that reads nothing closes the pipe.
    let _ = writer.join().expect("the writer lives");
    output
}

fn done(command: &mut Command, input: &str) -> String {
    let output = run(command, input);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {said}; where something is missing, {REMEDY}");
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// Who makes the calls.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Caller {
    /// The gRPC library of Rust that the client stands on (tonic).
    Rust,
    /// Python's gRPC library (grpcio), on the C core.
    Python,
    /// Node's gRPC library (grpc-js).
    Node,
    /// Connect's for browsers (connect-web), over gRPC-Web.
    Web,
    /// JSON over HTTP, by Python's own HTTP client.
    Json,
}

impl Caller {
    /// All of them.
    pub const ALL: [Caller; 5] = [Caller::Rust, Caller::Python, Caller::Node, Caller::Web, Caller::Json];

    /// What each call is answered: `{"code", "answer"}`, or `{"code", "message", "details"}`; by a stream `{"code", "answers"}`, and where
    /// it ended ill with message and details too.
    pub async fn answers(self, service: &Service, calls: &[Call]) -> Vec<Value> {
        let told = match self {
            Caller::Rust => by_rust(service, calls).await,
            Caller::Json => by_json(service, calls),
            Caller::Python => {
                let begin = json!({"server": address(service), "token": service.token(), "protos": root().join("proto")});
                let mut command = Command::new(python());
                command.arg(root().join("tests/oracle/calls_grpc.py"));
                lines(&done(&mut command, &asked(&begin, calls)))
            }
            Caller::Node => by_node(service, "server", &address(service), calls),
            Caller::Web => by_node(service, "web", service.http(), calls),
        };
        assert_eq!(told.len(), calls.len(), "{self:?} answers each call");
        calls.iter().zip(told).map(|(call, told)| normal(without_place(call, told))).collect()
    }
}

fn address(service: &Service) -> String {
    service.endpoint().trim_start_matches("http://").to_owned()
}

/// What a program is told: how it begins, then a call a line.
fn asked(begin: &Value, calls: &[Call]) -> String {
    let lines: Vec<String> = std::iter::once(begin.clone())
        .chain(calls.iter().map(Call::asked))
        .map(|line| line.to_string())
        .collect();
    lines.join("\n") + "\n"
}

fn lines(text: &str) -> Vec<Value> {
    crate::oracle::lines(text)
}

fn by_node(service: &Service, key: &str, place: &str, calls: &[Call]) -> Vec<Value> {
    let folder = tempfile::tempdir().expect("a folder");
    let own = folder.path().join("fettler.bin");
    let errors = folder.path().join("errors.bin");
    fs::write(&own, DESCRIPTORS).expect("a file");
    fs::write(&errors, tonic_types::pb::FILE_DESCRIPTOR_SET).expect("a file");
    let begin = json!({key: place, "token": service.token(), "descriptors": [own, errors]});
    let mut command = Command::new("node");
    command.arg(root().join("tests/oracle/calls.mjs")).env("FETTLER_NODE_MODULES", node_modules());
    lines(&done(&mut command, &asked(&begin, calls)))
}

fn by_json(service: &Service, calls: &[Call]) -> Vec<Value> {
    let bearer = format!("Bearer {}", service.token());
    let ask = |call: &Call| {
        let (kind, body, lines) = match &call.ask {
            Ask::One(ask) => ("json", ask.to_string(), None),
            Ask::Stream { asks, first } => {
                let body: Vec<String> = asks.iter().map(Value::to_string).collect();
                let kind = if call.call == STREAM_REPORTS { "x-ndjson" } else { "json" };
                (kind, body.join("\n"), *first)
            }
        };
        json!({
            "url": format!("{}/fettler.v1.{}", service.http(), call.call),
            "method": "POST",
            "headers": {"authorization": bearer, "content-type": format!("application/{kind}")},
            "body": body,
            "lines": lines,
        })
    };
    let told = http(&calls.iter().map(ask).collect::<Vec<_>>());
    let read = |(call, told): (&Call, Value)| {
        let body = told["body"].as_str().unwrap_or_else(|| panic!("{}: {told}", call.call));
        let body = lines(body);
        match (&call.ask, told["status"] == 200) {
            (Ask::One(_), true) => json!({"code": 0, "answer": body[0]}),
            (Ask::One(_), false) => body[0].clone(),
            (Ask::Stream { .. }, true) => stream_of_lines(body),
            (Ask::Stream { .. }, false) => with_answers(body[0].clone(), Vec::new()),
        }
    };
    calls.iter().zip(told).map(read).collect()
}

/// The lines of a stream: where it ended ill, the last holds the error.
fn stream_of_lines(mut lines: Vec<Value>) -> Value {
    let error = lines.last().map(|line| line["error"].clone()).filter(|error| !error.is_null());
    if error.is_some() {
        lines.pop();
    }
    with_answers(error.unwrap_or_else(|| json!({"code": 0})), lines)
}

fn with_answers(mut told: Value, answers: Vec<Value>) -> Value {
    told["answers"] = answers.into();
    told
}

/// What tonic is told.
struct ByRust {
    channel: Authorised,
    pool: DescriptorPool,
    /// `google.rpc.Status`.
    refused: MessageDescriptor,
}

async fn by_rust(service: &Service, calls: &[Call]) -> Vec<Value> {
    let errors = DescriptorPool::decode(tonic_types::pb::FILE_DESCRIPTOR_SET).expect("descriptors");
    let caller = ByRust {
        channel: service.wire().await.channel(),
        pool: DescriptorPool::decode(DESCRIPTORS).expect("descriptors"),
        refused: errors.get_message_by_name("google.rpc.Status").expect("a part of them"),
    };
    let mut told = Vec::new();
    for call in calls {
        told.push(caller.told(call).await);
    }
    told
}

impl ByRust {
    async fn told(&self, call: &Call) -> Value {
        let (name, method) = call.call.split_once('/').expect("service and method");
        let service = self.pool.get_service_by_name(&format!("fettler.v1.{name}")).expect("a service");
        let method = service.methods().find(|found| found.name() == method).expect("a method");
        let bytes = |ask: &Value| {
            let asked = DynamicMessage::deserialize(method.input(), ask).expect("a message");
            Bytes::from(asked.encode_to_vec())
        };
        let answer = |bytes: Bytes| json!(DynamicMessage::decode(method.output(), bytes).expect("an answer"));
        let path = PathAndQuery::try_from(format!("/fettler.v1.{}", call.call)).expect("a path");
        let mut grpc = tonic::client::Grpc::new(self.channel.clone());
        grpc.ready().await.expect("the service listens");
        match &call.ask {
            Ask::One(ask) => match grpc.unary(Request::new(bytes(ask)), path, Plain).await {
                Ok(told) => json!({"code": 0, "answer": answer(told.into_inner())}),
                Err(status) => self.refusal(&status),
            },
            Ask::Stream { asks, first } => {
                let asks: Vec<Bytes> = asks.iter().map(bytes).collect();
                let begun = grpc.streaming(Request::new(futures::stream::iter(asks)), path, Plain).await;
                let mut stream = match begun {
                    Ok(begun) => begun.into_inner(),
                    Err(status) => return with_answers(self.refusal(&status), Vec::new()),
                };
                let mut answers = Vec::new();
                while first.is_none_or(|first| (answers.len() as u64) < first) {
                    match stream.message().await {
                        Ok(Some(bytes)) => answers.push(answer(bytes)),
                        Ok(None) => break,
                        Err(status) => return with_answers(self.refusal(&status), answers),
                    }
                }
                with_answers(json!({"code": 0}), answers)
            }
        }
    }

    fn refusal(&self, status: &Status) -> Value {
        let told = DynamicMessage::decode(self.refused.clone(), status.details()).ok();
        let told = told.map(|told| serde_json::to_value(told).expect("JSON")).unwrap_or_default();
        json!({"code": i32::from(status.code()), "message": status.message(), "details": told["details"]})
    }
}

/// The name of an answer's code, as the script spells it.
pub fn code_name(told: &Value) -> String {
    let number: f64 = told["code"].as_str().and_then(|code| code.parse().ok()).expect("a code");
    let code = (0..=16).find(|code| (f64::from(*code) - number).abs() < 0.5).expect("a code of gRPC");
    fettler_proto::code_name(Code::from_i32(code)).to_owned()
}

/// A watch's answer without up to where it told: that names the run of the service.
fn without_place(call: &Call, mut told: Value) -> Value {
    if call.call != "DueService/WatchDue" {
        return told;
    }
    for answer in told["answers"].as_array_mut().into_iter().flatten() {
        let token = answer["resumeToken"].as_str().unwrap_or_default();
        assert!(!token.is_empty(), "a telling that is whole can be resumed: {answer}");
        answer["resumeToken"] = json!("a place");
    }
    told
}

/// An answer without what says the same in two ways, or differs between two services: numbers are written as they come (`1`, `1.0`),
/// and digests hang on salts. Upkeep, which runs beside the calls, is told by three fields of the due list.
fn normal(value: Value) -> Value {
    match value {
        // The reader of JSON here is exact to the last digit but one.
        Value::Number(number) => json!(format!("{:.13e}", number.as_f64().expect("a finite number"))),
        Value::String(text) if text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit()) => {
            json!("digest")
        }
        Value::Array(values) => values.into_iter().map(normal).collect(),
        Value::Object(fields) => {
            let told = fields
                .into_iter()
                .filter(|(key, _)| !["staleRows", "staleSince", "figuresPending"].contains(&key.as_str()));
            Value::Object(told.map(|(key, value)| (key, normal(value))).collect())
        }
        Value::Null | Value::Bool(_) | Value::String(_) => value,
    }
}

/// The example in Python, with what its library makes of the protos, in a folder of its own.
pub fn python_example(folder: &Path) -> Vec<String> {
    let protos = root().join("proto");
    let mut command = Command::new(python());
    command.args(["-m", "grpc_tools.protoc"]).arg(format!("-I{}", protos.display()));
    command.arg(format!("--python_out={}", folder.display()));
    command.arg(format!("--grpc_python_out={}", folder.display()));
    let files = fs::read_dir(protos.join("fettler/v1")).expect("the protos");
    command.args(files.map(|file| file.expect("a file").path()));
    done(&mut command, "");
    fs::copy(root().join("docs/clients/python/shift.py"), folder.join("shift.py")).expect("a copy");
    vec![python(), folder.join("shift.py").display().to_string()]
}

/// The example in TypeScript, generated and compiled in a folder of its own.
pub fn typescript_example(folder: &Path) -> Vec<String> {
    let from = root().join("docs/clients/typescript");
    fs::create_dir_all(folder.join("src")).expect("a folder");
    for file in ["package.json", "tsconfig.json", "buf.gen.yaml"] {
        fs::copy(from.join(file), folder.join(file)).expect("a copy");
    }
    for file in fs::read_dir(from.join("src")).expect("the sources") {
        let file = file.expect("a file");
        fs::copy(file.path(), folder.join("src").join(file.file_name())).expect("a copy");
    }
    google_protos(&folder.join("google"));
    let modules = node_modules();
    std::os::unix::fs::symlink(&modules, folder.join("node_modules")).expect("a link");
    let path = format!("{}:{}", modules.join(".bin").display(), std::env::var("PATH").unwrap_or_default());
    let protos = root().join("proto").display().to_string();
    for words in [&["buf", "generate", &protos][..], &["buf", "generate", "google"], &["tsc"]] {
        let mut command = Command::new(modules.join(".bin").join(words[0]));
        done(command.args(&words[1..]).current_dir(folder).env("PATH", &path).env("HOME", folder), "");
    }
    vec!["node".into(), folder.join("build/src/shift.js").display().to_string()]
}

/// The published protos of errors (google/rpc of googleapis), as Python's package of them carries them.
fn google_protos(to: &Path) {
    let mut command = Command::new(python());
    let ask = "import google.rpc.status_pb2 as s, pathlib; print(pathlib.Path(s.__file__).parent)";
    let from = PathBuf::from(done(command.args(["-c", ask]), "").trim());
    let to = to.join("google/rpc");
    fs::create_dir_all(&to).expect("a folder");
    for file in ["status.proto", "error_details.proto"] {
        fs::copy(from.join(file), to.join(file)).expect("a copy");
    }
}
