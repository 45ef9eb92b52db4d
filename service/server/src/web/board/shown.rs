//! What the board shows: gathered by the calls that anybody makes, and without names for whoever only passes by.

use super::asking::Asker;
use super::requests::Typed;
use super::time::Teller;
use fettler_proto::v1;
use form_urlencoded::Serializer;
use prost_types::Timestamp;
use std::collections::BTreeSet;
use tonic::Status;

/// The most lines of the due list on one page; more follow on the next.
pub(super) const LINES_MAX: i32 = 100;
/// The most machines that are looked at for how old their hours are, and for how they stand before the shift.
const MACHINES_MAX: i32 = 1_000;
/// The most lines of the buy list that are asked for.
const BUY_MAX: i32 = 50;
/// Seconds by which a machine's hours may be older than the newest of the shop, before it is told: a day.
const OLDER_SECONDS: i64 = 86_400;

/// What of the board is asked for.
pub(super) struct View {
    /// The site.
    pub(super) site: v1::Site,
    /// Whether the reader has others, so that an address must name it.
    of_many: bool,
    /// Only this area; empty for all.
    pub(super) area: String,
    /// Where the list goes on; empty at its beginning.
    from: String,
    /// Whether the page stays as it is until it is asked for again.
    pub(super) still: bool,
    /// On a screen on the wall: which of its parts, from 1.
    pub(super) wall: Option<usize>,
}

/// The board.
pub(super) struct Board {
    /// The due list.
    pub(super) list: v1::ListDueResponse,
    /// The round of the shift.
    pub(super) round: v1::GetRoundResponse,
    /// How machines stand before the shift.
    pub(super) ready: Vec<v1::MachineReadiness>,
    /// What will run out, by the day by which to order.
    pub(super) buy: Vec<v1::BuyLine>,
    /// How old the hours are.
    pub(super) hours: Hours,
    /// The areas in which machines stand.
    pub(super) areas: BTreeSet<String>,
    /// Tells times.
    pub(super) teller: Teller,
}

/// How old the hours are of the machines in service.
#[derive(Debug, Default)]
pub(super) struct Hours {
    /// Until when the newest are known.
    pub(super) newest: Option<Timestamp>,
    /// Machines whose hours are much older, the oldest first.
    pub(super) older: Vec<(String, Timestamp)>,
    /// Machines with a meter of which no hours came.
    pub(super) none: Vec<String>,
}

/// The site that was asked for, or the only one.
pub(super) fn chosen<'a>(sites: &'a [v1::Site], key: &str) -> Option<&'a v1::Site> {
    match sites {
        [only] => Some(only),
        many => many.iter().find(|site| site.key == key),
    }
}

impl View {
    /// What an address asks for.
    pub(super) fn of(query: &Typed, site: v1::Site, of_many: bool) -> View {
        View {
            site,
            of_many,
            area: query.get("area").to_owned(),
            from: query.get("from").to_owned(),
            still: query.has("still"),
            wall: query.get("wall").parse().ok().filter(|part| *part > 0),
        }
    }

    /// The address of the board as it stands, with these in the place of what it has.
    pub(super) fn link(&self, instead: &[(&str, &str)]) -> String {
        let wall = self.wall.map(|part| part.to_string()).unwrap_or_default();
        let still = if self.still { "1" } else { "" };
        let site = if self.of_many { self.site.key.as_str() } else { "" };
        let own =
            [("site", site), ("area", &self.area), ("from", &self.from), ("still", still), ("wall", &wall)];
        let now = own.map(|(name, value)| {
            (name, instead.iter().find(|(of, _)| *of == name).map_or(value, |(_, value)| *value))
        });
        let query =
            Serializer::new(String::new()).extend_pairs(now.iter().filter(|(_, v)| !v.is_empty())).finish();
        if query.is_empty() { "/board".to_owned() } else { format!("/board?{query}") }
    }

    /// Whether it is the list's beginning.
    pub(super) fn is_first(&self) -> bool {
        self.from.is_empty()
    }

    /// What is to be gathered, in a text of its own.
    pub(super) fn key(&self) -> String {
        Serializer::new(String::new())
            .extend_pairs([&self.site.key, &self.area, &self.from].map(|part| ("", part)))
            .finish()
    }

    /// The address of an order's page.
    pub(super) fn order(&self, number: i64) -> String {
        let page = format!("/board/order/{number}");
        if self.of_many {
            let query = Serializer::new(String::new()).append_pair("site", &self.site.key).finish();
            return format!("{page}?{query}");
        }
        page
    }
}

/// Gathers the board of a site.
pub(super) async fn gather(asker: &Asker, view: &View, with_names: bool) -> Result<Board, Status> {
    let site = || view.site.key.clone();
    let due = v1::ListDueRequest {
        site: site(),
        area: view.area.clone(),
        page_size: LINES_MAX,
        page_token: view.from.clone(),
        ..Default::default()
    };
    let machines = v1::ListMachinesRequest { site: site(), page_size: MACHINES_MAX, ..Default::default() };
    let ready = v1::ListReadinessRequest { site: site(), page_size: MACHINES_MAX, ..Default::default() };
    let buy = v1::GetBuyListRequest { site: site(), page_size: BUY_MAX, ..Default::default() };
    // What must not start heads every page, and is told with the first.
    let head = v1::ListDueRequest { page_size: 1, page_token: String::new(), ..due.clone() };
    let (mut list, round, ready, buy, machines) = futures::try_join!(
        asker.list_due(due),
        asker.get_round(v1::GetRoundRequest { site: site(), at: None }),
        asker.list_readiness(ready),
        asker.get_buy_list(buy),
        asker.list_machines(machines),
    )?;
    if !view.is_first() {
        let head = asker.list_due(head).await?;
        list.forbidden = head.forbidden;
        list.held_reports = head.held_reports;
        list.stale_rows = head.stale_rows;
        list.stale_since = head.stale_since;
    }
    let teller = Teller::new(&list.zone, list.as_of.as_ref());
    let areas = machines.machines.iter().filter(|machine| machine.state() != v1::MachineState::Retired);
    let mut board = Board {
        areas: areas.map(|machine| machine.area.clone()).filter(|area| !area.is_empty()).collect(),
        hours: Hours::of(&machines.machines),
        list,
        round,
        ready: ready.machines,
        buy: buy.lines,
        teller,
    };
    if !view.area.is_empty() {
        board.ready.retain(|machine| machine.area == view.area);
    }
    if !with_names {
        board.forget_names();
    }
    Ok(board)
}

impl Board {
    /// Leaves out who said something, and what they wrote freely: whoever passes a screen has no business with it.
    fn forget_names(&mut self) {
        for machine in &mut self.list.forbidden {
            machine.by.clear();
        }
        for handover in &mut self.round.handovers {
            handover.by.clear();
            handover.note.clear();
        }
    }
}

impl Hours {
    fn of(machines: &[v1::Machine]) -> Hours {
        let in_service = machines.iter().filter(|machine| machine.state() == v1::MachineState::InService);
        let mut known: Vec<(String, Timestamp)> = Vec::new();
        let mut none = Vec::new();
        for machine in in_service.filter(|machine| !machine.meters.is_empty()) {
            let newest = machine.meters.iter().filter_map(|meter| meter.known_to);
            match newest.max_by_key(|time| (time.seconds, time.nanos)) {
                Some(time) => known.push((machine.tag.clone(), time)),
                None => none.push(machine.tag.clone()),
            }
        }
        known.sort_by_key(|(_, time)| (time.seconds, time.nanos));
        let newest = known.last().map(|(_, time)| *time);
        known.retain(|(_, time)| newest.is_some_and(|newest| newest.seconds - time.seconds > OLDER_SECONDS));
        Hours { newest, older: known, none }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_carries_what_is_asked_and_no_more() {
        let site = v1::Site { key: "north".into(), ..Default::default() };
        let query = Typed::parse(b"area=hall+a&wall=2&token=secret");
        let view = View::of(&query, site.clone(), false);
        assert_eq!(view.link(&[("wall", "3")]), "/board?area=hall+a&wall=3");
        assert_eq!(view.order(7), "/board/order/7");
        let view = View::of(&Typed::default(), site, true);
        assert_eq!(view.link(&[("area", "a&b")]), "/board?site=north&area=a%26b");
        assert_eq!(view.order(7), "/board/order/7?site=north");
    }

    #[test]
    fn hours_much_older_than_the_newest_are_told_and_those_of_machines_that_do_not_run_are_not() {
        let machine = |tag: &str, state: v1::MachineState, known: Option<i64>| v1::Machine {
            tag: tag.into(),
            state: state.into(),
            meters: vec![v1::Meter {
                known_to: known.map(|seconds| Timestamp { seconds, nanos: 0 }),
                ..Default::default()
            }],
            ..Default::default()
        };
        let runs = v1::MachineState::InService;
        let hours = Hours::of(&[
            machine("A", runs, Some(200_000)),
            machine("B", runs, Some(113_600)),
            machine("C", runs, Some(113_599)),
            machine("D", runs, None),
            machine("E", v1::MachineState::Resting, Some(1)),
        ]);
        assert_eq!(hours.newest.map(|time| time.seconds), Some(200_000));
        assert_eq!(hours.older, [("C".to_owned(), Timestamp { seconds: 113_599, nanos: 0 })]);
        assert_eq!(hours.none, ["D"]);
    }
}
