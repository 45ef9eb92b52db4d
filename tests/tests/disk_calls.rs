//! One call of the system fails: what was acknowledged is there, and nothing wrong is answered. The proof `io-errors` lets every call of
//! a script of 200 operations fail in turn.

use fettler_tests::calls::Calls;
use fettler_tests::disk::{Shop, is_whole};
use fettler_tests::faulty::{Script, Tally};
use fettler_tests::standing_reader::StandingReader;

const SEED: u64 = 20_261_125;
/// Parts of the script that the quick form does, of 20.
const PARTS: usize = 2;
/// Points that it tries.
const POINTS: u64 = 24;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_call_that_fails_loses_nothing_and_makes_no_answer_wrong() {
    let script = Script::rehearse(SEED, PARTS).await;
    let mut tally = Tally::default();
    let mut number = 0;
    while tally.points < POINTS {
        script.try_point(number, &mut tally).await;
        number += 1;
    }
    assert!(tally.ended > 0 && tally.refused + tally.unnoticed > 0, "{tally:?}");
}

/// The comparison finds what it is there for: a commit whose flush is answered as done, and is lost.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[should_panic(expected = "a flush that lies: flush /fettler.db-wal")]
async fn a_flush_that_lies_is_found() {
    Script::rehearse(SEED, PARTS).await.try_lie().await;
}

/// Pages of the log after which it is moved into the file are 4,000. A reader that stands still lets only a part of it be moved, and
/// that part is not yet flushed; when the flush of the rest fails, it is lost with it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flush_that_fails_while_the_log_is_moved_loses_nothing() {
    let calls = Calls::make();
    let mut shop = Shop::start_on_calls(&calls);
    shop.fill_log(3_000).await;
    let reader = StandingReader::begin(shop.service().data()).await;
    shop.fill_log(4_200).await;
    reader.end().await;
    calls.fail_next_flush();
    shop.push_until_refused(40).await;
    assert!(calls.has_failed(), "the log was moved");
    let ended = shop.service().stop_if_it_runs();
    assert!(!ended.success(), "{ended}");
    shop.service().start_again();
    shop.counts_all();
    is_whole(shop.service().data());
}
