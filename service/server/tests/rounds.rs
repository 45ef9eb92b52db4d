//! Rounds, call by call, at a server on a real store.

mod support;

use fettler_proto::v1;
use fettler_proto::v1::round_service_client::RoundServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use prost_types::Timestamp;
use support::{NOW, Server, Wire, fields, reason};
use tempfile::TempDir;
use tonic::Code;

struct Shop {
    server: Server,
    wire: Wire,
    _folder: TempDir,
}

/// Two lathes in two halls, walked early and late from Monday to Friday; the server's time is Wednesday 10:00 there.
fn declared() -> v1::Shop {
    let shift = |key: &str, starts: &str, ends: &str| v1::Shift {
        key: key.into(),
        days: ["mon", "tue", "wed", "thu", "fri"].map(str::to_owned).to_vec(),
        starts: starts.into(),
        ends: ends.into(),
    };
    let check = |key: &str, every: v1::Cadence| v1::CheckCard {
        key: key.into(),
        every: every.into(),
        ..Default::default()
    };
    let air = v1::CheckCard { point: "p-air".into(), ..check("air", v1::Cadence::Shift) };
    let point = v1::TestPoint {
        key: "p-air".into(),
        unit: "bar".into(),
        act_below: "5.5".into(),
        possible_from: "0".into(),
        possible_to: "16".into(),
        ..Default::default()
    };
    let machine = |tag: &str, area: &str| v1::MachineCard {
        tag: tag.into(),
        area: area.into(),
        points: vec![point.clone()],
        checks: vec![air.clone(), check("leaks", v1::Cadence::Shift), check("day", v1::Cadence::Day)],
        ..Default::default()
    };
    v1::Shop {
        site: Some(v1::Site {
            key: "north".into(),
            zone: "Europe/Berlin".into(),
            shifts: vec![shift("early", "06:00", "14:00"), shift("late", "14:00", "22:00")],
            ..Default::default()
        }),
        people: vec!["Ada Kern".into(), "Ben Holt".into()],
        machines: vec![machine("L-01", "hall a"), machine("L-02", "hall b")],
        ..Default::default()
    }
}

impl Shop {
    async fn open() -> Shop {
        let (server, wire, folder) = Server::on_a_file().await;
        let ask = v1::LoadShopRequest { shop: Some(declared()), ..Default::default() };
        ShopServiceClient::new(wire.clone()).load_shop(ask).await.expect("the shop is as it should be");
        Shop { server, wire, _folder: folder }
    }

    fn rounds(&self) -> RoundServiceClient<Wire> {
        RoundServiceClient::new(self.wire.clone())
    }

    async fn head(&self) -> v1::GetRoundResponse {
        let ask = v1::GetRoundRequest::default();
        self.rounds().get_round(ask).await.expect("a round").into_inner()
    }

    async fn say(&self, answers: Vec<v1::CheckSaid>) -> v1::RecordChecksResponse {
        let ask = v1::RecordChecksRequest {
            machine: "L-01".into(),
            by: "Ada Kern".into(),
            answers,
            ..Default::default()
        };
        self.rounds().record_checks(ask).await.expect("recorded").into_inner()
    }
}

fn said(check: &str) -> v1::CheckSaid {
    v1::CheckSaid { check: check.into(), ..Default::default() }
}

fn stamp(seconds_from_now: i64) -> Timestamp {
    Timestamp { seconds: NOW.0 / 1_000_000 + seconds_from_now, nanos: 0 }
}

#[tokio::test]
async fn the_round_of_the_shift_is_shown_walked_and_shown_again() {
    let shop = Shop::open().await;
    let head = shop.head().await;
    let round = head.round.clone().expect("a round");
    assert_eq!((round.shift.as_str(), round.shop_day.as_str()), ("early", "2026-11-25"));
    assert_eq!((head.due, head.done, head.machines, head.zone.as_str()), (6, 0, 2, "Europe/Berlin"));
    let recorded = shop.say(vec![v1::CheckSaid { value: "6.1".into(), ..said("air") }, said("leaks")]).await;
    assert_eq!(recorded.round, head.round);
    assert!(recorded.recorded.iter().all(|of| of.outcome() == v1::CheckOutcome::Recorded), "{recorded:?}");
    let head = shop.head().await;
    let areas: Vec<(&str, i32, i32)> =
        head.areas.iter().map(|area| (area.area.as_str(), area.done, area.due)).collect();
    assert_eq!(areas, [("hall a", 2, 3), ("hall b", 0, 3)]);
    let ask = v1::ListChecksRequest { page_size: 1, ..Default::default() };
    let first = shop.rounds().list_checks(ask.clone()).await.expect("a page").into_inner();
    let of = &first.machines[0];
    assert_eq!((of.machine.as_str(), of.checks.len()), ("L-01", 3));
    assert_eq!(of.checks[0].state(), v1::CheckState::Good);
    assert_eq!(of.checks[0].point.as_ref().map(|point| point.act_below.as_str()), Some("5.5"));
    assert_eq!(of.checks[0].answer.as_ref().map(|answer| answer.by.as_str()), Some("Ada Kern"));
    let ask = v1::ListChecksRequest { page_token: first.next_page_token, ..ask };
    let second = shop.rounds().list_checks(ask).await.expect("a page").into_inner();
    assert_eq!((second.machines[0].machine.as_str(), second.next_page_token.as_str()), ("L-02", ""));
    let ask = v1::ListChecksRequest { only_open: true, machine: "L-01".into(), ..Default::default() };
    let open = shop.rounds().list_checks(ask).await.expect("a page").into_inner();
    assert_eq!(open.machines[0].checks.len(), 1);
}

#[tokio::test]
async fn the_next_shift_sees_what_was_missed_and_handed_over() {
    let shop = Shop::open().await;
    let recorded = shop.say(vec![v1::CheckSaid { finding: "oil".into(), ..said("leaks") }]).await;
    assert!(recorded.recorded[0].order > 0);
    let start = recorded.round.and_then(|round| round.shift_start);
    // Ten minutes before two: the late shift's round may be walked, and the early shift's is handed over.
    shop.server.clock.move_to(fettler_domain::time::Ts(NOW.0 + 3 * 3_600_000_000 + 3_000_000_000));
    let end =
        v1::EndRoundRequest { by: "Ada Kern".into(), note: "mind the oil".into(), ..Default::default() };
    let handover = shop.rounds().end_round(end).await.expect("ended").into_inner().handover.expect("one");
    assert_eq!((handover.due, handover.done, handover.left_open.len()), (6, 1, 5));
    assert_eq!(handover.round.map(|round| round.shift).as_deref(), Some("early"));
    let head = shop.head().await;
    assert_eq!(head.round.as_ref().map(|round| round.shift.as_str()), Some("late"));
    assert_eq!((head.due, head.handovers.len()), (4, 1), "the day's check belongs to the first shift");
    assert_eq!(
        (head.handovers[0].note.as_str(), head.handovers[0].by.as_str()),
        ("mind the oil", "Ada Kern")
    );
    // Once the early shift is over, what nobody answered was missed.
    shop.server.clock.move_to(fettler_domain::time::Ts(NOW.0 + 5 * 3_600_000_000));
    let ask = v1::ListChecksRequest { at: start, machine: "L-02".into(), ..Default::default() };
    let list = shop.rounds().list_checks(ask).await.expect("a page").into_inner();
    assert!(list.machines[0].checks.iter().all(|check| check.state() == v1::CheckState::Missed));
    let late = v1::RecordChecksRequest {
        machine: "L-02".into(),
        by: "Ben Holt".into(),
        shift_start: start,
        answers: vec![v1::CheckSaid { at: Some(stamp(0)), ..said("leaks") }],
        ..Default::default()
    };
    let late = shop.rounds().record_checks(late).await.expect("never too late").into_inner();
    assert_eq!(late.round.and_then(|round| round.shift_start), start);
    let read = v1::AcknowledgeHandoverRequest {
        handover: handover.handover,
        by: "Ben Holt".into(),
        ..Default::default()
    };
    let read = shop.rounds().acknowledge_handover(read).await.expect("read").into_inner();
    assert_eq!(read.handover.map(|handover| handover.acknowledged_by).as_deref(), Some("Ben Holt"));
    assert!(shop.head().await.handovers.is_empty());
}

#[tokio::test]
async fn what_cannot_be_taken_is_told_field_by_field() {
    let shop = Shop::open().await;
    let ask = v1::RecordChecksRequest {
        request_id: String::new(),
        machine: String::new(),
        answers: vec![
            v1::CheckSaid { value: "six".into(), ..said("air") },
            v1::CheckSaid { at: Some(stamp(3_600)), ..said("air") },
            v1::CheckSaid { finding: "x".repeat(401), ..said("") },
        ],
        ..Default::default()
    };
    let status = shop.rounds().record_checks(ask).await.expect_err("refused");
    assert_eq!(status.code(), Code::InvalidArgument);
    let told: Vec<String> = fields(&status).into_iter().map(|(field, _)| field).collect();
    for field in [
        "machine",
        "by",
        "answers[0].value",
        "answers[1].at",
        "answers[1].check",
        "answers[2].check",
        "answers[2].finding",
    ] {
        assert!(told.iter().any(|found| found == field), "{field} in {told:?}");
    }
    let none =
        v1::RecordChecksRequest { machine: "L-01".into(), by: "Ada Kern".into(), ..Default::default() };
    let status = shop.rounds().record_checks(none).await.expect_err("refused");
    assert_eq!(fields(&status)[0].0, "answers");
    for (missing, ask) in [
        ("MACHINE_NOT_FOUND", v1::ListChecksRequest { machine: "L-99".into(), ..Default::default() }),
        ("AREA_NOT_FOUND", v1::ListChecksRequest { area: "hall z".into(), ..Default::default() }),
    ] {
        let status = shop.rounds().list_checks(ask).await.expect_err("refused");
        assert_eq!((status.code(), reason(&status).as_str()), (Code::NotFound, missing));
    }
    let nowhere = v1::RecordChecksRequest {
        machine: "L-99".into(),
        by: "Ada Kern".into(),
        answers: vec![said("air")],
        ..Default::default()
    };
    let status = shop.rounds().record_checks(nowhere).await.expect_err("refused");
    assert_eq!((status.code(), reason(&status).as_str()), (Code::NotFound, "MACHINE_NOT_FOUND"));
    let slip = shop.say(vec![v1::CheckSaid { value: "61".into(), ..said("air") }]).await;
    assert_eq!(slip.recorded[0].outcome(), v1::CheckOutcome::AskedBack);
    assert!(slip.recorded[0].questions[0].text.contains("16"), "{slip:?}");
    let unread = v1::AcknowledgeHandoverRequest { handover: 9, by: "Ada Kern".into(), ..Default::default() };
    let status = shop.rounds().acknowledge_handover(unread).await.expect_err("refused");
    assert_eq!((status.code(), reason(&status).as_str()), (Code::NotFound, "HANDOVER_NOT_FOUND"));
}
