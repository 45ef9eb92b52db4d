//! A due list that is watched, by real programs: through the one of two services on a database what the other was told, and by the
//! client at a terminal until somebody stops it.

use fettler_pg::Cluster;
use fettler_proto::v1::{
    CloseOrderRequest, LoadShopRequest, RaiseOrderRequest, WatchDueRequest, WatchDueResponse, WatchTold,
};
use fettler_tests::programs::program;
use fettler_tests::service::{Service, connect};
use fettler_tests::terminal::{Then, talk_beside};
use fettler_tests::wire::Wire;
use fettler_tests::year::shop;
use std::io::{BufRead as _, BufReader, Read as _};
use std::process::{Command, Stdio};
use tonic::Streaming;

const SHOP: &str = r#"people = ["Ada Kern"]

[site]
key = "north"
zone = "UTC"

[[machine]]
tag = "L-01"
name = "Lathe one"
"#;

async fn next(stream: &mut Streaming<WatchDueResponse>) -> WatchDueResponse {
    loop {
        let told = stream.message().await.expect("the stream goes on").expect("something is told");
        if told.told() != WatchTold::Unchanged {
            return told;
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_one_service_was_told_is_told_by_the_other_to_those_who_watch() {
    let database = Cluster::shared().empty();
    let services = [(); 2].map(|()| Service::start_with(&["--database", &database]));
    let token = services[0].token();
    let mut wires = Vec::new();
    for service in &services {
        wires.push(Wire::new(connect(service.endpoint()).await.expect("it listens"), &token));
    }
    let load = LoadShopRequest { shop: Some(shop(&["M-01".to_owned()])), ..LoadShopRequest::default() };
    wires[0].shop().load_shop(load).await.expect("the shop loads");
    let mut streams = Vec::new();
    for wire in &wires {
        let mut stream = wire.due().watch_due(WatchDueRequest::default()).await.expect("a list").into_inner();
        assert_eq!(next(&mut stream).await.told(), WatchTold::List);
        streams.push(stream);
    }
    let raise = RaiseOrderRequest {
        machine: "M-01".into(),
        title: "Look for the drip".into(),
        by: "Ada Kern".into(),
        ..RaiseOrderRequest::default()
    };
    let raised = wires[0].orders().raise_order(raise).await.expect("raised").into_inner();
    let order = raised.item.expect("an item").order;
    let mut tokens = Vec::new();
    for stream in &mut streams {
        let told = next(stream).await;
        assert_eq!(told.items.iter().map(|item| item.order).collect::<Vec<_>>(), [order]);
        tokens.push(told.resume_token);
    }
    // Whoever was told by the one goes on at the other.
    for (wire, token) in wires.iter().zip(tokens.iter().rev()) {
        let ask = WatchDueRequest { resume_token: token.clone(), ..WatchDueRequest::default() };
        let mut again = wire.due().watch_due(ask).await.expect("it goes on").into_inner();
        let first = again.message().await.expect("told").expect("a message");
        assert_eq!(first.told(), WatchTold::Unchanged);
    }
    let close = CloseOrderRequest { order, done_by: "Ada Kern".into(), ..CloseOrderRequest::default() };
    wires[1].orders().close_order(close).await.expect("closed");
    for stream in &mut streams {
        let told = next(stream).await;
        assert_eq!(told.left.iter().map(|order| order.number).collect::<Vec<_>>(), [order]);
        assert_eq!(told.left[0].closing.as_ref().map(|closing| closing.done_by.as_str()), Some("Ada Kern"));
    }
}

#[test]
fn the_client_tells_changes_as_they_come_until_it_is_stopped() {
    let service = Service::with_shop(SHOP);
    let mut child = Command::new(program("fettler"))
        .args(["due", "--watch"])
        .env_clear()
        .env("FETTLER_SERVER", service.endpoint())
        .env("FETTLER_DATA", service.data())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the client starts");
    let mut lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
    let mut line_with = |text: &str| {
        let found = lines.by_ref().map(|line| line.expect("a line")).find(|line| line.contains(text));
        found.unwrap_or_else(|| panic!("the client ended without `{text}`"))
    };
    line_with("Nothing is due.");
    service.fettler(&["raise", "L-01", "Look for the drip", "--by", "Ada Kern"]).done();
    let entered = line_with("now listed: Look for the drip, L-01");
    let order = entered.split_whitespace().nth(1).expect("an order").to_owned();
    service.fettler(&["close", &order, "--by", "Ada Kern"]).done();
    line_with(&format!("{order} closed by Ada Kern: Look for the drip, L-01"));
    let told = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(told.expect("kill starts").success());
    let mut said = String::new();
    child.stderr.take().expect("a pipe").read_to_string(&mut said).expect("text");
    assert_eq!((child.wait().expect("it ends").code(), said.as_str()), (Some(130), "fettler: interrupted\n"));
}

/// A terminal's own Ctrl-C: byte 3, by which its line discipline interrupts who reads (POSIX, general terminal interface, VINTR).
const CTRL_C: &str = "\u{3}";

#[test]
fn a_terminal_shows_what_is_told_line_by_line_and_is_left_as_it_was() {
    let service = Service::with_shop(SHOP);
    let raise = ["raise", "L-01", "Look for the drip below the rear guard", "--by", "Ada Kern"];
    let close = ["close", "1", "--by", "Ada Kern"];
    let talk = [
        ("Nothing is due.", Then::Runs(&raise)),
        ("now listed: ", Then::Runs(&close)),
        ("closed by Ada Kern", Then::Types(CTRL_C)),
        ("fettler: interrupted", Then::Waits),
    ];
    let watched =
        talk_beside(&service, (service.endpoint(), &["due", "--watch", "--width", "60"]), &[], &talk);
    assert_eq!(watched.code, 130, "{watched:?}");
    assert!(watched.left, "the terminal's modes are other ones: {watched:?}");
    // Nothing is drawn over: no cursor moved or hidden, no second screen, no pager that would hold changes back.
    let plain = |text: &str| {
        let mut rest = text.to_owned();
        while let Some(at) = rest.find("\u{1b}[") {
            let length = rest[at..].find(|c: char| c.is_ascii_alphabetic() && c != '[').expect("it ends");
            assert!(rest[at..].starts_with("\u{1b}[") && rest[at + length..].starts_with('m'), "{text:?}");
            rest.replace_range(at..=at + length, "");
        }
        rest
    };
    let shown = plain(&watched.shown);
    assert!(!shown.contains(|c: char| c.is_control() && !matches!(c, '\n' | '\r' | '\u{3}')), "{shown:?}");
    for line in shown.lines() {
        assert!(line.chars().count() <= 60, "wider than was asked for: {line}");
    }
    let at = |text: &str| shown.find(text).unwrap_or_else(|| panic!("no `{text}`:\n{shown}"));
    assert!(at("Nothing is due.") < at("now listed:") && at("now listed:") < at("closed by Ada Kern"));
    assert!(shown.trim_end().ends_with("fettler: interrupted"), "{shown}");
}
