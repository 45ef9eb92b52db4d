//! A disk that is full refuses writing and nothing else; one that fails ends the service, which keeps what it acknowledged.

use fettler_tests::disk::{Fault, Shop, is_whole};

#[test]
fn a_full_disk_refuses_writing_and_takes_it_again_when_there_is_room() {
    let mut shop = Shop::start();
    for _ in 0..3 {
        shop.fill_and_free();
    }
    is_whole(shop.service().data());
    shop.service().stop();
    shop.service().start_again();
    shop.counts_all();
    is_whole(shop.service().data());
}

#[test]
fn a_disk_that_fails_ends_the_service_and_what_was_acknowledged_is_there_after_it() {
    for fault in [Fault::Flush, Fault::Write] {
        let mut shop = Shop::start();
        shop.taken();
        shop.set(fault);
        let refused = shop.push();
        assert_ne!(refused.code, 0, "{fault:?}: {}", refused.all());
        let ended = shop.service().ended();
        assert!(!ended.success(), "{fault:?}: {ended}");
        shop.set(Fault::None);
        shop.service().start_again();
        // Whether the refused ones were written is not known; sent again they count once.
        shop.taken();
        shop.counts_all();
        is_whole(shop.service().data());
    }
}
