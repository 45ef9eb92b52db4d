//! The work between calls.

mod support;

use fettler_domain::ids::SiteId;
use fettler_server::clock::HandClock;
use fettler_server::upkeep::once;
use std::sync::Arc;
use support::NOW;
use support::fake::Fake;
use tokio_util::sync::CancellationToken;

#[tokio::test]
async fn a_site_whose_upkeep_fails_does_not_keep_the_others_from_theirs() {
    let fake = Arc::new(Fake::open());
    *fake.more_sites.lock().unwrap() = vec![SiteId(2), SiteId(3)];
    once(&*fake, &HandClock::new(NOW), "here", &CancellationToken::new()).await.unwrap();
    assert_eq!(*fake.kept.lock().unwrap(), [SiteId(1), SiteId(2), SiteId(3)]);
}

#[tokio::test]
async fn what_another_service_sees_to_is_left_to_it() {
    let fake = Arc::new(Fake::open());
    *fake.more_sites.lock().unwrap() = vec![SiteId(2), SiteId(3)];
    *fake.kept_by_others.lock().unwrap() = vec![SiteId(2)];
    once(&*fake, &HandClock::new(NOW), "here", &CancellationToken::new()).await.unwrap();
    assert_eq!(*fake.kept.lock().unwrap(), [SiteId(1), SiteId(3)]);
}
