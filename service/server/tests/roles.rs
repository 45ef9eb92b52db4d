//! Who may do what: every call by every role, at its own site, at another and at one that is not there, and by whoever has no
//! token that is taken. The table is stated here by itself, and not read from the service's own.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::time::Ts;
use fettler_proto::v1::{
    due_service_client::DueServiceClient, journal_service_client::JournalServiceClient,
    run_hours_service_client::RunHoursServiceClient, shop_service_client::ShopServiceClient,
};
use fettler_proto::{DESCRIPTORS, Method, v1};
use fettler_server::auth::{Doorkeeper, hash, new_token};
use fettler_server::clock::HandClock;
use fettler_server::limits::STREAMS_AT_ONCE;
use fettler_store::contract::{Caller, NewToken, Store, Tokens as _};
use prost_reflect::{DescriptorPool, DynamicMessage, Value};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};
use support::fake::Fake;
use support::{NOW, Server, Wire, reason};
use tempfile::TempDir;
use tonic::{Code, Request, Status};
use tonic_types::StatusExt as _;

/// A call, a request without its site, the code that answers it where it is let in, and the roles that are: Reporter,
/// Technician, Planner, Manager. An administrator always is.
const TABLE: &[(&str, &str, Code, &str)] = &[
    ("GetInstallation", "{}", Code::Ok, "RTPM"),
    ("ListSites", "{}", Code::Ok, "RTPM"),
    ("GetShop", "{}", Code::Ok, "TPM"),
    ("LoadShop", r#"{"shop": {"site": {"zone": "UTC"}}, "validateOnly": true}"#, Code::Ok, "P"),
    (
        "StateLastDone",
        r#"{"lastDone": [{"machine": "none", "task": "none", "day": "2026-03-01"}]}"#,
        Code::InvalidArgument,
        "P",
    ),
    ("ListMachines", "{}", Code::Ok, "TPM"),
    ("GetMachine", r#"{"machine": "none"}"#, Code::NotFound, "TPM"),
    ("ForbidMachine", r#"{"machine": "none", "by": "Ada", "reason": "door"}"#, Code::NotFound, "TPM"),
    ("ReturnMachine", r#"{"machine": "none", "by": "Ada", "reason": "door"}"#, Code::NotFound, "TPM"),
    ("RestMachine", r#"{"machine": "none", "by": "Ada", "reason": "door"}"#, Code::NotFound, "P"),
    ("RetireMachine", r#"{"machine": "none", "by": "Ada", "reason": "door"}"#, Code::NotFound, "P"),
    ("ListPeople", "{}", Code::Ok, "TPM"),
    ("AddPerson", r#"{"name": "Ada"}"#, Code::Ok, "PM"),
    ("SetPin", r#"{"name": "Ada"}"#, Code::InvalidArgument, "TM"),
    ("ErasePerson", r#"{"name": "Nobody", "by": "Ada"}"#, Code::InvalidArgument, ""),
    ("PushReport", "{}", Code::Ok, "RT"),
    ("PushReports", r#"{"reports": [{}]}"#, Code::Ok, "R"),
    ("StreamReports", "{}", Code::Ok, "R"),
    ("ListReports", "{}", Code::Ok, "RTPM"),
    ("ListHeldReports", "{}", Code::Ok, "RTPM"),
    ("GetMeter", r#"{"machine": "none"}"#, Code::NotFound, "RTPM"),
    (
        "SettleReport",
        r#"{"report": {"source": "erp", "reportId": "r"}, "settlement": "SETTLEMENT_DROP", "by": "Ada"}"#,
        Code::NotFound,
        "M",
    ),
    (
        "BookAdjustment",
        r#"{"machine": "none", "amount": "1", "by": "Ada", "note": "gap"}"#,
        Code::NotFound,
        "M",
    ),
    ("ReplaceCounter", r#"{"machine": "none", "closingValue": "1", "by": "Ada"}"#, Code::NotFound, "TP"),
    (
        "PlanUse",
        r#"{"machine": "none", "from": "2026-12-01T00:00:00Z", "until": "2026-12-02T00:00:00Z"}"#,
        Code::NotFound,
        "RP",
    ),
    ("ListPlannedUse", "{}", Code::Ok, "RTPM"),
    ("ListDue", "{}", Code::Ok, "TPM"),
    ("ExplainOrder", r#"{"order": "999"}"#, Code::NotFound, "TPM"),
    ("LookAhead", r#"{"until": "2026-12-24"}"#, Code::Ok, "TPM"),
    ("WatchDue", "{}", Code::Ok, "TPM"),
    ("GetDueCalendar", "{}", Code::Ok, "TPM"),
    ("AddDueCalendar", r#"{"name": "wall", "secretSha256": "00"}"#, Code::InvalidArgument, "PM"),
    ("ListDueCalendars", "{}", Code::Ok, "PM"),
    ("RevokeDueCalendar", r#"{"number": "999"}"#, Code::NotFound, "PM"),
    ("ListOrders", "{}", Code::Ok, "TPM"),
    ("GetOrder", r#"{"order": "999"}"#, Code::NotFound, "TPM"),
    ("RaiseOrder", r#"{"machine": "none", "title": "Look", "by": "Ada"}"#, Code::NotFound, "TPM"),
    ("CloseOrder", r#"{"order": "999", "doneBy": "Ada"}"#, Code::NotFound, "T"),
    ("SkipOrder", r#"{"order": "999", "by": "Ada", "reason": "no oil"}"#, Code::NotFound, "TM"),
    ("UndoClosing", r#"{"order": "999", "by": "Ada", "reason": "typo"}"#, Code::NotFound, "TM"),
    ("ListReadings", "{}", Code::Ok, "TPM"),
    ("ExplainPoint", r#"{"machine": "none", "point": "p"}"#, Code::NotFound, "TPM"),
    (
        "TakeReadings",
        r#"{"readings": [{"machine": "none", "point": "p", "value": "1", "by": "Ada"}]}"#,
        Code::Ok,
        "T",
    ),
    ("WithdrawReading", r#"{"entry": "999", "by": "Ada", "reason": "typo"}"#, Code::NotFound, "TM"),
    ("GetRound", "{}", Code::Ok, "TPM"),
    ("ListChecks", "{}", Code::Ok, "TPM"),
    (
        "RecordChecks",
        r#"{"machine": "none", "by": "Ada", "answers": [{"check": "air"}]}"#,
        Code::NotFound,
        "T",
    ),
    ("EndRound", r#"{"by": "Ada"}"#, Code::Ok, "T"),
    ("AcknowledgeHandover", r#"{"handover": "999", "by": "Ada"}"#, Code::NotFound, "T"),
    ("ListReadiness", "{}", Code::Ok, "TPM"),
    ("ListHandovers", "{}", Code::Ok, "TPM"),
    ("GetFluidRecord", r#"{"machine": "none"}"#, Code::NotFound, "TPM"),
    (
        "RecordFluid",
        r#"{"said": {"machine": "none", "reservoir": "sump", "act": 1, "fluid": "oil", "litres": "1", "by": "Ada"}}"#,
        Code::NotFound,
        "TP",
    ),
    ("WithdrawIssue", r#"{"entry": "999", "by": "Ada", "reason": "typo"}"#, Code::NotFound, "TPM"),
    ("WithdrawFluid", r#"{"entry": "999", "by": "Ada", "reason": "typo"}"#, Code::NotFound, "TPM"),
    ("ListStock", "{}", Code::Ok, "RTPM"),
    ("GetBuyList", "{}", Code::Ok, "RTPM"),
    ("ReceiveStock", r#"{"item": "none", "quantity": "1"}"#, Code::NotFound, "RTP"),
    ("CountStock", r#"{"item": "none", "quantity": "1", "by": "Ada"}"#, Code::NotFound, "TP"),
    ("IssueStock", r#"{"item": "none", "quantity": "1", "by": "Ada"}"#, Code::NotFound, "TP"),
    ("RecordPurchase", r#"{"item": "none", "quantity": "1"}"#, Code::NotFound, "RP"),
    ("CancelPurchase", r#"{"item": "none", "purchase": "1"}"#, Code::NotFound, "RP"),
    ("GetOutbound", "{}", Code::Ok, "RP"),
    ("AcknowledgeOutbound", r#"{"reader": "erp", "through": "999"}"#, Code::InvalidArgument, "RP"),
    ("ListAdvice", "{}", Code::Ok, "PM"),
    ("GetAdvice", r#"{"machine": "none", "task": "none"}"#, Code::NotFound, "PM"),
    (
        "AnswerAdvice",
        r#"{"machine": "none", "task": "none", "answer": "ADVICE_ANSWER_DECLINE", "interval": "9", "by": "Ada"}"#,
        Code::NotFound,
        "M",
    ),
    ("GetFigures", r#"{"fromDay": "2026-03-01", "untilDay": "2026-03-31"}"#, Code::Ok, "PM"),
    ("ExportClosings", "{}", Code::Ok, "M"),
    ("ListEntries", "{}", Code::Ok, "M"),
    ("GetJournalHead", "{}", Code::Ok, "M"),
    ("GetCheckpoint", "{}", Code::FailedPrecondition, "M"),
    ("ListCheckpoints", "{}", Code::Ok, "M"),
    ("GetConsistency", r#"{"oldSize": "0", "newSize": "0"}"#, Code::Ok, "M"),
    ("GetInclusion", r#"{"order": "999"}"#, Code::NotFound, "M"),
    ("ListLeaves", "{}", Code::Ok, "M"),
];

/// Calls that concern no site.
const OF_NO_SITE: &[&str] =
    &["GetInstallation", "ListSites", "ListPeople", "AddPerson", "SetPin", "ErasePerson"];

/// Of these, calls that are only for tokens of the whole installation.
const OF_THE_WHOLE: &[&str] = &["ErasePerson"];

/// A shop with two sites and tokens.
struct Shop {
    server: Server,
    store: Arc<dyn Store>,
    pool: DescriptorPool,
    _folder: TempDir,
}

impl Shop {
    async fn open() -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let location = folder.path().join("shop.db").display().to_string();
        let store = fettler_store::open(&location).await.unwrap();
        let pool = DescriptorPool::decode(DESCRIPTORS).unwrap();
        let server = Server::start(store.clone()).await;
        let shop = Shop { server, store, pool, _folder: folder };
        let admin = shop.server.wire().await;
        for key in ["north", "south"] {
            let text = r#"{"shop": {"site": {"zone": "UTC"}, "people": ["Ada"]}}"#;
            shop.call(&admin, "LoadShop", text, key).await.unwrap();
        }
        shop
    }

    fn method(&self, name: &str) -> prost_reflect::MethodDescriptor {
        let mut methods = self.pool.services().flat_map(|service| service.methods().collect::<Vec<_>>());
        methods
            .find(|method| method.name() == name && method.parent_service().package_name() == "fettler.v1")
            .unwrap()
    }

    /// Calls by name, with a request in JSON and a site put into it.
    async fn call(&self, wire: &Wire, name: &str, text: &str, site: &str) -> Result<(), Status> {
        let method = self.method(name);
        let mut json = serde_json::Deserializer::from_str(text);
        let mut message = DynamicMessage::deserialize(method.input(), &mut json).unwrap();
        let key = Value::String(site.to_owned());
        if name == "LoadShop" {
            let shop = message.get_field_by_name_mut("shop").unwrap().as_message_mut().unwrap();
            shop.get_field_by_name_mut("site")
                .unwrap()
                .as_message_mut()
                .unwrap()
                .set_field_by_name("key", key);
        } else if !OF_NO_SITE.contains(&name) {
            message.set_field_by_name("site", key);
        }
        let path = format!("/{}/{name}", method.parent_service().full_name()).parse().unwrap();
        let mut grpc = tonic::client::Grpc::new(wire.clone());
        grpc.ready().await.unwrap();
        let codec = tonic_prost::ProstCodec::<DynamicMessage, ()>::default();
        if !method.is_server_streaming() {
            return grpc.unary(Request::new(message), path, codec).await.map(drop);
        }
        // Some streams end when their caller leaves; the first message tells whether one is let in.
        let mut answers = grpc.server_streaming(Request::new(message), path, codec).await?.into_inner();
        answers.message().await.map(drop)
    }

    async fn token(&self, access: Access, expires_at: Option<Ts>) -> (String, fettler_domain::ids::TokenId) {
        let token = new_token().unwrap();
        let new = NewToken {
            name: "test".into(),
            hash: hash(&token),
            access,
            expires_at,
            person: None,
            identity: None,
        };
        let record = self.store.add_token(&caller(), &new).await.unwrap();
        (token, record.token)
    }

    async fn wire(&self, access: Access) -> Wire {
        let (token, _) = self.token(access, None).await;
        self.server.wire_with(&format!("Bearer {token}")).await
    }

    async fn north(&self) -> Scope {
        Scope::Sites(BTreeSet::from([self.store.site("north").await.unwrap().unwrap().site]))
    }
}

fn caller() -> Caller {
    Caller { token: None, method: "Test", request: None, now: NOW, person: None, as_manager: true }
}

fn letter(role: Role) -> char {
    match role {
        Role::Reporter => 'R',
        Role::Technician => 'T',
        Role::Planner => 'P',
        Role::Manager => 'M',
        Role::Admin => 'A',
    }
}

/// What a cell of the matrix states: the code, and for a refusal its reason.
fn stated(row: &(&str, &str, Code, &str), role: Role, is_whole: bool, site: &str) -> (Code, &'static str) {
    let (name, _, code, letters) = row;
    if role != Role::Admin && !letters.contains(letter(role)) {
        return (Code::PermissionDenied, "ROLE_MISSING");
    }
    if OF_THE_WHOLE.contains(name) && !is_whole {
        return (Code::PermissionDenied, "SITE_NOT_YOURS");
    }
    if OF_NO_SITE.contains(name) || site == "north" {
        return (*code, "");
    }
    match (is_whole, site) {
        (false, _) => (Code::PermissionDenied, "SITE_NOT_YOURS"),
        (true, "nowhere") if *name != "LoadShop" => (Code::NotFound, "SITE_NOT_FOUND"),
        (true, _) => (*code, ""),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn every_cell_of_the_matrix_is_as_it_is_stated() {
    let shop = Shop::open().await;
    let mut cells = 0;
    let mut wrong = Vec::new();
    for role in Role::ALL {
        for is_whole in [false, true] {
            let scope = if is_whole { Scope::Installation } else { shop.north().await };
            let wire = shop.wire(Access::new([role], scope).unwrap()).await;
            for row in TABLE {
                for site in ["north", "south", "nowhere"] {
                    let answer = shop.call(&wire, row.0, row.1, site).await;
                    let status = answer.err().unwrap_or_else(|| Status::new(Code::Ok, ""));
                    let (code, why) = stated(row, role, is_whole, site);
                    if status.code() != code || (!why.is_empty() && reason(&status) != why) {
                        wrong.push(format!(
                            "{} by {role} ({is_whole}) at {site}: {status:?}, not {code:?} {why}",
                            row.0
                        ));
                    }
                    cells += 1;
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(cells, Method::ALL.len() * 5 * 2 * 3);
}

#[test]
fn every_call_has_its_row() {
    let stated: BTreeSet<&str> = TABLE.iter().map(|row| row.0).collect();
    let known: BTreeSet<&str> = Method::ALL.iter().map(|method| method.name()).collect();
    assert_eq!(stated, known);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn whoever_has_no_token_that_is_taken_is_let_into_nothing() {
    let shop = Shop::open().await;
    let (expired, _) = shop.token(Access::admin(), Some(NOW)).await;
    let (revoked, number) = shop.token(Access::admin(), None).await;
    shop.store.revoke_token(&caller(), number).await.unwrap();
    let garbled = format!("{}x", &shop.server.token[..shop.server.token.len() - 1]);
    for (authorization, why) in [
        (String::new(), "TOKEN_MISSING"),
        ("Basic YTpi".into(), "TOKEN_MISSING"),
        ("Bearer secret".into(), "TOKEN_UNKNOWN"),
        (format!("Bearer {}", new_token().unwrap()), "TOKEN_UNKNOWN"),
        (format!("Bearer {garbled}"), "TOKEN_UNKNOWN"),
        (format!("Bearer {expired}"), "TOKEN_EXPIRED"),
        (format!("Bearer {revoked}"), "TOKEN_REVOKED"),
    ] {
        let wire = shop.server.wire_with(&authorization).await;
        for row in TABLE {
            let status = shop.call(&wire, row.0, row.1, "north").await.unwrap_err();
            assert_eq!((status.code(), reason(&status).as_str()), (Code::Unauthenticated, why), "{}", row.0);
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_token_of_one_site_sees_that_site_alone_and_need_not_name_it() {
    let shop = Shop::open().await;
    let access = Access::new([Role::Manager, Role::Technician], shop.north().await).unwrap();
    let wire = shop.wire(access).await;
    let mut sites = ShopServiceClient::new(wire.clone());
    let seen = sites.list_sites(v1::ListSitesRequest {}).await.unwrap().into_inner().sites;
    assert_eq!(seen.iter().map(|site| site.key.as_str()).collect::<Vec<_>>(), ["north"]);
    let mut due = DueServiceClient::new(wire.clone());
    assert_eq!(due.list_due(v1::ListDueRequest::default()).await.unwrap().into_inner().site, "north");
    let mut journal = JournalServiceClient::new(wire);
    let ask = v1::GetJournalHeadRequest { site: "installation".into() };
    assert_eq!(reason(&journal.get_journal_head(ask).await.unwrap_err()), "SITE_NOT_YOURS");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_stream_ends_when_its_token_is_taken_back() {
    let shop = Shop::open().await;
    let (token, number) = shop.token(Access::new([Role::Reporter], Scope::Installation).unwrap(), None).await;
    let mut hours = RunHoursServiceClient::new(shop.server.wire_with(&format!("Bearer {token}")).await);
    let (reports, sent) = tokio::sync::mpsc::channel(1);
    let report = |n: u32| v1::StreamReportsRequest {
        site: "north".into(),
        report: Some(support::shift(&format!("r-{n}"), "none", "7")),
        ..Default::default()
    };
    reports.send(report(0)).await.unwrap();
    let mut acks =
        hours.stream_reports(tokio_stream::wrappers::ReceiverStream::new(sent)).await.unwrap().into_inner();
    acks.message().await.unwrap().unwrap();
    shop.store.revoke_token(&caller(), number).await.unwrap();
    // What was remembered of it holds for a second more at most; each report waits for its answer.
    let (mut n, begun) = (0, Instant::now());
    let ended = loop {
        assert!(begun.elapsed() < Duration::from_secs(10), "it is still taken");
        n += 1;
        let _ = reports.send(report(n)).await;
        match acks.message().await {
            Ok(ack) => assert!(ack.is_some(), "the stream ended well"),
            Err(status) => break status,
        }
    };
    assert_eq!((ended.code(), reason(&ended).as_str()), (Code::Unauthenticated, "TOKEN_REVOKED"));
}

#[tokio::test]
async fn a_token_is_looked_up_once_a_second_at_most() {
    let fake = Arc::new(Fake::open());
    let token = new_token().unwrap();
    fake.add_token(&caller(), &NewToken::admin("admin", hash(&token))).await.unwrap();
    let keeper = Arc::new(Doorkeeper::new(fake.clone(), Arc::new(HandClock::new(NOW))));
    let authorization = format!("Bearer {token}");
    let start = Instant::now();
    let looked_up = async |millis| {
        keeper.admit_at(Some(&authorization), start + Duration::from_millis(millis)).await.unwrap();
        fake.looked_up.load(Ordering::SeqCst)
    };
    for millis in 0..1_000 {
        assert_eq!(looked_up(millis).await, 1, "{millis}");
    }
    assert_eq!((looked_up(1_000).await, looked_up(1_999).await, looked_up(2_000).await), (2, 2, 3));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_token_has_so_many_streams_at_once_and_is_told_the_limit() {
    let shop = Shop::open().await;
    let hours = RunHoursServiceClient::new(shop.server.wire().await);
    let open = async || {
        let (reports, sent) = tokio::sync::mpsc::channel::<v1::StreamReportsRequest>(1);
        let stream = tokio_stream::wrappers::ReceiverStream::new(sent);
        hours.clone().stream_reports(stream).await.map(|answer| (reports, answer.into_inner()))
    };
    let mut streams = Vec::new();
    for _ in 0..STREAMS_AT_ONCE {
        streams.push(open().await.unwrap());
    }
    let refused = open().await.map(drop).unwrap_err();
    assert_eq!((refused.code(), reason(&refused).as_str()), (Code::ResourceExhausted, "LIMIT_REACHED"));
    let metadata = refused.get_error_details().error_info().unwrap().metadata.clone();
    assert_eq!((metadata["limit"].as_str(), metadata["most"].as_str()), ("streams_at_once", "32"));
    // One that has ended makes room, once the service has seen its end.
    let (reports, mut acks) = streams.pop().unwrap();
    drop(reports);
    assert!(acks.message().await.unwrap().is_none());
    drop(acks);
    let begun = Instant::now();
    while let Err(refused) = open().await {
        assert_eq!(reason(&refused), "LIMIT_REACHED");
        assert!(begun.elapsed() < Duration::from_secs(10), "no room is made");
    }
}
