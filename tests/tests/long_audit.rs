//! The audit as one long stream; of ten thousand closings it is a proof.

use fettler_tests::long_audit::exported;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_thousand_closings_are_told_once_each_in_order_and_never_held_at_once() {
    let (bytes, _) = exported(2).await;
    assert!(bytes > 100_000, "there was something to hold: {bytes}");
}
