//! Planned use and the site's calendar through the store contract: what is replaced and what stays, what expected dates make of
//! it, and what the journal keeps.

#[macro_use]
mod kit;

use fettler_domain::calendar::{Closure, Shift, WallTime, Weekdays};
use fettler_domain::error::Error;
use fettler_domain::plan::{BearingDays, Counted, Expectation, PlanRow};
use fettler_domain::planned::{Intent, Period, ShiftSaid};
use fettler_domain::shop::Declaration;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use fettler_store::contract::{
    Caller, EntryFilter, PageAsk, PlanSaid, PlanTaken, PlannedFilter, RequestKey, StoreError,
};
use kit::{Engine, Shop, at, caller, declaration, every_hours, hours, key, name};

/// Some way into the shop day of Monday 30 March, which begins at 05:00.
const TODAY: &str = "2026-03-30T12:00:00Z";

/// The shop with a task every 200 hours, of which 140 to 168 have run by the start of the day: 7 h on each day from 2 March
/// on that is among `days`.
async fn shop(engine: Engine, declared: Declaration, days: impl Fn(i64) -> bool) -> Shop {
    let mut declared = declared;
    declared.machines[0].tasks[0].rule.as_mut().expect("a rule").clauses = vec![every_hours("200")];
    let shop = Shop::open_with(engine, &declared).await;
    let past = (2..=29).filter(|day| days(*day)).map(|day| hours("erp", "L-1", day, 7)).collect();
    shop.push(past, TODAY).await;
    shop
}

fn said(from: &str, until: &str, shifts: &[(&str, &str, &str)]) -> PlanSaid {
    let shifts = shifts
        .iter()
        .map(|(start, end, amount)| ShiftSaid { start: at(start), end: at(end), amount: (*amount).into() })
        .collect();
    let period = Period { from: at(from), until: at(until) };
    PlanSaid { machine: "L-1".into(), meter: None, period, intent: Intent::Run(shifts), by: None }
}

fn withdrawn(from: &str, until: &str) -> PlanSaid {
    PlanSaid { intent: Intent::Withdraw, ..said(from, until, &[]) }
}

impl Shop {
    async fn plan(&self, said: &PlanSaid) -> PlanTaken {
        let taken = self.store.plan_use(&caller("PlanUse", TODAY), self.site, said, false).await;
        taken.expect("planned")
    }

    /// The row of the task by hours, which agrees with its explanation.
    async fn oil_row(&self) -> PlanRow {
        let order = self.store.open_order(self.site, "L-1", &key("way-oil")).await.expect("an order");
        self.row(order, TODAY).await
    }

    async fn rests_on(&self) -> Expectation {
        let counted = self.oil_row().await.clauses[0].counted.clone();
        let Counted::Meter { expectation: Some(expectation), .. } = counted else {
            panic!("no date is expected: {counted:?}")
        };
        expectation
    }

    /// The starts of planned shifts from the first of March on, read in pages of two.
    async fn planned(&self) -> Vec<Ts> {
        let filter = PlannedFilter { machine: None, from: at("2026-03-01T00:00:00Z"), until: None };
        let (mut starts, mut after) = (Vec::new(), None);
        loop {
            let page = self.store.planned_shifts(self.site, &filter, PageAsk { after, limit: 2 }).await;
            let page = page.expect("a page");
            starts.extend(page.rows.iter().map(|kept| kept.stretch.start));
            match page.next {
                Some(next) => after = Some(next),
                None => return starts,
            }
        }
    }

    async fn periods(&self) -> Vec<(Ts, Ts)> {
        let periods = self.store.planned_periods(self.site, "L-1", at("2026-03-01T00:00:00Z")).await;
        periods.expect("periods").iter().map(|kept| (kept.period.from, kept.period.until)).collect()
    }
}

fn days_after(earlier: Ts, later: Option<Ts>) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few days in microseconds")]
    let days = later.expect("a date").micros_since(earlier) as f64 / MICROS_PER_DAY as f64;
    days
}

async fn planned_shifts_take_the_place_of_what_is_expected(engine: Engine) {
    // 168 of 200 h have run; 32 are left.
    let shop = shop(engine, declaration(), |day| day <= 25).await;
    let free = shop.oil_row().await;
    assert!(free.p10 < free.p50 && free.p50 < free.p90, "{free:?}");
    let four = [
        ("2026-03-31T06:00:00Z", "2026-03-31T14:00:00Z", "8"),
        ("2026-04-01T06:00:00Z", "2026-04-01T14:00:00Z", "8"),
        ("2026-04-02T06:00:00Z", "2026-04-02T14:00:00Z", "8"),
        ("2026-04-09T06:00:00Z", "2026-04-09T16:00:00Z", "10"),
    ];
    let taken = shop.plan(&said("2026-03-30T05:00:00Z", "2026-04-12T05:00:00Z", &four)).await;
    assert_eq!((taken.replaced, taken.planned, taken.amount.0), (0, 4, 34 * 3_600_000));
    // What is planned stands for certain: 24 h by 2 April, and the rest 8 h into the shift of the 9th.
    let row = shop.oil_row().await;
    let ahead = row.clauses[0].ahead.expect("it is ahead");
    for instant in [row.due, ahead.p10, ahead.p90] {
        assert!(days_after(at("2026-04-09T14:00:00Z"), instant).abs() < 0.001, "{row:?}");
    }
    assert_eq!((row.p10, row.p90), (None, None), "what is planned has no spread");
    assert_eq!(shop.rests_on().await.planned_to, Some(at("2026-04-12T05:00:00Z")));

    // Standing for a week moves the date by that week, and taking it back brings the first one back.
    shop.plan(&said("2026-03-30T05:00:00Z", "2026-04-12T05:00:00Z", &[])).await;
    let stands = shop.oil_row().await;
    let later = days_after(free.p50.expect("a date"), stands.p50);
    assert!((12.9..13.1).contains(&later), "{later}");
    shop.plan(&withdrawn("2026-03-30T05:00:00Z", "2026-04-12T05:00:00Z")).await;
    assert_eq!(shop.oil_row().await, free);
    shop.store.shut().await;
}

async fn a_period_replaces_what_starts_in_it_and_nothing_else(engine: Engine) {
    let shop = shop(engine, declaration(), |_| true).await;
    let night = [
        ("2026-04-01T22:00:00Z", "2026-04-02T06:00:00Z", "7"),
        ("2026-04-02T22:00:00Z", "2026-04-03T06:00:00Z", "7"),
        ("2026-04-03T22:00:00Z", "2026-04-04T06:00:00Z", "7"),
    ];
    shop.plan(&said("2026-04-01T05:00:00Z", "2026-04-04T05:00:00Z", &night)).await;
    // The night that begins before the second of April stays, though it reaches into it.
    let day = [("2026-04-02T08:00:00Z", "2026-04-02T16:00:00Z", "8")];
    let taken = shop.plan(&said("2026-04-02T05:00:00Z", "2026-04-03T05:00:00Z", &day)).await;
    assert_eq!((taken.replaced, taken.planned), (1, 1));
    let starts = ["2026-04-01T22:00:00Z", "2026-04-02T08:00:00Z", "2026-04-03T22:00:00Z"].map(at);
    assert_eq!(shop.planned().await, starts);
    assert_eq!(shop.periods().await, [(at("2026-04-01T05:00:00Z"), at("2026-04-04T05:00:00Z"))]);
    let taken = shop.plan(&withdrawn("2026-04-02T05:00:00Z", "2026-04-03T05:00:00Z")).await;
    assert_eq!((taken.replaced, taken.planned, taken.amount.0), (1, 0, 0));
    let halves = [("2026-04-01", "2026-04-02"), ("2026-04-03", "2026-04-04")];
    let halves =
        halves.map(|(from, until)| (at(&format!("{from}T05:00:00Z")), at(&format!("{until}T05:00:00Z"))));
    assert_eq!(shop.periods().await, halves);
    shop.plan(&withdrawn("2026-03-01T05:00:00Z", "2026-05-01T05:00:00Z")).await;
    assert_eq!((shop.planned().await, shop.periods().await), (Vec::new(), Vec::new()));
    shop.store.shut().await;
}

async fn a_plan_is_a_fact_once(engine: Engine) {
    let shop = shop(engine, declaration(), |_| true).await;
    let one = said(
        "2026-04-01T05:00:00Z",
        "2026-04-02T05:00:00Z",
        &[("2026-04-01T06:00:00Z", "2026-04-01T14:00:00Z", "7.5")],
    );
    let one = PlanSaid { by: Some(name("Ada")), ..one };
    let request = Some(RequestKey { id: "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e".into(), digest: [1; 32] });
    let call = Caller { request, ..caller("PlanUse", TODAY) };
    let first = shop.store.plan_use(&call, shop.site, &one, true).await.expect("it would be planned");
    assert_eq!(shop.planned().await, [], "nothing was changed");
    let real = shop.store.plan_use(&call, shop.site, &one, false).await.expect("planned");
    assert_eq!(first, real);
    let again = shop.store.plan_use(&call, shop.site, &one, false).await.expect("told again");
    assert_eq!(again, real);
    let filter = EntryFilter { from: Some(0), kind: Some("use.planned".into()), subject: None };
    let entries = shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 10 }).await;
    let entries = entries.expect("entries").rows;
    let [entry] = &entries[..] else { panic!("{entries:?}") };
    assert!(entry.person.is_some());
    let leaf: serde_json::Value = serde_json::from_slice(&entry.leaf).expect("JSON");
    let start = at("2026-04-01T06:00:00Z").0;
    assert_eq!(leaf["after"]["shifts"][0]["start"], start);
    assert_eq!(
        (&leaf["after"]["shifts"][0]["amount"], &leaf["after"]["planned"]),
        (&27_000_000.into(), &true.into())
    );
    // Said anew it cites what it replaces.
    shop.plan(&withdrawn("2026-04-01T05:00:00Z", "2026-04-02T05:00:00Z")).await;
    let entries = shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 10 }).await;
    let entries = entries.expect("entries").rows;
    let leaf: serde_json::Value = serde_json::from_slice(&entries[1].leaf).expect("JSON");
    assert!(leaf["before"].is_string() && leaf["after"]["planned"] == false, "{leaf}");
    // That the machine stands is a state of its own, which a withdrawal cites; what stands already makes no leaf.
    let leaves = async || {
        let entries = shop.store.entries(shop.site, &filter, PageAsk { after: None, limit: 10 }).await;
        let of = |entry: &fettler_store::contract::EntryRecord| {
            serde_json::from_slice::<serde_json::Value>(&entry.leaf).expect("JSON")
        };
        entries.expect("entries").rows.iter().map(of).collect::<Vec<_>>()
    };
    let (from, until) = ("2026-04-07T05:00:00Z", "2026-04-12T05:00:00Z");
    for (statement, count) in [
        (said(from, until, &[]), 3),
        (said(from, until, &[]), 3),
        (said("2026-04-08T05:00:00Z", "2026-04-09T05:00:00Z", &[]), 3),
        (withdrawn(from, until), 4),
        (withdrawn(from, until), 4),
    ] {
        shop.plan(&statement).await;
        assert_eq!(leaves().await.len(), count, "{statement:?}");
    }
    let told = leaves().await;
    assert!(told[2]["before"].is_null() && told[3]["before"].is_string(), "{told:?}");
    shop.store.shut().await;
}

async fn what_cannot_be_planned_is_refused_with_its_field(engine: Engine) {
    let shop = shop(engine, declaration(), |_| true).await;
    let refused = async |said: PlanSaid| {
        let call = caller("PlanUse", TODAY);
        let error = shop.store.plan_use(&call, shop.site, &said, false).await.expect_err("refused");
        let StoreError::Refused(error) = error else { panic!("{error}") };
        error
    };
    let (from, until) = ("2026-04-01T05:00:00Z", "2026-04-02T05:00:00Z");
    let too_much = said(from, until, &[("2026-04-01T06:00:00Z", "2026-04-01T14:00:00Z", "9")]);
    let Error::Invalid(wrong) = refused(too_much).await else { panic!("it is invalid") };
    assert_eq!(wrong[0].field, "shifts[0].amount");
    let nobody = PlanSaid { machine: "Z-9".into(), ..said(from, until, &[]) };
    assert!(matches!(refused(nobody).await, Error::NotFound { kind: "machine", .. }));
    let none = PlanSaid { meter: Some(key("spindle")), ..said(from, until, &[]) };
    assert!(matches!(refused(none).await, Error::NotFound { kind: "meter", .. }));
    let stranger = PlanSaid { by: Some(name("Nobody")), ..said(from, until, &[]) };
    refused(stranger).await;
    assert_eq!(shop.planned().await, []);
    shop.store.shut().await;
}

/// Five days a week, and a shutdown of a week from Monday 6 April on.
fn five_days_a_week() -> Declaration {
    let mut declared = declaration();
    let time = |text: &str| WallTime::parse(text).expect("a time");
    declared.site.shifts = vec![Shift {
        key: key("early"),
        weekdays: Weekdays::MONDAY_TO_FRIDAY,
        starts: time("06:00"),
        ends: time("14:00"),
    }];
    declared.site.closures = vec![Closure {
        name: name("spring"),
        first: "2026-04-06".parse().expect("a day"),
        last: "2026-04-12".parse().expect("a day"),
    }];
    declared
}

/// Days of March 2026 from Monday to Friday.
fn is_weekday(day: i64) -> bool {
    (day - 2).rem_euclid(7) < 5
}

async fn expected_hours_fall_on_days_that_the_site_works(engine: Engine) {
    // 140 of 200 h have run in four weeks of five days, some 12 h a worked day are not to be had before the shutdown.
    let mut never_shut = five_days_a_week();
    never_shut.site.closures.clear();
    let open = shop(engine, never_shut, is_weekday).await;
    let shut = shop(engine, five_days_a_week(), is_weekday).await;
    let (without, with) = (open.oil_row().await, shut.oil_row().await);
    assert_eq!(open.rests_on().await.days, BearingDays::Calendar);
    for (without, with) in [(without.p50, with.p50), (without.p90, with.p90)] {
        let later = days_after(without.expect("a date"), with);
        assert!((6.9..7.1).contains(&later), "the shutdown is left out: {later}");
    }
    open.store.shut().await;
    shut.store.shut().await;
}

async fn a_machine_that_runs_on_closed_days_keeps_to_its_own_week(engine: Engine) {
    let shop = shop(engine, five_days_a_week(), |_| true).await;
    assert_eq!(shop.rests_on().await.days, BearingDays::OwnWeek);
    shop.store.shut().await;
}

on_every_engine! {
    planned_shifts_take_the_place_of_what_is_expected,
    a_period_replaces_what_starts_in_it_and_nothing_else,
    a_plan_is_a_fact_once,
    what_cannot_be_planned_is_refused_with_its_field,
    expected_hours_fall_on_days_that_the_site_works,
    a_machine_that_runs_on_closed_days_keeps_to_its_own_week,
}
