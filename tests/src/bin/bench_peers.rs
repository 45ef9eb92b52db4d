//! What an honest caller waits while a service has peers that are of no use: 1,000 that say nothing, 200 that read a byte a second, and
//! some that send what unpacks to much more than it may.
//!
//! usage: `bench_peers [CALLS]`, after a release build of all programs.
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result, ensure};
use fettler_proto::v1::LoadShopRequest;
use fettler_tests::peers::{SlowReaders, bomb, honest, is_too_large, silent};
use fettler_tests::service::Service;
use fettler_tests::year::shop;
use std::time::Duration;

/// Peers that say nothing.
const SILENT: usize = 1_000;
/// Peers that read slowly.
const SLOW: usize = 200;
/// Bombs, one after the other, while the honest caller calls.
const BOMBS: usize = 5;
/// What each unpacks to, in bytes.
const BOMB_BYTES: usize = 128 << 20;

fn show(what: &str, took: &[Duration], service: &Service) {
    let at = |share: usize| took[(took.len() - 1) * share / 100];
    let held = service.memory_peak_bytes() >> 20;
    println!(
        "{what}: {} calls, p50 {:?}, p99 {:?}, most {:?}; the service held {held} MiB at most",
        took.len(),
        at(50),
        at(99),
        at(100)
    );
}

#[tokio::main]
async fn main() -> Result<()> {
    let calls = std::env::args()
        .nth(1)
        .map_or(Ok(2_000), |text| text.parse())
        .context("usage: bench_peers [CALLS]")?;
    let service = Service::start();
    let tags: Vec<String> = (0..50).map(|n| format!("L-{n}")).collect();
    let load = LoadShopRequest { shop: Some(shop(&tags)), ..LoadShopRequest::default() };
    service.wire().await.shop().load_shop(load).await?;
    show("alone", &honest(&service, calls).await, &service);
    let peers = silent(&service, SILENT);
    show("beside 1,000 silent peers", &honest(&service, calls).await, &service);
    let readers = SlowReaders::start(&service, SLOW);
    show("and 200 slow readers", &honest(&service, calls).await, &service);
    let bombs = async {
        for _ in 0..BOMBS {
            ensure!(is_too_large(&bomb(&service, BOMB_BYTES).await), "a bomb is refused");
        }
        Ok(())
    };
    let (took, bombed) = futures::join!(honest(&service, calls), bombs);
    bombed?;
    show("and 5 bombs of 128 MiB each", &took, &service);
    readers.end();
    drop(peers);
    Ok(())
}
