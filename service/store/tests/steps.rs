//! What a call does in the store is told to whoever looks on, in the order in which it ended; nothing is told of others' calls.

#[macro_use]
mod kit;

use fettler_domain::time::Ts;
use fettler_store::contract::{DueFilter, DuePart, Onlooker, PageAsk, Step, seen_by, seen_on};
use kit::{Engine, Shop, back_of, caller, hours, name};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// Keeps what it is told.
#[derive(Default)]
struct Kept(Mutex<Vec<Step>>);

impl Onlooker for Kept {
    fn saw(&self, step: Step) {
        self.0.lock().expect("nobody panicked").push(step);
    }
}

impl Kept {
    /// What it was told since it was asked before.
    fn taken(&self) -> Vec<Step> {
        std::mem::take(&mut *self.0.lock().expect("nobody panicked"))
    }
}

/// Somebody who looks on.
fn kept() -> (Arc<Kept>, Option<Arc<dyn Onlooker>>) {
    let kept = Arc::new(Kept::default());
    (kept.clone(), Some(kept))
}

async fn reads_and_writes_are_told_with_their_times(engine: Engine) {
    let shop = Shop::open(engine).await;
    let (kept, onlooker) = kept();
    let begun = Instant::now();
    let told =
        seen_by(onlooker.clone(), shop.push(vec![hours("erp", "L-1", 1, 8)], "2026-03-10T12:00:00Z")).await;
    assert_eq!(told, ["accepted"]);
    let steps = kept.taken();
    let [Step::Written(write)] = steps.as_slice() else { panic!("{steps:?}") };
    let committing = write.committing.expect("it was committed");
    let times = [begun, write.handed_over, write.begun, committing, write.ended, Instant::now()];
    assert!(times.is_sorted(), "{times:?}");
    assert_eq!(write.calls, 1);

    let filter = DueFilter { before: Ts::MAX, part: DuePart::Dated, machine: None, area: None };
    let page = PageAsk { after: None, limit: 100 };
    seen_by(onlooker.clone(), shop.store.due(shop.site, &filter, page)).await.expect("a page");
    seen_by(onlooker, shop.store.sites()).await.expect("sites");
    let steps = kept.taken();
    let [Step::Read(due), Step::Read(sites)] = steps.as_slice() else { panic!("{steps:?}") };
    assert_eq!((due.what, sites.what), (Some("due_list"), None));
    assert!([write.ended, due.asked, due.ended, sites.asked, sites.ended].is_sorted(), "{steps:?}");
}

async fn what_was_refused_came_to_no_commit_and_whoever_does_not_look_on_is_told_nothing(engine: Engine) {
    let shop = Shop::open(engine).await;
    let (kept, onlooker) = kept();
    let call = caller("AddPerson", "2026-03-10T12:00:00Z");
    shop.store.add_person(&call, &name("Jo Lind")).await.expect("added");
    assert!(kept.taken().is_empty());
    let back = back_of(99, "mistyped");
    seen_by(onlooker, shop.store.withdraw_issue(&call, shop.site, &back)).await.expect_err("there is none");
    let steps = kept.taken();
    assert!(matches!(steps.as_slice(), [Step::Written(write)] if write.committing.is_none()), "{steps:?}");
}

async fn work_on_a_task_of_its_own_is_looked_on_as_well(engine: Engine) {
    let shop = Shop::open(engine).await;
    let (kept, onlooker) = kept();
    let store = shop.store.clone();
    let work = seen_by(onlooker, async move {
        let other = store.clone();
        tokio::spawn(async move { other.sites().await }).await.expect("it ended").expect("sites");
        tokio::spawn(seen_on(async move { store.sites().await })).await.expect("it ended").expect("sites");
    });
    work.await;
    assert_eq!(kept.taken().len(), 1, "only what was given on is looked on");
}

async fn pushes_that_share_a_transaction_are_told_so_each(engine: Engine) {
    let shop = Shop::open(engine).await;
    let (kept, onlooker) = kept();
    let pushes = (1..=40).map(|day| {
        let push = shop.push(vec![hours("erp", "L-1", day, 8)], "2026-05-10T12:00:00Z");
        seen_by(onlooker.clone(), push)
    });
    futures::future::join_all(pushes).await;
    let steps = kept.taken();
    let calls: Vec<usize> = steps
        .iter()
        .filter_map(|step| match step {
            Step::Written(write) => Some(write.calls),
            Step::Read(_) => None,
        })
        .collect();
    assert_eq!(calls.len(), 40, "each is told of its own");
    // One that shared its transaction with n - 1 others stands for a part of it, so that all add up to whole transactions.
    for shared in calls.iter().copied().collect::<std::collections::BTreeSet<_>>() {
        assert_eq!(calls.iter().filter(|calls| **calls == shared).count() % shared, 0, "{calls:?}");
    }
    assert!(calls.iter().any(|calls| *calls > 1), "they wait for each other: {calls:?}");
}

on_every_engine!(
    reads_and_writes_are_told_with_their_times,
    what_was_refused_came_to_no_commit_and_whoever_does_not_look_on_is_told_nothing,
    work_on_a_task_of_its_own_is_looked_on_as_well,
    pushes_that_share_a_transaction_are_told_so_each,
);
