//! A due list that is watched: a first stream that breaks off after a change, and a second that ends for good.

use fettler_proto::v1 as pb;
use std::pin::Pin;
use tokio_stream::Stream;
use tonic::Status;

/// What a stream tells.
pub(crate) type Tellings = Pin<Box<dyn Stream<Item = Result<pb::WatchDueResponse, Status>> + Send>>;

/// The stream that belongs to a request.
pub(super) fn told(request: &pb::WatchDueRequest, item: fn(i64) -> pb::DueItem) -> Tellings {
    let message = |told: pb::WatchTold, token: &str| pb::WatchDueResponse {
        told: told.into(),
        resume_token: token.into(),
        site: "north".into(),
        site_name: "North hall".into(),
        zone: "Europe/Berlin".into(),
        shop_day: "2026-11-25".into(),
        as_of: Some(prost_types::Timestamp { seconds: 1_795_582_800, nanos: 0 }),
        ..Default::default()
    };
    let head = Some(pb::DueHead::default());
    let messages = if request.resume_token.is_empty() {
        let first = pb::WatchDueResponse {
            goes_on: true,
            head,
            items: vec![item(1042)],
            ..message(pb::WatchTold::List, "")
        };
        let last = pb::WatchDueResponse { items: vec![item(1043)], ..message(pb::WatchTold::List, "whole") };
        let order = pb::Order {
            number: 1042,
            state: pb::OrderState::Closed.into(),
            machine: "L-03".into(),
            title: "Drain the condensate bowl".into(),
            closing: Some(pb::Closing { done_by: "Ada Kern".into(), ..Default::default() }),
            ..Default::default()
        };
        let change =
            pb::WatchDueResponse { left: vec![order], ..message(pb::WatchTold::Changes, "one later") };
        vec![Ok(first), Ok(last), Ok(change), Err(Status::unavailable("the service is stopping"))]
    } else {
        let text = format!("the token `{}` was taken back", request.resume_token);
        let still = message(pb::WatchTold::Unchanged, "two later");
        let change = pb::WatchDueResponse {
            items: vec![item(1044)],
            ..message(pb::WatchTold::Changes, "three later")
        };
        vec![Ok(still), Ok(change), Err(Status::unauthenticated(text))]
    };
    Box::pin(tokio_stream::iter(messages))
}
