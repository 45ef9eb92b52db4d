//! A service that is killed in the middle of a push keeps its word. The proof `kills` does 200 rounds of this.

use fettler_tests::kill::rounds;

const SEED: u64 = 20_261_125;
const ROUNDS: u64 = 4;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_a_kill() {
    let tally = rounds(SEED, 0, ROUNDS, |_| true).await;
    assert_eq!(tally.rounds, ROUNDS);
    assert!(tally.leaves > 0 && tally.acknowledged > 0, "{tally:?}");
}
