//! What other systems book: a closing with what was used, its undoing, and two things to buy.

use super::service::Mock;
use fettler_proto::v1::{self as pb, outbound_service_server::OutboundService};
use tonic::{Request, Response, Status};

fn at(seconds: i64) -> prost_types::Timestamp {
    prost_types::Timestamp { seconds: 1_795_582_800 + seconds, nanos: 0 }
}

fn entries() -> Vec<pb::OutboundEntry> {
    let oil = pb::OutboundUse {
        item: "way oil VG 68".into(),
        code: "4711".into(),
        quantity: "2".into(),
        unit: "L".into(),
        lots: vec![pb::LotUse { lot: "A-17".into(), quantity: "2".into() }],
        unit_cost: "7.35".into(),
        cost: "14.7".into(),
    };
    let cloth = pb::OutboundUse { item: "cloth".into(), quantity: "3".into(), ..Default::default() };
    let counted = pb::OutboundMeter {
        meter: "operating".into(),
        counted: "402.5".into(),
        unit: pb::Unit::Hours.into(),
        known_to: Some(at(0)),
    };
    let work = pb::OutboundWork {
        order: 1042,
        closing: 7,
        entry: 311,
        machine: "L-03".into(),
        task: "way-oil".into(),
        title: "Fill the way oil".into(),
        done_at: Some(at(0)),
        done_day: "2026-11-25".into(),
        done_by: "Ada Kern".into(),
        entered_at: Some(at(60)),
        entered_by: "Ada Kern".into(),
        as_found: pb::AsFound::Good.into(),
        minutes: 12,
        meters: vec![counted],
        used: vec![oil, cloth],
        ..Default::default()
    };
    let buy = pb::OutboundBuy {
        item: "way oil VG 68".into(),
        code: "4711".into(),
        unit: "L".into(),
        verdict: pb::BuyVerdict::Order.into(),
        quantity: "20".into(),
        packs: 1,
        order_by_day: "2026-12-01".into(),
        arrives_day: "2026-12-08".into(),
        why: "22 L needed by 2027-02-24, 9 on the shelf, runs out on 2026-12-20".into(),
        unit_cost: "7.35".into(),
        cost: "147".into(),
        ..Default::default()
    };
    let entry = |number: i64, kind: pb::OutboundKind| pb::OutboundEntry {
        number,
        id: format!("north/1/{number}"),
        kind: kind.into(),
        told_at: Some(at(90)),
        ..Default::default()
    };
    let undone = pb::OutboundWork {
        undone_at: Some(at(70)),
        undone_by: "Ben Holt".into(),
        entry: 315,
        ..work.clone()
    };
    let no_more = pb::OutboundBuy { item: "cloth".into(), quantity: "0".into(), ..Default::default() };
    vec![
        pb::OutboundEntry { work: Some(work), ..entry(5, pb::OutboundKind::Closed) },
        pb::OutboundEntry { work: Some(undone), reverses: 5, ..entry(6, pb::OutboundKind::Undone) },
        pb::OutboundEntry { buy: Some(buy), ..entry(7, pb::OutboundKind::Buy) },
        pb::OutboundEntry { buy: Some(no_more), ..entry(9, pb::OutboundKind::BuyNoMore) },
    ]
}

#[tonic::async_trait]
impl OutboundService for Mock {
    async fn get_outbound(
        &self,
        request: Request<pb::GetOutboundRequest>,
    ) -> Result<Response<pb::GetOutboundResponse>, Status> {
        let entries = if request.get_ref().after == 0 { entries() } else { Vec::new() };
        let through = entries.last().map_or(request.get_ref().after, |entry| entry.number);
        let zone = "Europe/Berlin".into();
        Ok(Response::new(pb::GetOutboundResponse { entries, through, more: false, zone }))
    }

    async fn acknowledge_outbound(
        &self,
        request: Request<pb::AcknowledgeOutboundRequest>,
    ) -> Result<Response<pb::AcknowledgeOutboundResponse>, Status> {
        self.change(request.get_ref())
    }
}
