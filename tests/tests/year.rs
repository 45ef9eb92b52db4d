//! A year of real duty through the real service: 202,038 reports of 2,481 machines with six tasks each, in two orders of
//! arrival, held against the file's own sums and an independent computation of every due point. The proof `year-postgres` holds the
//! other engine against this one.

use fettler_tests::duty::{all_at_once, as_it_goes_by, kept, list};
use fettler_tests::year::{legs, machines};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_year_of_real_duty() {
    let all = legs();
    let tags = machines(&all);
    let (first, closings) = as_it_goes_by(None, &all, &tags).await;
    let second = all_at_once(None, &all, &tags, &closings).await;
    let (one, two) = (first.wire().await, second.wire().await);

    let (a, b) = (list(&one).await, list(&two).await);
    assert_eq!(a.len(), b.len());
    for (key, item) in &a {
        assert_eq!(Some(item), b.get(key), "{key:?}");
    }

    let (a, b) = (kept(&one).await, kept(&two).await);
    assert_eq!(a.len(), all.len());
    assert!(a == b, "the ledgers are equal");
}
