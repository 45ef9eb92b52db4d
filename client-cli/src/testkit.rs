//! Messages of an invented shop that several tests share.

use crate::times;
use fettler_proto::v1 as pb;
use prost_types::Timestamp;

/// An instant from RFC 3339.
#[expect(clippy::unnecessary_wraps, reason = "fields of messages are optional")]
pub(crate) fn at(text: &str) -> Option<Timestamp> {
    Some(times::to_wire(times::absolute(text).unwrap()))
}

/// A due list with every section and every kind of due point.
pub(crate) fn due_list() -> pb::ListDueResponse {
    pb::ListDueResponse {
        site: "north".into(),
        site_name: "North hall".into(),
        zone: "Europe/Berlin".into(),
        shop_day: "2026-11-25".into(),
        as_of: at("2026-11-25T05:02:00Z"),
        forbidden: vec![pb::Machine {
            tag: "M-07".into(),
            name: "Five-axis mill".into(),
            area: "Hall B".into(),
            state: pb::MachineState::Forbidden.into(),
            since: at("2026-11-23T13:10:00Z"),
            reason: "the interlock of the rear door does not hold; it opens while the spindle turns".into(),
            by: "Ada Kern".into(),
            ..Default::default()
        }],
        items: items(),
        held_reports: 3,
        stale_rows: 12,
        stale_since: "2026-11-24".into(),
        figures_pending: true,
        next_page_token: String::new(),
    }
}

fn items() -> Vec<pb::DueItem> {
    vec![crossed(), calendar(), expected(), raised(), while_stopped(), never_recorded()]
}

/// An order whose hours were crossed, with a hazard, a kit and a long title.
pub(crate) fn crossed() -> pb::DueItem {
    pb::DueItem {
        order: 1042,
        section: pb::DueSection::Dated.into(),
        machine: "L-03".into(),
        machine_name: "Lathe three".into(),
        area: "Hall A".into(),
        task: "drain-bowl".into(),
        title: "Drain the condensate bowl and clean the element's seat before it is refitted".into(),
        place: "behind the left cover, below the regulator, second bowl from the wall".into(),
        due: at("2026-11-17T12:20:00Z"),
        due_day: "2026-11-17".into(),
        kind: pb::DueKind::Crossed.into(),
        late_from: at("2026-11-16T05:00:00Z"),
        when: "9 days late".into(),
        late: true,
        clauses: vec![
            pb::ClauseStanding {
                clause: "every 400 h operating".into(),
                due: at("2026-11-17T12:20:00Z"),
                kind: pb::DueKind::Crossed.into(),
                threshold: "2112.5".into(),
                counted: "402.5".into(),
                interval: "400".into(),
                unit: pb::Unit::Hours.into(),
                base: "closing 1031 of 3 Nov".into(),
                known_to: at("2026-11-24T21:00:00Z"),
                governs: true,
                text: "402.5 of 400 h since 3 Nov, crossed Tuesday 13:20".into(),
                ..Default::default()
            },
            pb::ClauseStanding {
                clause: "every 30 days".into(),
                due: at("2026-12-03T05:00:00Z"),
                kind: pb::DueKind::Calendar.into(),
                interval: "30".into(),
                base: "closing 1031 of 3 Nov".into(),
                text: "30 days after 3 Nov, Thu 3 Dec".into(),
                ..Default::default()
            },
        ],
        why: "402.5 of 400 h since 3 Nov, crossed Tuesday 13:20".into(),
        kit: vec![
            pb::KitItem {
                item: "bowl gasket".into(),
                quantity: "1".into(),
                unit: "pcs".into(),
                ..Default::default()
            },
            pb::KitItem {
                item: "way oil VG 68".into(),
                quantity: "0.5".into(),
                unit: "L".into(),
                ..Default::default()
            },
        ],
        minutes: 20,
        hazard: true,
        cautions: vec!["shut off and bleed the air first".into(), "wear eye protection".into()],
        readings: vec!["p-air".into()],
        ..Default::default()
    }
}

fn calendar() -> pb::DueItem {
    pb::DueItem {
        order: 1050,
        section: pb::DueSection::Dated.into(),
        machine: "M-02".into(),
        machine_name: "M-02".into(),
        area: "Hall B".into(),
        task: "coolant".into(),
        title: "Check the coolant's strength".into(),
        place: "sump, right side".into(),
        due: at("2026-11-25T05:00:00Z"),
        due_day: "2026-11-25".into(),
        kind: pb::DueKind::Calendar.into(),
        when: "due today".into(),
        why: "7 days after 18 Nov".into(),
        readings: vec!["conc".into(), "ph".into()],
        cautions: vec!["gloves".into()],
        ..Default::default()
    }
}

fn expected() -> pb::DueItem {
    pb::DueItem {
        order: 1061,
        section: pb::DueSection::Dated.into(),
        machine: "L-03".into(),
        machine_name: "Lathe three".into(),
        area: "Hall A".into(),
        task: "filter".into(),
        title: "Change the air filter element".into(),
        due: at("2026-11-27T10:00:00Z"),
        due_day: "2026-11-27".into(),
        kind: pb::DueKind::Expected.into(),
        p10: at("2026-11-26T08:00:00Z"),
        p50: at("2026-11-27T10:00:00Z"),
        p90: at("2026-11-30T10:00:00Z"),
        when: "may be done now".into(),
        why: "expected Fri 27 Nov, between Thu and Mon; hours known to Tuesday 22:00".into(),
        covered_by: 1042,
        ..Default::default()
    }
}

fn raised() -> pb::DueItem {
    pb::DueItem {
        order: 1070,
        section: pb::DueSection::Dated.into(),
        machine: "C-01".into(),
        machine_name: "Compressor".into(),
        title: "Look for the oil drip".into(),
        due: at("2026-11-24T05:00:00Z"),
        due_day: "2026-11-24".into(),
        kind: pb::DueKind::Raised.into(),
        when: "1 day late".into(),
        late: true,
        hazard: true,
        why: "raised by Ben Holt on 24 Nov".into(),
        ..Default::default()
    }
}

fn while_stopped() -> pb::DueItem {
    pb::DueItem {
        order: 1080,
        section: pb::DueSection::WhileStopped.into(),
        machine: "M-07".into(),
        machine_name: "Five-axis mill".into(),
        area: "Hall B".into(),
        task: "way-oil".into(),
        title: "Top up the way oil".into(),
        due: at("2026-11-30T05:00:00Z"),
        due_day: "2026-11-30".into(),
        kind: pb::DueKind::Calendar.into(),
        when: "may be done now".into(),
        why: "30 days after 31 Oct".into(),
        kit: vec![pb::KitItem {
            item: "way oil VG 68".into(),
            quantity: "2".into(),
            unit: "L".into(),
            ..Default::default()
        }],
        minutes: 10,
        ..Default::default()
    }
}

fn never_recorded() -> pb::DueItem {
    pb::DueItem {
        order: 1090,
        section: pb::DueSection::NeverRecorded.into(),
        machine: "G-01".into(),
        machine_name: "Surface grinder".into(),
        area: "Hall A".into(),
        task: "belt".into(),
        title: "Check the belt's tension".into(),
        kind: pb::DueKind::Unknown.into(),
        when: "never recorded".into(),
        why: "no closing and no stated day".into(),
        ..Default::default()
    }
}
