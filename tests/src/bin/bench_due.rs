//! How fast a due list is given: the first page of 500 of one day's list over 2,481 machines with six tasks each, after the
//! whole year.
//!
//! usage: `bench_due [CALLS]`, after a release build of all programs.
#![expect(clippy::print_stdout, reason = "a program that talks to a person")]

use anyhow::{Context as _, Result};
use fettler_proto::v1::{ListDueRequest, LoadShopRequest, ShiftReport};
use fettler_tests::push::push_all;
use fettler_tests::service::Service;
use fettler_tests::year::{Leg, legs, machines, shop};
use std::time::Instant;

/// The items of the page.
const PAGE: i32 = 500;

#[tokio::main]
async fn main() -> Result<()> {
    let calls =
        std::env::args().nth(1).map_or(Ok(300), |text| text.parse()).context("usage: bench_due [CALLS]")?;
    let all = legs();
    let service = Service::start();
    let wire = service.wire().await;
    let load = LoadShopRequest { shop: Some(shop(&machines(&all))), ..LoadShopRequest::default() };
    wire.shop().load_shop(load).await?;
    push_all(&wire, &all.iter().map(Leg::report).collect::<Vec<ShiftReport>>()).await;

    let mut client = wire.due();
    let mut took = Vec::new();
    let mut items = 0;
    for _ in 0..calls {
        let ask = ListDueRequest { page_size: PAGE, ..ListDueRequest::default() };
        let begin = Instant::now();
        items = client.list_due(ask).await?.into_inner().items.len();
        took.push(begin.elapsed());
    }
    took.sort();
    let at = |share: usize| took[(took.len() - 1) * share / 100];
    println!("first page of {items} items, {calls} calls, measured at the caller in another process:");
    println!("  p50 {:?}, p99 {:?}, most {:?}", at(50), at(99), at(100));
    Ok(())
}
