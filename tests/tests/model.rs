//! Random operations end in what a plain model says. The proof `model` does more of it.

use fettler_tests::sequences::{Planted, Sequences};

const SEED: u64 = 20_261_125;
/// Sequences of the quick form.
const SEQUENCES: u64 = 150;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sequences_of_operations_end_in_what_the_model_says() {
    let mut sequences = Sequences::default();
    for seed in SEED..SEED + SEQUENCES {
        if let Err(why) = sequences.run(seed, Planted::Nothing).await {
            panic!("{why}");
        }
    }
}

/// Each is found within a few sequences, and told by the shortest beginning that shows it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_planted_defect_is_found() {
    for planted in [Planted::LostReport, Planted::LostUndo, Planted::TwiceAdjusted] {
        let mut sequences = Sequences::default();
        let mut found = None;
        for seed in SEED..SEED + SEQUENCES {
            found = sequences.run(seed, planted).await.err();
            if found.is_some() {
                break;
            }
        }
        let found = found.unwrap_or_else(|| panic!("{planted:?} is not found"));
        assert!(found.contains("operations: "), "{found}");
    }
}
