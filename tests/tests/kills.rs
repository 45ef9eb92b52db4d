//! A service that is killed in the middle of a push keeps its word, and so does one whose database is killed beneath it.
//! The proofs `kills` and `database-kills` do many rounds of this.

use fettler_tests::kill::{Victim, rounds};

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
