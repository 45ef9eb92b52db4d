//! Both engines give the same answers.

use fettler_pg::Cluster;
use fettler_tests::agree::Pair;

/// More of them are a proof: `./tests/run --proofs engines`.
const OPERATIONS: usize = 400;
const SEED: u64 = 20_261_125;

#[tokio::test]
async fn random_operations_are_answered_alike() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("shop.db");
    let database = Cluster::shared().empty();
    let mut pair = Pair::open([file.to_str().expect("UTF-8"), &database], SEED).await;
    pair.push(20).await;
    let [one, other] = pair.heads().await;
    assert_eq!(one, other, "nothing was sealed yet but the names of people, which the installation keeps");
    pair.run(OPERATIONS).await;
}
