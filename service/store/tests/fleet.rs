//! Figures of fleets through the store contract: whose they are, that they hold for a shop day, and that any order of arrival
//! ends in the same rows once upkeep has settled.

#[macro_use]
mod kit;

use fettler_domain::forecast::Likeness;
use fettler_domain::ledger::report::Received;
use fettler_domain::plan::{Counted, Expectation, PlanRow};
use fettler_domain::quantity::{Amount, MeterKind, Unit};
use fettler_domain::shop::{Declaration, MachineCard};
use fettler_domain::time::Ts;
use fettler_store::contract::{DueFilter, DuePart, MachineMove, PageAsk};
use kit::{Engine, Shop, at, caller, declaration, every_hours, hours, key, name, shuffled};

/// Some way into the shop day of 30 March, which begins at 05:00.
const TODAY: &str = "2026-03-30T12:00:00Z";
const EVENING: &str = "2026-03-30T20:00:00Z";
const TOMORROW: &str = "2026-03-31T12:00:00Z";
/// More passes than any of these shops needs.
const PASSES_MAX: usize = 10;

/// A machine like the first, of a family, with a task that hours do not reach here.
fn machine(tag: &str, family: &str) -> MachineCard {
    let mut card = declaration().machines.remove(0);
    card.tag = key(tag);
    card.family = Some(family.into());
    card.tasks.truncate(1);
    card.tasks[0].rule.as_mut().expect("a rule").clauses = vec![every_hours("1000")];
    card.last_done.truncate(1);
    card.last_done[0].machine = key(tag);
    card
}

/// Five lathes, three mills, and a mill without a past.
fn fleets() -> Declaration {
    let lathes = (1..=5).map(|number| machine(&format!("L-{number}"), "lathe"));
    let mills = (1..=4).map(|number| machine(&format!("M-{number}"), "mill"));
    Declaration { machines: lathes.chain(mills).collect(), ..declaration() }
}

/// What the machines ran on each of the days: lathes 6 to 8 h, mills 2 h.
fn past(days: std::ops::RangeInclusive<i64>) -> Vec<Received> {
    let of_day = |day: i64| {
        let lathes =
            (1..=5).map(move |number| hours("erp", &format!("L-{number}"), day, 6 + (day + number) % 3));
        lathes.chain((1..=3).map(move |number| hours("erp", &format!("M-{number}"), day, 2)))
    };
    days.flat_map(of_day).collect()
}

impl Shop {
    /// Passes of upkeep until the list says that nothing waits.
    async fn settle(&self, now: &str) {
        for _ in 0..PASSES_MAX {
            if !self.waits(now).await {
                return;
            }
            self.upkeep(now).await;
        }
        panic!("upkeep does not come to an end");
    }

    async fn upkeep(&self, now: &str) -> u64 {
        self.store.upkeep(self.site, at(now), 500).await.expect("a pass").refreshed
    }

    async fn waits(&self, now: &str) -> bool {
        let head = self.store.due_head(self.site, at(now)).await.expect("a head");
        head.stale.is_some() || head.figures_pending
    }

    async fn figures_pending(&self, now: &str) -> bool {
        self.store.due_head(self.site, at(now)).await.expect("a head").figures_pending
    }

    async fn rows(&self) -> Vec<PlanRow> {
        let mut rows = Vec::new();
        for part in [DuePart::Dated, DuePart::NeverRecorded] {
            let filter = DueFilter { part, before: Ts::MAX, machine: None, area: None };
            let page = self.store.due(self.site, &filter, PageAsk { after: None, limit: 100 }).await;
            rows.extend(page.expect("a list").rows.into_iter().map(|entry| entry.plan));
        }
        rows.sort_by_key(|row| row.order);
        rows
    }

    /// What the date of a machine's order rests on, as the stored row has it and as it is computed afresh.
    async fn rests_on(&self, machine: &str, now: &str) -> Expectation {
        let order = self.store.open_order(self.site, machine, &key("way-oil")).await.expect("an order");
        let explained = self.store.explain(self.site, order, at(now)).await.expect("explained");
        assert!(explained.row_agrees, "{:?}", explained.entry.plan);
        let counted = explained.entry.plan.clauses[0].counted.clone();
        let Counted::Meter { expectation: Some(expectation), .. } = counted else {
            panic!("no date is expected: {counted:?}")
        };
        expectation
    }
}

async fn figures_are_the_family_s_else_the_site_s(engine: Engine) {
    let shop = Shop::open_with(engine, &fleets()).await;
    shop.push(past(2..=29), TODAY).await;
    assert_eq!(shop.rests_on("L-1", TODAY).await.likeness, Likeness::Assumed, "nothing is learnt yet");
    shop.settle(TODAY).await;
    let (lathe, mill) = (shop.rests_on("L-1", TODAY).await, shop.rests_on("M-1", TODAY).await);
    assert_eq!(lathe.likeness, Likeness::Family(5));
    assert_eq!(mill.likeness, Likeness::Site(8), "three mills with a past are no fleet");
    // A machine of the day takes what its likes run: 7 h a day, not the 2 h that are assumed.
    shop.push(vec![hours("erp", "M-4", 30, 1)], EVENING).await;
    let new = shop.rests_on("M-4", EVENING).await;
    assert_eq!((new.likeness, new.reports), (Likeness::Site(8), 0));
    assert!((4 * 3_600_000..6 * 3_600_000).contains(&new.per_day.0), "{new:?}");
    shop.store.shut().await;
}

async fn kinds_of_meters_are_kept_apart(engine: Engine) {
    let mut declared = fleets();
    for machine in &mut declared.machines[..4] {
        machine.meters[0].kind = Some(MeterKind::Loaded);
    }
    let shop = Shop::open_with(engine, &declared).await;
    shop.push(past(2..=29), TODAY).await;
    shop.settle(TODAY).await;
    assert_eq!(shop.rests_on("L-1", TODAY).await.likeness, Likeness::Site(4));
    assert_eq!(shop.rests_on("L-5", TODAY).await.likeness, Likeness::Site(4), "one lathe and three mills");
    shop.store.shut().await;
}

async fn sites_are_kept_apart(engine: Engine) {
    let shop = Shop::open_with(engine, &fleets()).await;
    shop.push(past(2..=29), TODAY).await;
    let mut other = fleets();
    other.site.key = key("annex");
    other.people.clear();
    let call = caller("LoadShop", "2026-03-02T12:00:00Z");
    shop.store.load_shop(&call, &other, None, false).await.expect("loaded");
    let annex = shop.store.site("annex").await.expect("a site").expect("a site").site;
    let one = vec![hours("erp", "L-2", 3, 1), hours("erp", "L-2", 20, 1)];
    shop.store.push(&caller("PushReports", TODAY), annex, one).await.expect("pushed");
    shop.settle(TODAY).await;
    for _ in 0..PASSES_MAX {
        shop.store.upkeep(annex, at(TODAY), 500).await.expect("a pass");
    }
    let order = shop.store.open_order(annex, "L-2", &key("way-oil")).await.expect("an order");
    let row = shop.store.explain(annex, order, at(TODAY)).await.expect("explained").entry.plan;
    let Counted::Meter { expectation: Some(expectation), .. } = row.clauses[0].counted else {
        panic!("no date is expected: {row:?}")
    };
    assert_eq!(expectation.likeness, Likeness::Site(1));
    shop.store.shut().await;
}

async fn figures_hold_for_the_shop_day_until_reports_of_its_past_change(engine: Engine) {
    let shop = Shop::open_with(engine, &fleets()).await;
    assert!(!shop.figures_pending(TODAY).await, "without a report there is nothing to learn");
    assert_eq!(shop.upkeep(TODAY).await, 9, "rows of the day on which the shop was declared");
    shop.push(past(2..=20), TODAY).await;
    shop.settle(TODAY).await;
    let settled = shop.rows().await;

    // What ends within the day changes no figure and no expectation.
    shop.push(past(30..=30), EVENING).await;
    assert!(!shop.waits(TODAY).await);
    let epoch = settled[0].stamp.fleet_epoch;
    assert!(shop.rows().await.iter().all(|row| row.stamp.fleet_epoch == epoch));

    // What ended before it does, once no more has come between two passes.
    shop.push(past(21..=24), TODAY).await;
    assert!(shop.figures_pending(TODAY).await);
    assert_eq!(shop.upkeep(TODAY).await, 0);
    shop.push(past(25..=29), TODAY).await;
    assert_eq!(shop.upkeep(TODAY).await, 0, "more has come");
    assert!(shop.figures_pending(TODAY).await);
    assert_eq!(shop.upkeep(TODAY).await, 9);
    assert!(!shop.waits(TODAY).await);
    assert!(shop.rows().await.iter().all(|row| row.stamp.fleet_epoch != epoch));

    // Where it never stops coming it is waited for a quarter of an hour.
    shop.push(vec![hours("erp", "M-4", 3, 8)], TODAY).await;
    shop.upkeep("2026-03-30T12:14:00Z").await;
    shop.push(vec![hours("erp", "M-4", 4, 8)], TODAY).await;
    shop.upkeep("2026-03-30T12:16:00Z").await;
    assert!(!shop.figures_pending(TODAY).await);

    // A new day has figures of its own at once.
    assert!(shop.figures_pending(TOMORROW).await);
    assert_eq!(shop.upkeep(TOMORROW).await, 9);
    assert!(!shop.waits(TOMORROW).await);
    shop.store.shut().await;
}

async fn a_machine_that_has_left_is_no_part_of_its_fleet(engine: Engine) {
    let shop = Shop::open_with(engine, &fleets()).await;
    shop.push(past(2..=29), TODAY).await;
    shop.settle(TODAY).await;
    let call = caller("RetireMachine", TODAY);
    let (lathe, ada) = (key("L-5"), name("Ada"));
    let retired = shop.store.move_machine(&call, shop.site, &lathe, MachineMove::Retire, &ada, "sold", false);
    retired.await.expect("retired");
    assert!(shop.figures_pending(TODAY).await);
    shop.settle(TODAY).await;
    assert_eq!(shop.rests_on("L-1", TODAY).await.likeness, Likeness::Site(7), "four lathes are no fleet");
    shop.store.shut().await;
}

async fn any_order_of_arrival_ends_in_the_same_rows(engine: Engine) {
    // The mill without shifts tells of some days at once, and once of fewer hours than it first said.
    let days_at_once =
        [(2, 90), (8, 100), (15, 60), (22, 120)].map(|(day, ran)| hours("erp", "M-4", day, ran));
    let Received { key: first, content, received_at, .. } = hours("erp", "M-4", 8, 80);
    let corrected = Received::new(first.id(), 1, content, received_at);
    let all: Vec<Received> = past(2..=30).into_iter().chain(days_at_once).chain([corrected]).collect();
    let mut ends = Vec::new();
    for seed in 1..=3 {
        let mut shop = Shop::open_with(engine, &fleets()).await;
        for (place, part) in shuffled(all.clone(), seed).chunks(61).enumerate() {
            // Passes of upkeep come in between, and so does a restart.
            shop.push(part.to_vec(), EVENING).await;
            if place % 2 == 0 {
                shop.upkeep(TODAY).await;
            }
        }
        if seed == 2 {
            shop.reopen().await;
        }
        shop.settle(TODAY).await;
        let rows = shop.rows().await;
        assert_eq!(rows.len(), 9);
        let rests_on = shop.rests_on("M-4", TODAY).await;
        assert_eq!((rests_on.reports, rests_on.last_28_days), (4, Amount(350 * Unit::Hours.per_unit())));
        ends.push(rows);
        shop.store.shut().await;
    }
    assert_eq!(ends[0], ends[1]);
    assert_eq!(ends[0], ends[2]);
}

on_every_engine! {
    figures_are_the_family_s_else_the_site_s,
    kinds_of_meters_are_kept_apart,
    sites_are_kept_apart,
    figures_hold_for_the_shop_day_until_reports_of_its_past_change,
    a_machine_that_has_left_is_no_part_of_its_fleet,
    any_order_of_arrival_ends_in_the_same_rows,
}
