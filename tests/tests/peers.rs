//! A request that is small as it is packed and large when it is unpacked is refused, before it has cost the service its memory.
//! `bench_peers` measures what honest callers wait meanwhile.

use fettler_tests::peers::{bomb, is_too_large};
use fettler_tests::service::Service;

/// What it unpacks to, in bytes: sixteen times what a message may be.
const BYTES: usize = 64 << 20;
/// What the service may come to hold more, in bytes: some buffers of the largest message.
const GROWTH_BYTES_MAX: u64 = 24 << 20;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_unpacks_to_too_much_is_refused_and_the_next_call_is_fine() {
    let service = Service::start();
    let wire = service.wire().await;
    wire.all_machines().await.expect_err("there is no site yet");
    let before = service.memory_peak_bytes();
    for _ in 0..3 {
        let refused = bomb(&service, BYTES).await;
        assert!(is_too_large(&refused), "{refused:?}");
    }
    let grown = service.memory_peak_bytes() - before;
    assert!(grown < GROWTH_BYTES_MAX, "it came to hold {grown} bytes more");
    wire.people().list_people(fettler_proto::v1::ListPeopleRequest::default()).await.expect("the next call");
}
