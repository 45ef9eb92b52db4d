//! The HTTP port: health, every call in JSON beside the same call over gRPC, streams as lines, and gRPC-Web.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_proto::v1;
use fettler_proto::{DESCRIPTORS, Method};
use prost::Message as _;
use prost_reflect::{DescriptorPool, DynamicMessage, MethodDescriptor};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;
use support::fake::Fake;
use support::web::{Open, Told, ask};
use support::{Server, Wire};
use tonic::{Request, Status};

const JSON: (&str, &str) = ("content-type", "application/json");
const LINES: (&str, &str) = ("content-type", "application/x-ndjson");
const SHOP: &str = r#"{"shop": {"site": {"key": "north", "zone": "Europe/Berlin"}, "people": ["Ada"],
    "machines": [{"tag": "L-1", "area": "hall", "meters": [{"key": "h", "kind": "METER_KIND_OPERATING"}]}]}}"#;

impl Server {
    fn bearer(&self) -> String {
        format!("Bearer {}", self.token)
    }

    /// Makes a call in JSON with the token.
    async fn json(&self, path: &str, text: &str) -> Told {
        let bearer = self.bearer();
        ask(self.http, "POST", path, &[JSON, ("authorization", &bearer)], text.as_bytes()).await
    }
}

fn path(method: &MethodDescriptor) -> String {
    format!("/{}/{}", method.parent_service().full_name(), method.name())
}

fn methods() -> Vec<MethodDescriptor> {
    let pool = DescriptorPool::decode(DESCRIPTORS).unwrap();
    let all = pool.services().flat_map(|service| service.methods().collect::<Vec<_>>());
    all.filter(|method| Method::from_path(&path(method)).is_some()).collect()
}

/// The same call over gRPC.
async fn grpc(wire: &Wire, method: &MethodDescriptor, text: &str) -> Result<DynamicMessage, Status> {
    let mut reader = serde_json::Deserializer::from_str(text);
    let message = DynamicMessage::deserialize(method.input(), &mut reader).unwrap();
    let mut grpc = tonic::client::Grpc::new(wire.clone());
    grpc.ready().await.unwrap();
    // The answer is read as bytes of the one field that every message can be read as.
    let codec = tonic_prost::ProstCodec::<DynamicMessage, Raw>::default();
    let raw = grpc.unary(Request::new(message), path(method).parse().unwrap(), codec).await?.into_inner();
    Ok(DynamicMessage::decode(method.output(), &raw.0[..]).unwrap())
}

/// The bytes of a message, whatever it is.
#[derive(Debug, Default)]
struct Raw(Vec<u8>);

impl prost::Message for Raw {
    fn encode_raw(&self, _: &mut impl prost::bytes::BufMut) {}
    fn merge_field(
        &mut self,
        _: u32,
        _: prost::encoding::WireType,
        _: &mut impl prost::bytes::Buf,
        _: prost::encoding::DecodeContext,
    ) -> Result<(), prost::DecodeError> {
        Ok(())
    }
    fn encoded_len(&self) -> usize {
        0
    }
    fn clear(&mut self) {}
    fn decode(mut bytes: impl prost::bytes::Buf) -> Result<Raw, prost::DecodeError> {
        Ok(Raw(bytes.copy_to_bytes(bytes.remaining()).to_vec()))
    }
}

/// What an error says, by its details as gRPC sends them.
fn told(status: &Status) -> Value {
    let pool = DescriptorPool::decode(tonic_types::pb::FILE_DESCRIPTOR_SET).unwrap();
    let kind = pool.get_message_by_name("google.rpc.Status").unwrap();
    serde_json::to_value(DynamicMessage::decode(kind, status.details()).unwrap()).unwrap()
}

#[tokio::test]
async fn every_call_that_is_no_stream_answers_in_json_what_it_answers_over_grpc() {
    let (server, wire, _folder) = Server::on_a_file().await;
    assert_eq!(server.json("/fettler.v1.ShopService/LoadShop", SHOP).await.status, 200);
    let asked = [
        ("ListMachines", "{}"),
        ("GetMachine", r#"{"machine": "L-1"}"#),
        ("GetMachine", r#"{"machine": "L-9"}"#),
        ("GetMachine", r#"{"site": "south", "machine": "L-1"}"#),
        ("GetMeter", r#"{"machine": "L-1", "meter": "h"}"#),
        ("ListDue", r#"{"until": "2026-12-31", "pageSize": 5}"#),
        ("ListDue", r#"{"until": "never", "pageSize": -1, "pageToken": "x"}"#),
        ("CloseOrder", r#"{"order": "7", "doneBy": "Ada"}"#),
        ("AddPerson", r#"{"requestId": "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e", "name": "Ben"}"#),
        ("AddPerson", r#"{"requestId": "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e", "name": "Cem"}"#),
        ("PushReports", r#"{"reports": [{}, {"source": "erp", "reportId": "r", "machine": "L-1"}]}"#),
    ];
    let methods = methods();
    let bare = methods.iter().map(|method| (method.name(), "{}"));
    let (mut well, mut ill) = (0, 0);
    for (name, text) in asked.into_iter().chain(bare) {
        let method = methods.iter().find(|method| method.name() == name).unwrap();
        if method.is_server_streaming() {
            continue;
        }
        let there = grpc(&wire, method, text).await;
        let here = server.json(&path(method), text).await;
        match there {
            Ok(message) => {
                assert_eq!(
                    (here.status, here.json()),
                    (200, serde_json::to_value(&message).unwrap()),
                    "{name}"
                );
                well += 1;
            }
            Err(status) => {
                assert_eq!(here.json(), told(&status), "{name}");
                assert!(here.status >= 400 && !here.reason().is_empty(), "{name}: {here:?}");
                ill += 1;
            }
        }
        assert_eq!(here.headers["content-type"], "application/json");
    }
    assert!(well >= 20 && ill >= 30 && well + ill == methods.len() - 3 + 11, "{well} {ill}");
}

#[tokio::test]
async fn what_is_wrong_with_a_call_is_told_by_number_and_reason() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let bearer = server.bearer();
    let token = ("authorization", bearer.as_str());
    let list = "/fettler.v1.PersonService/ListPeople";
    let large = vec![b' '; (4 << 20) + 1];
    let gzip = ("content-encoding", "gzip");
    let lines = "/fettler.v1.RunHoursService/StreamReports";
    for (method, path, headers, body, number, reason) in [
        ("POST", list, &[JSON][..], &b"{}"[..], 401, "TOKEN_MISSING"),
        ("POST", list, &[JSON, ("authorization", "Bearer fettler_x")], b"{}", 401, "TOKEN_UNKNOWN"),
        // Whoever is not let in is not told what is wrong with the body, for nobody reads it.
        ("POST", list, &[JSON], &large, 401, "TOKEN_MISSING"),
        ("POST", list, &[JSON, token], &large, 413, "MESSAGE_TOO_LARGE"),
        ("POST", list, &[JSON, token], b"{\"site\": 1}", 400, "MESSAGE_UNREADABLE"),
        ("POST", list, &[JSON, token, gzip], b"{}", 415, "FORM_NOT_TAKEN"),
        ("POST", list, &[("content-type", "text/plain"), token], b"{}", 415, "FORM_NOT_TAKEN"),
        ("POST", list, &[token], b"{}", 415, "FORM_NOT_TAKEN"),
        ("POST", lines, &[JSON, token], b"{}", 415, "FORM_NOT_TAKEN"),
        ("GET", list, &[token], b"", 405, "NO_SUCH_CALL"),
        ("POST", "/fettler.v1.PersonService/ListDogs", &[JSON, token], b"{}", 404, "NO_SUCH_CALL"),
        ("GET", "/nowhere", &[], b"", 404, "NO_SUCH_CALL"),
    ] {
        let told = ask(server.http, method, path, headers, body).await;
        assert_eq!((told.status, told.reason().as_str()), (number, reason), "{method} {path} {told:?}");
        assert_eq!(told.headers.contains_key("www-authenticate"), number == 401);
        assert_eq!(told.headers.contains_key("allow"), number == 405);
        assert_eq!(told.headers["x-content-type-options"], "nosniff");
    }
    let kind = ("content-type", "Application/JSON; charset=utf-8");
    // The store in memory knows no lists; what matters is that it was asked.
    let told = ask(server.http, "POST", list, &[kind, token], b"").await;
    assert_eq!((told.status, told.reason().as_str()), (503, "STORE_UNAVAILABLE"));
}

#[tokio::test]
async fn a_stream_of_lines_is_answered_line_by_line() {
    let (server, _wire, _folder) = Server::on_a_file().await;
    server.json("/fettler.v1.ShopService/LoadShop", SHOP).await;
    let line = |id: &str| {
        let report = json!({"source": "erp", "reportId": id, "machine": "L-1",
            "interval": {"start": "2026-11-25T05:00:00Z", "end": "2026-11-25T09:00:00Z", "amount": "3.5", "unit": "UNIT_HOURS"}});
        format!("{}\n", json!({"report": report}))
    };
    let bearer = server.bearer();
    let headers = [LINES, ("authorization", bearer.as_str())];
    let mut open = Open::begin(server.http, "/fettler.v1.RunHoursService/StreamReports", &headers).await;
    // The first line comes in two parts; its answer comes before anything else is sent.
    let first = line("r-1");
    open.part(&first.as_bytes()[..20]).await;
    open.part(&first.as_bytes()[20..]).await;
    let head = open.answer().await;
    assert_eq!((head.status, head.headers["content-type"].as_str()), (200, "application/x-ndjson"));
    let ack: Value = serde_json::from_slice(&open.chunk().await).unwrap();
    assert_eq!(
        (&ack["sequence"], &ack["acknowledgement"]["outcome"]),
        (&json!("1"), &json!("OUTCOME_ACCEPTED"))
    );
    open.part(format!("\n{}", line("r-1")).as_bytes()).await;
    let ack: Value = serde_json::from_slice(&open.chunk().await).unwrap();
    assert_eq!(ack["acknowledgement"]["outcome"], "OUTCOME_DUPLICATE");
    // A line that cannot be read is refused by its number, blank ones counted, and the stream goes on.
    open.part(b"\n{\"rapport\": 1}\n").await;
    let ack: Value = serde_json::from_slice(&open.chunk().await).unwrap();
    assert_eq!(
        (&ack["sequence"], &ack["acknowledgement"]["outcome"]),
        (&json!("3"), &json!("OUTCOME_REFUSED"))
    );
    let problem = &ack["acknowledgement"]["problems"][0];
    assert_eq!(problem["field"], "line 5", "{ack}");
    assert!(problem["text"].as_str().unwrap().starts_with("rapport: is no field"), "{ack}");
    open.part(line("r-1").as_bytes()).await;
    let ack: Value = serde_json::from_slice(&open.chunk().await).unwrap();
    assert_eq!(
        (&ack["sequence"], &ack["acknowledgement"]["outcome"]),
        (&json!("4"), &json!("OUTCOME_DUPLICATE"))
    );

    // What one sends at once, without an end of the last line, is answered as well.
    let all = format!("{}{}", line("r-2"), line("r-3").trim_end());
    let told =
        ask(server.http, "POST", "/fettler.v1.RunHoursService/StreamReports", &headers, all.as_bytes()).await;
    assert_eq!(told.text().lines().count(), 2);

    let told = server.json("/fettler.v1.AuditService/ExportClosings", "{}").await;
    assert_eq!((told.status, told.headers["content-type"].as_str()), (200, "application/x-ndjson"));
    let told = server.json("/fettler.v1.AuditService/ExportClosings", r#"{"site": "south"}"#).await;
    assert_eq!((told.status, told.reason().as_str()), (404, "SITE_NOT_FOUND"));
}

#[tokio::test]
async fn a_page_in_a_browser_calls_by_grpc_web() {
    let (server, _wire, _folder) = Server::on_a_file().await;
    let bearer = server.bearer();
    let request = v1::AddPersonRequest { name: "Ada".into(), ..Default::default() }.encode_to_vec();
    let frame = [&[0, 0, 0, 0, u8::try_from(request.len()).unwrap()], &request[..]].concat();
    let headers = [("content-type", "application/grpc-web+proto"), ("authorization", bearer.as_str())];
    let told = ask(server.http, "POST", "/fettler.v1.PersonService/AddPerson", &headers, &frame).await;
    assert_eq!((told.status, told.headers["content-type"].as_str()), (200, "application/grpc-web+proto"));
    let length = usize::from(told.body[4]);
    let answer = v1::AddPersonResponse::decode(&told.body[5..5 + length]).unwrap();
    assert_eq!(answer.person.unwrap().name, "Ada");
    // The trailers follow as a frame of their own (gRPC-Web protocol: the highest bit of its first byte is set).
    let trailers = &told.body[5 + length..];
    assert_eq!(trailers[0], 0x80);
    assert!(String::from_utf8_lossy(&trailers[5..]).contains("grpc-status:0"), "{trailers:?}");
    let told = ask(server.http, "POST", "/fettler.v1.PersonService/AddPerson", &headers[..1], &frame).await;
    assert_eq!(told.headers["grpc-status"], "16");
}

#[tokio::test]
async fn a_service_that_stops_says_so_until_its_calls_have_ended() {
    let fake = Arc::new(Fake::default());
    let mut server = Server::start(fake.clone()).await;
    for (path, text) in [("/live", "live\n"), ("/ready", "ready\n")] {
        let told = ask(server.http, "GET", path, &[], b"").await;
        assert_eq!((told.status, told.text().as_str()), (200, text));
    }
    // A call over HTTP is under way when the service is told to stop; nobody is connected over gRPC.
    let (http, bearer) = (server.http, server.bearer());
    let call = tokio::spawn(async move {
        let headers = [JSON, ("authorization", bearer.as_str())];
        ask(http, "POST", "/fettler.v1.PersonService/AddPerson", &headers, b"{\"name\": \"Ada\"}").await
    });
    fake.one_waits().await;
    server.stop();
    let ready = loop {
        let told = ask(http, "GET", "/ready", &[], b"").await;
        if told.status != 200 {
            break told;
        }
    };
    assert_eq!((ready.status, ready.text().as_str()), (503, "stopping\n"));
    let told = server.json("/fettler.v1.PersonService/ListPeople", "{}").await;
    assert_eq!((told.status, told.reason().as_str()), (503, "STOPPING"));
    assert_eq!(told.headers["retry-after"], "1");
    assert_eq!(ask(http, "GET", "/live", &[], b"").await.status, 200);
    fake.let_in.add_permits(1);
    assert_eq!(call.await.unwrap().json()["person"]["name"], "Ada");
    server.stopped().await;
    assert!(tokio::net::TcpStream::connect(http).await.is_err(), "nobody listens any more");
}

#[tokio::test]
async fn a_service_whose_store_does_not_answer_lives_and_is_not_ready() {
    let fake = Arc::new(Fake::open());
    fake.is_away.store(true, std::sync::atomic::Ordering::SeqCst);
    let server = Server::start(fake).await;
    let told = ask(server.http, "GET", "/ready", &[], b"").await;
    assert_eq!((told.status, told.text().as_str()), (503, "the store does not answer\n"));
    assert_eq!(ask(server.http, "GET", "/live", &[], b"").await.status, 200);
    // Figures of calls are told all the same.
    let told = ask(server.http, "GET", "/metrics", &[], b"").await;
    assert_eq!((told.status, &*told.headers["cache-control"]), (200, "no-store"));
    assert!(told.text().contains("\nfettler_figures_failures_total 1\n"), "{}", told.text());
}

#[tokio::test]
async fn silent_peers_do_not_hold_the_service() {
    let mut server = Server::start(Arc::new(Fake::open())).await;
    let silent = tokio::net::TcpStream::connect(server.http).await.unwrap();
    assert_eq!(ask(server.http, "GET", "/live", &[], b"").await.status, 200);
    server.stop();
    tokio::time::timeout(Duration::from_secs(10), server.stopped()).await.expect("gone within ten seconds");
    drop(silent);
}
