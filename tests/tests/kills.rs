//! A service that is killed in the middle of a push keeps its word, and so does one whose database is killed beneath it.
//! So does one whose database dies for good, with a standby to take its place. The proofs `kills`, `database-kills` and `standby` do
//! more rounds of this.

use fettler_tests::kill::{Life, Tally, Victim, rounds};
use fettler_tests::shuffle::Random;

const SEED: u64 = 20_261_125;

async fn survives(victim: Victim, wanted: u64) {
    let tally = rounds(victim, SEED, 0, wanted, |_| true).await;
    assert_eq!(tally.rounds, wanted);
    assert!(tally.leaves > 0 && tally.acknowledged > 0, "{tally:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_a_kill() {
    survives(Victim::Service, 4).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_a_kill_of_the_database() {
    survives(Victim::Database, 3).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_the_promotion_of_a_standby() {
    survives(Victim::Primary, 2).await;
}

/// The check finds what it is there for.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[should_panic(expected = "was acknowledged and is lost")]
async fn a_standby_that_was_cut_off_loses_what_was_acknowledged_since() {
    let mut life = Life::start(SEED, Victim::Primary).await;
    life.cut_off_standby();
    life.round(&mut Random::new(SEED), &mut Tally::default()).await;
}
