//! Random operations on both engines at once: the same answers, the same refusals, the same lists, and journals that are
//! equal leaf for leaf but for the salts of what is sealed.

use crate::shuffle::Random;
use crate::year::shop;
use fettler_domain::ids::{OrderNumber, SiteId};
use fettler_domain::ledger::report::{Content, Received, ReportId, Statement};
use fettler_domain::ledger::row::Settlement;
use fettler_domain::order::{AsFound, ClosingSaid, Confirmed, OrderState, RaiseSaid, ReadingSaid};
use fettler_domain::planned::{Intent, Period, ShiftSaid};
use fettler_domain::quantity::{Amount, Unit};
use fettler_domain::reading::{Limits, Possible, ReadingTold, Taker, Value};
use fettler_domain::rule::model::{Cycle, Level, Model};
use fettler_domain::rule::{Combine, Recurrence};
use fettler_domain::shop::{ClauseCard, Declaration, PointCard, RuleCard, TaskCard};
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, ShopDay, Ts};
use fettler_store::contract::{
    Caller, DueFilter, DuePart, EntryFilter, JournalHead, MachineMove, OrderFilter, PageAsk, PlanSaid,
    PlannedFilter, ReadingFilter, ReportFilter, Store, Withdrawal,
};
use std::fmt::Debug;
use std::sync::Arc;

/// Machines of the shop.
const MACHINES: usize = 6;
/// Tasks of a machine: those of the year's shop, one that waits for readings, and one by a recurrence rule.
const TASKS: usize = 8;
/// Ids from which a source takes its reports: few, so that they meet again.
const IDS: usize = 150;
/// Rows of a page: few, so that there are several pages.
const PAGE: u32 = 40;
/// Of so many operations one compares all lists.
const LOOK_EVERY: usize = 25;

/// One shop on two engines.
pub struct Pair {
    stores: [Arc<dyn Store>; 2],
    site: SiteId,
    now: Ts,
    random: Random,
    declared: Declaration,
    orders: usize,
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn foreign(text: &str) -> ForeignName {
    ForeignName::new(text).expect("a name")
}

/// Each day from 4 March 2013 on, so many times.
fn daily(count: usize) -> RuleCard {
    let from = ShopDay("2013-03-04".parse().expect("a day"));
    let recurrence = Recurrence::new(&format!("FREQ=DAILY;COUNT={count}"), from).expect("a rule");
    let clauses = vec![ClauseCard::Recurrence(recurrence)];
    RuleCard { clauses, combine: Combine::Earliest, window: None, keep_closed_days: false }
}

/// A reservoir whose level is read at a point in per cent of the way between its marks.
fn drawn_from(point: &Key) -> ClauseCard {
    let value = |text: &str| Value::parse(text).expect("a value");
    ClauseCard::Model {
        model: Box::new(Model::Level(Level {
            meter: None,
            point: Some(point.clone()),
            low: value("0"),
            high: value("2"),
            doses: "10x0.1".into(),
            cycle: Cycle::Minutes(value("3")),
            reserve: value("0"),
            pack: None,
            oil: String::new(),
        })),
    }
}

/// A test point whose readings are out of limits below 5.
fn coolant() -> PointCard {
    let value = |text: &str| Value::parse(text).ok();
    PointCard {
        key: Key::new("coolant").expect("a key"),
        title: "coolant strength".into(),
        place: String::new(),
        good: String::new(),
        fluid: String::new(),
        reservoir: None,
        unit: "%".into(),
        limits: Limits { stop_below: value("3"), act_below: value("5"), ..Limits::default() },
        possible: value("0").zip(value("30")).map(|(from, to)| Possible { from, to }),
        taker: Taker::Anyone,
        cautions: Vec::new(),
    }
}

/// What a closing says was read; it leaves some machines out of limits.
fn said_of(order: OrderNumber) -> ReadingSaid {
    let value = if order.0 % 3 == 0 { "4.5" } else { "7.5" }.to_owned();
    ReadingSaid { point: coolant().key, value, unit: None, confirmed: order.0 % 2 == 0 }
}

/// What an engine answers, as one text; a refusal by what it says.
fn said<T: Debug>(answer: fettler_store::contract::Result<T>) -> String {
    match answer {
        Ok(answer) => format!("{answer:?}"),
        Err(error) => format!("refused: {error}"),
    }
}

/// The text with each SHA-256 blotted out: sealed texts stand in a leaf by a digest over random salt.
pub fn blotted(text: &str) -> String {
    let mut out = String::new();
    for word in text.split_inclusive(|c: char| !c.is_ascii_hexdigit()) {
        let digits = word.trim_end_matches(|c: char| !c.is_ascii_hexdigit());
        out.push_str(if digits.len() == 64 { "(a digest)" } else { word });
    }
    out
}

macro_rules! both {
    ($pair:expr, $what:expr, |$store:ident| $call:expr) => {{
        let mut answers = Vec::with_capacity(2);
        for $store in &$pair.stores {
            answers.push(said($call.await));
        }
        assert!(
            answers[0] == answers[1],
            "{}:\nSQLite:     {}\nPostgreSQL: {}",
            $what,
            answers[0],
            answers[1]
        );
        answers.swap_remove(0)
    }};
}

impl Pair {
    /// The same new shop in two places.
    pub async fn open(places: [&str; 2], seed: u64) -> Pair {
        let tags: Vec<String> = (1..=MACHINES).map(|n| format!("L-{n}")).collect();
        let declared = fettler_server::wire::shop_in::declaration(Some(&shop(&tags)));
        let mut declared = declared.expect("a declaration");
        for machine in &mut declared.machines {
            let mut walk = machine.tasks[0].clone();
            (walk.key, walk.title) = (Key::new("walk").expect("a key"), name("walk around it"));
            (walk.covers, walk.rule) = (Vec::new(), Some(daily(3)));
            let card = coolant();
            let rule = walk.rule.clone().map(|rule| RuleCard {
                clauses: vec![
                    ClauseCard::Reading { point: card.key.clone(), expects: true },
                    drawn_from(&card.key),
                ],
                ..rule
            });
            let key = Key::new("correct").expect("a key");
            let correct = TaskCard { key, title: name("correct the coolant"), rule, ..walk.clone() };
            machine.points.push(card);
            machine.tasks.push(correct);
            machine.tasks.push(walk);
        }
        let now = Ts::from_utc("2013-03-01T12:00:00Z".parse().expect("an instant"));
        let call =
            Caller { token: None, method: "LoadShop", request: None, now, person: None, as_manager: true };
        let mut stores = Vec::new();
        for place in places {
            let store = fettler_store::open(place).await.expect("a store");
            store.load_shop(&call, &declared, None, false).await.expect("loaded");
            stores.push(store);
        }
        let stores: [Arc<dyn Store>; 2] =
            stores.try_into().unwrap_or_else(|_| unreachable!("two were opened"));
        let site = stores[0].sites().await.expect("sites")[0].site;
        Pair { stores, site, now, random: Random::new(seed), declared, orders: MACHINES * TASKS }
    }

    /// Does so many operations; lists and journals are compared on the way and at the end.
    pub async fn run(&mut self, operations: usize) {
        for operation in 0..operations {
            let pause = i64::try_from(self.random.below(3 * 60)).expect("small") * MICROS_PER_HOUR / 60;
            self.now = self.now.plus_micros(pause);
            self.one(operation).await;
            if operation % LOOK_EVERY == 0 {
                self.look().await;
            }
        }
        self.look().await;
        self.journals().await;
        // Operations that are all refused would agree as well.
        assert!(self.orders > MACHINES * TASKS + operations / 40, "only {} orders were opened", self.orders);
    }

    fn caller(&self, method: &'static str) -> Caller {
        Caller { token: None, method, request: None, now: self.now, person: None, as_manager: true }
    }

    fn machine(&mut self) -> Key {
        Key::new(format!("L-{}", 1 + self.random.below(MACHINES))).expect("a key")
    }

    /// An order that there is, as often as not an open one; sometimes one that there is not.
    fn order(&mut self) -> OrderNumber {
        OrderNumber(i64::try_from(1 + self.random.below(self.orders + 2)).expect("small"))
    }

    fn report(&mut self) -> Received {
        let source = ["erp", "cell"][self.random.below(2)];
        let id =
            ReportId { source: foreign(source), report: foreign(&format!("r-{}", self.random.below(IDS))) };
        let revision = u32::try_from(self.random.below(3)).expect("small");
        let machine = match self.random.below(20) {
            0 => foreign("nobody"),
            _ => foreign(self.machine().as_str()),
        };
        let hours = |n: usize| i64::try_from(n).expect("small") * MICROS_PER_HOUR;
        // From 60 days back to 2 hours ahead.
        let start = self.now.plus_micros(hours(2) - hours(self.random.below(24 * 60)));
        let end = start.plus_micros(hours(self.random.below(14)) - hours(1));
        let most = usize::try_from(end.micros_since(start).max(1) / 1_000).unwrap_or(1);
        let statement = match self.random.below(12) {
            0 => Statement::Withdrawn,
            1 => Statement::Absolute { at: start, unit: Unit::Hours, value: Amount(1_000) },
            // At times more hours than time.
            _ => Statement::Interval {
                start,
                end,
                unit: Unit::Hours,
                amount: Amount(i64::try_from(self.random.below(most + most / 10 + 1)).expect("small")),
            },
        };
        let meter = (self.random.below(4) == 0).then(|| foreign("operating"));
        Received::new(id, revision, Content { machine, meter, statement }, self.now)
    }

    async fn one(&mut self, operation: usize) {
        let (site, ada) = (self.site, name("Ada Kern"));
        let what = format!("operation {operation}");
        match self.random.below(25) {
            0..=9 => {
                let count = 1 + self.random.below(12);
                let reports: Vec<Received> = (0..count).map(|_| self.report()).collect();
                let call = self.caller("PushReports");
                both!(self, what, |store| store.push(&call, site, reports.clone()));
            }
            10..=12 => self.close(&what).await,
            13 => {
                let (order, call) = (self.order(), self.caller("SkipOrder"));
                let answer =
                    both!(self, what, |store| store.skip(&call, site, order, &ada, "no time", false));
                self.orders += usize::from(!answer.starts_with("refused"));
            }
            14 => {
                let (order, call) = (self.order(), self.caller("UndoClosing"));
                both!(self, what, |store| store.undo(&call, site, order, &ada, "wrong machine", false));
            }
            15 => {
                let (machine, hazard) = (self.machine(), self.random.below(2) == 0);
                let title = name("look at the noise");
                let said = RaiseSaid { machine, title, by: ada, due_day: None, hazard, note: String::new() };
                let call = self.caller("RaiseOrder");
                let answer = both!(self, what, |store| store.raise(&call, site, &said));
                self.orders += usize::from(!answer.starts_with("refused"));
            }
            16 => self.settle(&what).await,
            17 => {
                let (machine, call) = (self.machine(), self.caller("BookAdjustment"));
                let amount = format!("{}", 2 - i64::try_from(self.random.below(5)).expect("small"));
                let at = self.now.plus_micros(-MICROS_PER_HOUR * 30);
                both!(self, what, |store| store.book_adjustment(
                    &call,
                    site,
                    &machine,
                    None,
                    at,
                    &amount,
                    &ada,
                    "counted twice"
                ));
            }
            18 => {
                let (machine, call) = (self.machine(), self.caller("MoveMachine"));
                let to = [MachineMove::Rest, MachineMove::Forbid, MachineMove::Return][self.random.below(3)];
                both!(self, what, |store| store
                    .move_machine(&call, site, &machine, to, &ada, "the door", false));
            }
            19 => self.declare(&what).await,
            20 => self.plan(&what).await,
            21 | 22 => self.read(&what).await,
            23 => {
                let filter = ReadingFilter::default();
                let page = PageAsk { after: None, limit: PAGE };
                let known = self.stores[0].readings(site, &filter, page).await.expect("readings").rows;
                let entry = known.get(self.random.below(known.len() + 1)).map_or(0, |kept| kept.entry);
                let call = self.caller("WithdrawReading");
                let ask = Withdrawal { entry, by: ada, reason: "wrong tank".to_owned() };
                both!(self, what, |store| store.withdraw_reading(&call, site, &ask));
            }
            _ => {
                let now = self.now;
                both!(self, what, |store| store.upkeep(site, now, 50));
            }
        }
    }

    /// Plans a few days of a machine from some day around now on, or takes such a plan back; at times more hours than time.
    async fn plan(&mut self, what: &str) {
        let (machine, call) = (self.machine(), self.caller("PlanUse"));
        let days = |n: usize| i64::try_from(n).expect("small") * 24 * MICROS_PER_HOUR;
        let from = self.now.plus_micros(days(self.random.below(12)) - days(4));
        let until = from.plus_micros(days(1 + self.random.below(5)));
        let mut shifts = Vec::new();
        for shift in 0..self.random.below(4) {
            let start = from.plus_micros(days(shift));
            let amount = self.random.below(10).to_string();
            shifts.push(ShiftSaid { start, end: start.plus_micros(8 * MICROS_PER_HOUR), amount });
        }
        let intent = if self.random.below(4) == 0 { Intent::Withdraw } else { Intent::Run(shifts) };
        let (machine, period) = (machine.to_string(), Period { from, until });
        let said = PlanSaid { machine, meter: None, period, intent, by: None };
        both!(self, what, |store| store.plan_use(&call, self.site, &said, false));
    }

    /// Gives a machine's recurrence rule more days or fewer, at once or from a day to come, so that it ends and goes on.
    async fn declare(&mut self, what: &str) {
        let (mut machine, mut count) = (self.random.below(MACHINES), 1 + self.random.below(40));
        for other in 0..MACHINES {
            let (tag, walk) = (format!("L-{}", other + 1), Key::new("walk").expect("a key"));
            if self.random.below(2) == 0 && self.stores[0].open_order(self.site, &tag, &walk).await.is_err() {
                (machine, count) = (other, 300);
            }
        }
        let today = ShopDay(self.now.to_utc().date_naive());
        let walk = self.declared.machines[machine].tasks.last_mut().expect("the walk");
        walk.rule = Some(daily(count));
        walk.rule_from = (self.random.below(3) == 0).then(|| today.plus_days(5));
        let (call, declared) = (self.caller("LoadShop"), self.declared.clone());
        both!(self, what, |store| store.load_shop(&call, &declared, None, false));
    }

    /// Some readings of the last days, many at the same instants, some of them odd.
    async fn read(&mut self, what: &str) {
        let mut told = Vec::new();
        for _ in 0..=self.random.below(4) {
            let hours = i64::try_from(self.random.below(72)).expect("small");
            told.push(Ok(ReadingTold {
                machine: foreign(self.machine().as_str()),
                point: coolant().key,
                value: ["8.1", "6.4", "4.9", "2.5", "64", "much"][self.random.below(6)].to_owned(),
                unit: ["", "", "%", "L"][self.random.below(4)].to_owned(),
                at: Ts(self.now.0 - self.now.0 % MICROS_PER_HOUR - hours * MICROS_PER_HOUR),
                by: name("Ada Kern"),
                electrician_record: None,
                confirmed: self.random.below(3) == 0,
                note: String::new(),
            }));
        }
        let (call, site) = (self.caller("TakeReadings"), self.site);
        let trial = self.random.below(8) == 0;
        both!(self, what, |store| store.take_readings(&call, site, &told, trial));
    }

    async fn close(&mut self, what: &str) {
        let site = self.site;
        let (mut order, back) = (self.order(), self.random.below(300));
        if self.random.below(3) == 0 {
            // The walks come to their end only when they are done.
            let (machine, walk) = (self.machine(), Key::new("walk").expect("a key"));
            order = self.stores[0].open_order(site, machine.as_str(), &walk).await.unwrap_or(order);
        }
        let back = i64::try_from(back).expect("small") * MICROS_PER_HOUR;
        let said = ClosingSaid {
            as_found: [AsFound::Good, AsFound::Worn, AsFound::Failed][self.random.below(3)],
            readings: (self.random.below(4) == 0).then(|| said_of(order)).into_iter().collect(),
            minutes: 5,
            note: ["", "as ever"][self.random.below(2)].into(),
            confirmed: Confirmed::time(),
            ..ClosingSaid::plain(order, self.now.plus_micros(-back), name("Ada Kern"))
        };
        let call = self.caller("CloseOrder");
        let answer = both!(self, what, |store| store.close(&call, site, &said));
        self.orders += usize::from(!answer.starts_with("refused"));
    }

    async fn settle(&mut self, what: &str) {
        let held = ReportFilter { held: Some(None), ..ReportFilter::default() };
        let page = self.stores[0].reports(self.site, &held, PageAsk { after: None, limit: PAGE }).await;
        let rows = page.expect("held reports").rows;
        if rows.is_empty() {
            return;
        }
        let key = rows[self.random.below(rows.len())].row.key.clone();
        let settlement = [Settlement::Count, Settlement::Drop][self.random.below(2)];
        let (call, ada, site) = (self.caller("SettleReport"), name("Ada Kern"), self.site);
        both!(self, what, |store| store.settle(
            &call,
            site,
            &key.source,
            &key.report,
            key.revision,
            Some(key.digest.0),
            settlement,
            &ada,
            "asked the shop"
        ));
    }

    /// Compares every page of every list.
    async fn look(&self) {
        let (site, now) = (self.site, self.now);
        both!(self, "the head of the due list", |store| store.due_head(site, now));
        let sure = [DuePart::Sure, DuePart::WhileStoppedSure { now }];
        for part in
            [DuePart::Dated, DuePart::NeverRecorded, DuePart::WhileStopped { now }].into_iter().chain(sure)
        {
            let filter = DueFilter { before: now, part, machine: None, area: None };
            let mut after = None;
            loop {
                let ask = PageAsk { after, limit: PAGE };
                both!(self, "a page of the due list", |store| store.due(site, &filter, ask.clone()));
                after = self.stores[0].due(site, &filter, ask).await.expect("a page").next;
                if after.is_none() {
                    break;
                }
            }
        }
        for state in [OrderState::Open, OrderState::Closed, OrderState::Skipped, OrderState::Void] {
            let filter = OrderFilter { state: Some(state), ..OrderFilter::default() };
            both!(self, "orders", |store| store.orders(site, &filter, PageAsk { after: None, limit: PAGE }));
        }
        for out_of_limits in [false, true] {
            let filter = ReadingFilter { out_of_limits, ..ReadingFilter::default() };
            let page = || PageAsk { after: None, limit: PAGE };
            both!(self, "readings", |store| store.readings(site, &filter, page()));
        }
        both!(self, "a point", |store| store.point(site, "L-1", &coolant().key));
        for held in [None, Some(None)] {
            let filter = ReportFilter { held, ..ReportFilter::default() };
            both!(self, "reports", |store| store.reports(
                site,
                &filter,
                PageAsk { after: None, limit: 1_000 }
            ));
        }
        let planned = PlannedFilter { machine: None, from: Ts::MIN, until: None };
        let page = PageAsk { after: None, limit: 1_000 };
        both!(self, "planned shifts", |store| store.planned_shifts(site, &planned, page.clone()));
        both!(self, "planned periods", |store| store.planned_periods(site, "L-1", Ts::MIN));
        let machines = fettler_store::contract::MachineFilter::default();
        both!(self, "machines", |store| store.machines(
            site,
            &machines,
            PageAsk { after: None, limit: PAGE }
        ));
    }

    /// Compares the journals leaf for leaf.
    async fn journals(&self) {
        let mut all = Vec::new();
        for store in &self.stores {
            let JournalHead { size, .. } = store.journal_head(self.site).await.expect("a head");
            let (mut leaves, mut from) = (Vec::new(), 0);
            while from < size {
                let filter = EntryFilter { from: Some(from), kind: None, subject: None };
                let ask = PageAsk { after: None, limit: 1_000 };
                let page = store.entries(self.site, &filter, ask).await.expect("entries");
                from += i64::try_from(page.rows.len()).expect("small");
                leaves.extend(page.rows.iter().map(|leaf| blotted(&String::from_utf8_lossy(&leaf.leaf))));
            }
            all.push(leaves);
        }
        assert_eq!(all[0].len(), all[1].len(), "as many leaves");
        let of_kind = |kind: &str| all[0].iter().filter(|leaf| leaf.contains(kind)).count();
        let (void, again) = (of_kind("order.voided"), of_kind("order.open_again"));
        assert!(void > 0 && again > 0, "{void} void because their rule has ended, {again} open again");
        for (one, other) in all[0].iter().zip(&all[1]) {
            assert_eq!(one, other);
        }
    }

    /// The head of each one's journal: equal as long as nothing was sealed.
    pub async fn heads(&self) -> [JournalHead; 2] {
        let head = async |store: &Arc<dyn Store>| store.journal_head(self.site).await.expect("a head");
        [head(&self.stores[0]).await, head(&self.stores[1]).await]
    }

    /// Pushes so many batches and nothing else.
    pub async fn push(&mut self, batches: usize) {
        for batch in 0..batches {
            let reports: Vec<Received> = (0..20).map(|_| self.report()).collect();
            let (call, site) = (self.caller("PushReports"), self.site);
            both!(self, format!("batch {batch}"), |store| store.push(&call, site, reports.clone()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::blotted;

    #[test]
    fn only_whole_digests_are_blotted_out() {
        let digest = "ab".repeat(32);
        assert_eq!(blotted(&format!("{{\"a\":\"{digest}\",\"b\":1}}")), "{\"a\":\"(a digest),\"b\":1}");
        assert_eq!(blotted("abc 12"), "abc 12");
    }
}
