//! Inputs bent by chance: nothing that reads them breaks, stands still or grows. The proof `fuzz` does more of it; the client's own
//! tests do the same with files that people hand in.

use fettler_tests::fuzz::run_as_told;
use fettler_tests::fuzz_requests::Requests;
use fettler_tests::fuzz_targets::{NAMES, with};
use fettler_tests::programs::root;

#[test]
fn what_is_read_from_elsewhere_is_read_or_refused() {
    for name in NAMES {
        with(name, |target| run_as_told(target, &root()));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_call_answers_any_request() {
    let mut requests = Requests::start(20_261_125).await;
    let ran = requests.run(3_000, 30_000).await;
    let (answered, methods) = requests.answered();
    assert!(ran.inputs == 3_000 || ran.cpu_millis >= 30_000, "{ran:?}");
    assert!(answered * 2 > methods, "{answered} of {methods} methods answered well at least once");
}
