//! Looking ahead through the store: machines, pages, cards, and months that have to be loaded.

#[macro_use]
mod kit;

use fettler_domain::plan::WhyNone;
use fettler_domain::time::ShopDay;
use fettler_store::contract::{AheadFilter, MachineAhead, PageAsk};
use kit::{Engine, Shop, at, declaration, every_days, hours, key, task};

fn filter(until: &str) -> AheadFilter {
    AheadFilter { until: ShopDay(until.parse().expect("a day")), machine: None, area: None }
}

async fn look(shop: &Shop, filter: &AheadFilter, now: &str, limit: u32) -> Vec<MachineAhead> {
    let (mut rows, mut after) = (Vec::new(), None);
    loop {
        let page = shop.store.look_ahead(shop.site, filter, PageAsk { after, limit }, at(now));
        let page = page.await.expect("looked ahead");
        rows.extend(page.rows);
        after = page.next;
        if after.is_none() {
            return rows;
        }
    }
}

/// Two more machines, one without tasks.
async fn shop(engine: Engine) -> Shop {
    let mut declared = declaration();
    let mut second = declared.machines[0].clone();
    (second.tag, second.area, second.name) = (key("L-2"), Some("Hall 2".into()), None);
    second.tasks.push(task("paint", "paint", vec![every_days(30)]));
    for done in &mut second.last_done {
        done.machine = key("L-2");
    }
    let mut bare = second.clone();
    (bare.tag, bare.tasks, bare.last_done) = (key("L-3"), Vec::new(), Vec::new());
    declared.machines.extend([second, bare]);
    let shop = Shop::open_with(engine, &declared).await;
    let reports = |machine: &'static str| (1..=20).map(move |day| hours("erp", machine, day, 8));
    shop.push(reports("L-1").chain(reports("L-2")).collect(), "2026-03-21T12:00:00Z").await;
    shop
}

async fn each_machine_with_open_orders_is_walked(engine: Engine) {
    let shop = shop(engine).await;
    let all = look(&shop, &filter("2026-12-31"), "2026-03-21T12:00:00Z", 10).await;
    let tags: Vec<&str> = all.iter().map(|machine| machine.tag.as_str()).collect();
    assert_eq!(tags, ["L-1", "L-2"], "L-3 has no task");
    assert_eq!(look(&shop, &filter("2026-12-31"), "2026-03-21T12:00:00Z", 1).await, all, "page by page");
    let hall = AheadFilter { area: Some("Hall 2".into()), ..filter("2026-12-31") };
    assert_eq!(look(&shop, &hall, "2026-03-21T12:00:00Z", 10).await, all[1..]);
    let first = AheadFilter { machine: Some(all[0].number), ..filter("2026-12-31") };
    assert_eq!(look(&shop, &first, "2026-03-21T12:00:00Z", 10).await, all[..1]);
    // 100 h crossed on 13 March: late, done today; then so often as hours come, more often if they come quickly.
    let of_task = |machine: &MachineAhead, task: &str| {
        let number = machine.cards.iter().find(|(_, card)| card.key == key(task)).expect("a card").0;
        machine.ahead.tasks.iter().find(|ahead| ahead.task == *number).cloned().expect("a task")
    };
    let oil = of_task(&all[0], "way-oil");
    let (now, last) = (oil.months[0], oil.months[9]);
    assert!(now.times >= 1 && last.by_then > 5 && last.by_then_p90 > last.by_then, "{oil:?}");
    assert_eq!(of_task(&all[0], "filter").months.iter().map(|month| month.times).sum::<u32>(), 0);
    assert_eq!(of_task(&all[1], "paint").none, Some(WhyNone::NeverRecorded));
}

async fn months_that_are_not_at_hand_are_loaded(engine: Engine) {
    let shop = shop(engine).await;
    // The reports are of March; in the middle of the next month, and of the one after, hours go on from what they came to.
    for now in ["2026-03-31T12:00:00Z", "2026-04-15T12:00:00Z", "2026-05-15T12:00:00Z"] {
        let all = look(&shop, &filter("2027-12-31"), now, 10).await;
        let filter = all[0].cards.iter().find(|(_, card)| card.key == key("filter")).expect("a card").0;
        let filter = all[0].ahead.tasks.iter().find(|ahead| ahead.task == *filter).expect("a task");
        let march =
            filter.months.iter().find(|month| month.month.0.to_string() == "2027-03-01").expect("March");
        assert_eq!((march.times, march.by_then), (1, 1), "365 days after 1 March 2026");
    }
}

on_every_engine![each_machine_with_open_orders_is_walked, months_that_are_not_at_hand_are_loaded];
