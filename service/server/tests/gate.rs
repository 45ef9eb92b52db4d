//! Tokens, deadlines, sizes, health, reflection and the end of the service, at a server on a store that pretends.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::person_service_client::PersonServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use prost_reflect::DescriptorPool;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use support::fake::Fake;
use support::{Server, fields, reason, shift};
use tonic::codec::CompressionEncoding;
use tonic::{Code, Request};
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;
use tonic_health::pb::{HealthCheckRequest, HealthCheckResponse};
use tonic_reflection::pb::{v1 as reflect, v1alpha as reflect_alpha};

fn person(name: &str) -> v1::AddPersonRequest {
    v1::AddPersonRequest { name: name.into(), ..Default::default() }
}

#[tokio::test]
async fn a_call_without_a_token_that_is_known_is_refused_with_the_remedy() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let mut bare = PersonServiceClient::new(server.channel().await);
    let status = bare.add_person(person("Ada Kern")).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::Unauthenticated, "TOKEN_MISSING"));
    assert!(status.message().contains("authorization: Bearer fettler_"), "{status}");

    let other = fettler_server::auth::new_token().unwrap();
    let cut = &server.token[..server.token.len() - 1];
    for (authorization, expect) in [
        (format!("Bearer {other}"), "TOKEN_UNKNOWN"),
        (format!("Bearer {cut}"), "TOKEN_UNKNOWN"),
        ("Bearer something".to_owned(), "TOKEN_UNKNOWN"),
        ("Bearer fettler_".to_owned(), "TOKEN_UNKNOWN"),
        (format!("Basic {}", server.token), "TOKEN_MISSING"),
        (server.token.clone(), "TOKEN_MISSING"),
    ] {
        let mut client = PersonServiceClient::new(server.wire_with(&authorization).await);
        let status = client.add_person(person("Ada Kern")).await.unwrap_err();
        assert_eq!(
            (status.code(), reason(&status).as_str()),
            (Code::Unauthenticated, expect),
            "{authorization}"
        );
        assert!(!status.message().contains(&server.token));
    }
    let mut known = PersonServiceClient::new(server.wire().await);
    known.add_person(person("Ada Kern")).await.unwrap();
}

#[tokio::test]
async fn a_message_over_the_limit_is_answered_with_the_limit_and_the_next_call_is_fine() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let mut client = PersonServiceClient::new(server.wire().await);
    let mut packed = client.clone().send_compressed(CompressionEncoding::Gzip);
    let large = person(&"x".repeat(5 << 20));
    for answer in [client.add_person(large.clone()).await, packed.add_person(large).await] {
        let status = answer.unwrap_err();
        assert_eq!((status.code(), reason(&status).as_str()), (Code::ResourceExhausted, "MESSAGE_TOO_LARGE"));
        assert_eq!(
            status.message(),
            "the message is larger than the limit of 4194304 bytes; send it in smaller parts"
        );
    }
    packed.add_person(person("Ada Kern")).await.unwrap();

    let mut hours = RunHoursServiceClient::new(server.wire().await);
    let large = v1::StreamReportsRequest { site: "x".repeat(5 << 20), ..Default::default() };
    let small = v1::StreamReportsRequest { report: Some(shift("1", "L-03", "7")), ..Default::default() };
    let mut acks = hours.stream_reports(tokio_stream::iter([small, large])).await.unwrap().into_inner();
    assert_eq!(acks.message().await.unwrap().unwrap().sequence, 1, "what came before is acknowledged");
    let status = acks.message().await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::ResourceExhausted, "MESSAGE_TOO_LARGE"));
}

#[tokio::test]
async fn a_deadline_is_answered_as_such_and_the_change_is_finished_all_the_same() {
    let fake = Arc::new(Fake::default());
    let server = Server::start(fake.clone()).await;
    let mut client = PersonServiceClient::new(server.wire().await);
    // The answer comes a tenth of the time before the client would give up by itself.
    let mut request = Request::new(person("Ada Kern"));
    request.metadata_mut().insert("grpc-timeout", "3S".parse().unwrap());
    let status = client.add_person(request).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::DeadlineExceeded, "DEADLINE_PASSED"));
    assert!(fake.people.lock().unwrap().is_empty());
    fake.let_in.add_permits(2);
    client.add_person(person("Ben Holt")).await.unwrap();
    let mut names: Vec<String> = fake.people.lock().unwrap().iter().map(ToString::to_string).collect();
    names.sort_unstable();
    assert_eq!(names, ["Ada Kern", "Ben Holt"]);
}

#[tokio::test]
async fn a_change_is_finished_though_its_caller_left() {
    let fake = Arc::new(Fake::default());
    let mut server = Server::start(fake.clone()).await;
    let mut client = PersonServiceClient::new(server.wire().await);
    let call = tokio::spawn(async move { client.add_person(person("Ada Kern")).await });
    fake.one_waits().await;
    call.abort();
    assert!(call.await.unwrap_err().is_cancelled());
    fake.let_in.add_permits(1);
    // Stopping waits for all work that was begun.
    server.stop();
    server.stopped().await;
    assert_eq!(fake.people.lock().unwrap().len(), 1);
    assert!(fake.is_shut.load(Ordering::SeqCst));
}

#[tokio::test]
async fn a_failing_store_and_bad_request_ids_are_told_in_our_words() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let mut shops = ShopServiceClient::new(server.wire().await);
    let status = shops.get_shop(v1::GetShopRequest::default()).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::Unavailable, "STORE_UNAVAILABLE"));
    assert!(!status.message().contains("pretends"), "the store's own words stay inside: {status}");

    let status = shops.get_shop(v1::GetShopRequest { site: "south".into() }).await.unwrap_err();
    assert_eq!((status.code(), reason(&status).as_str()), (Code::NotFound, "SITE_NOT_FOUND"));

    let mut people = PersonServiceClient::new(server.wire().await);
    let ask = v1::AddPersonRequest { request_id: "17".into(), name: "Ada Kern".into() };
    let status = people.add_person(ask).await.unwrap_err();
    let expect = ("request_id".to_owned(), "`17` is not a UUID; give one, or leave it out".to_owned());
    assert_eq!(fields(&status), [expect]);
}

async fn health(client: &mut HealthClient<tonic::transport::Channel>, service: &str) -> ServingStatus {
    let ask = HealthCheckRequest { service: service.into() };
    client.check(ask).await.expect("health is always answered").into_inner().status()
}

#[tokio::test]
async fn health_is_open_to_all_and_turns_before_the_service_drains() {
    let fake = Arc::new(Fake::default());
    let mut server = Server::start(fake.clone()).await;
    let mut client = HealthClient::new(server.channel().await);
    assert_eq!(health(&mut client, "").await, ServingStatus::Serving);
    for service in fettler_proto::SERVICES {
        assert_eq!(health(&mut client, service).await, ServingStatus::Serving, "{service}");
    }
    let ask = HealthCheckRequest { service: String::new() };
    let mut watch = client.watch(ask).await.unwrap().into_inner();
    let status = async |answer: Option<HealthCheckResponse>| answer.unwrap().status();
    assert_eq!(status(watch.message().await.unwrap()).await, ServingStatus::Serving);

    // A call is under way when the service is told to stop: health turns while it is still being answered.
    let mut people = PersonServiceClient::new(server.wire().await);
    let call = tokio::spawn(async move { people.add_person(person("Ada Kern")).await });
    fake.one_waits().await;
    server.stop();
    assert_eq!(status(watch.message().await.unwrap()).await, ServingStatus::NotServing);
    fake.let_in.add_permits(1);
    call.await.unwrap().unwrap();
    drop(watch);
    server.stopped().await;
}

#[tokio::test]
async fn reflection_knows_every_symbol_in_both_versions() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let channel = server.channel().await;
    let pool = DescriptorPool::decode(fettler_proto::DESCRIPTORS).unwrap();
    let ours = |name: &str| name.starts_with("fettler.v1.");
    let mut symbols: Vec<String> = pool.services().map(|service| service.full_name().to_owned()).collect();
    symbols.extend(
        pool.services().flat_map(|s| s.methods().map(|m| m.full_name().to_owned()).collect::<Vec<_>>()),
    );
    symbols.extend(pool.all_messages().map(|message| message.full_name().to_owned()));
    symbols.extend(pool.all_enums().map(|of| of.full_name().to_owned()));
    symbols.retain(|name| ours(name));
    symbols.push("grpc.health.v1.Health".to_owned());
    assert!(symbols.len() > 100, "{}", symbols.len());

    let asks: Vec<_> = symbols
        .iter()
        .cloned()
        .map(reflect::server_reflection_request::MessageRequest::FileContainingSymbol)
        .collect();
    let asks = asks
        .into_iter()
        .map(|ask| reflect::ServerReflectionRequest { host: String::new(), message_request: Some(ask) });
    let mut client = reflect::server_reflection_client::ServerReflectionClient::new(channel.clone());
    let mut answers = client
        .server_reflection_info(tokio_stream::iter(asks.collect::<Vec<_>>()))
        .await
        .unwrap()
        .into_inner();
    for symbol in &symbols {
        let answer = answers.message().await.unwrap().unwrap().message_response.unwrap();
        let found =
            matches!(answer, reflect::server_reflection_response::MessageResponse::FileDescriptorResponse(_));
        assert!(found, "{symbol}: {answer:?}");
    }

    let asks: Vec<_> = symbols
        .iter()
        .cloned()
        .map(reflect_alpha::server_reflection_request::MessageRequest::FileContainingSymbol)
        .collect();
    let asks = asks.into_iter().map(|ask| reflect_alpha::ServerReflectionRequest {
        host: String::new(),
        message_request: Some(ask),
    });
    let mut client = reflect_alpha::server_reflection_client::ServerReflectionClient::new(channel);
    let mut answers = client
        .server_reflection_info(tokio_stream::iter(asks.collect::<Vec<_>>()))
        .await
        .unwrap()
        .into_inner();
    for symbol in &symbols {
        let answer = answers.message().await.unwrap().unwrap().message_response.unwrap();
        let found = matches!(
            answer,
            reflect_alpha::server_reflection_response::MessageResponse::FileDescriptorResponse(_)
        );
        assert!(found, "{symbol}: {answer:?}");
    }
}

#[tokio::test]
async fn an_unknown_call_and_an_unreadable_message_have_reasons_too() {
    let server = Server::start(Arc::new(Fake::open())).await;
    let mut grpc = tonic::client::Grpc::new(server.wire().await);
    for (path, expect) in [
        ("/fettler.v1.PersonService/NoSuchCall", (Code::Unimplemented, "NO_SUCH_CALL")),
        ("/fettler.v1.NoSuchService/Call", (Code::Unimplemented, "NO_SUCH_CALL")),
        ("/fettler.v1.PersonService/AddPerson", (Code::InvalidArgument, "MESSAGE_UNREADABLE")),
    ] {
        grpc.ready().await.unwrap();
        // A timestamp in the place of a name: field 2 is then a number, which no name is.
        let wrong = prost_types::Timestamp { seconds: 1, nanos: 7 };
        let codec = tonic_prost::ProstCodec::<prost_types::Timestamp, v1::AddPersonResponse>::default();
        let status = grpc.unary(Request::new(wrong), path.parse().unwrap(), codec).await.unwrap_err();
        assert_eq!((status.code(), reason(&status).as_str()), expect, "{path}: {status}");
    }
}

#[tokio::test]
async fn silent_peers_do_not_hold_the_service() {
    let mut server = Server::start(Arc::new(Fake::open())).await;
    let silent = tokio::net::TcpStream::connect(server.address).await.unwrap();
    let mut client = HealthClient::new(server.channel().await);
    assert_eq!(health(&mut client, "").await, ServingStatus::Serving);
    server.stop();
    tokio::time::timeout(Duration::from_secs(10), server.stopped()).await.expect("gone within ten seconds");
    drop(silent);
}

#[tokio::test]
async fn a_store_that_fails_ends_the_service() {
    let fake = Arc::new(Fake::open());
    let mut server = Server::start(fake.clone()).await;
    fake.fails.add_permits(1);
    let error = server.ended().await.unwrap_err();
    assert_eq!(error.to_string(), "the store failed: the disk is full; see to its disk and start again");
    assert!(fake.is_shut.load(Ordering::SeqCst));
}
