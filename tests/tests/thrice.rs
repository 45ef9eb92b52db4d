//! Five sources deliver each report three times, in an order that chance makes. The proof `million` does a million of it.

use fettler_tests::thrice::deliver;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_kept_does_not_follow_from_the_order_of_deliveries() {
    let delivered = deliver(20_261_125, 2_500).await;
    assert_eq!(delivered.deliveries, delivered.reports * 3);
    assert!(delivered.counted_ms > 0, "{delivered:?}");
}
