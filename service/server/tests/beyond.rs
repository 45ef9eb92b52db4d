//! Where somebody asks from beyond what there is: further than was told, or than a journal goes. What comes there later must not be missed,
//! and what is not there must not look like an end that was reached.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

mod support;

use fettler_proto::v1;
use fettler_proto::v1::{
    audit_service_client::AuditServiceClient, journal_service_client::JournalServiceClient,
    order_service_client::OrderServiceClient, outbound_service_client::OutboundServiceClient,
    proof_service_client::ProofServiceClient, shop_service_client::ShopServiceClient,
};
use fettler_server::notary::{Notary, Places};
use support::{NOW, Server, Wire, fields, reason};
use tempfile::TempDir;
use tonic::{Code, Status};

struct Shop {
    wire: Wire,
    _server: Server,
    _folder: TempDir,
}

async fn shop() -> Shop {
    let folder = tempfile::tempdir().unwrap();
    let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await.unwrap();
    let notary = Notary::open(&*store, &Places::within(folder.path()), NOW).await.unwrap();
    let server = Server::start_with(store, notary).await;
    let wire = server.wire().await;
    let shop = v1::Shop {
        site: Some(v1::Site { key: "north".into(), zone: "UTC".into(), ..Default::default() }),
        people: vec!["Ada Kern".into()],
        machines: vec![v1::MachineCard { tag: "L-03".into(), ..Default::default() }],
        ..Default::default()
    };
    let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(wire.clone()).load_shop(ask).await.unwrap();
    Shop { wire, _server: server, _folder: folder }
}

impl Shop {
    /// Raises an order and closes it.
    async fn works(&self) {
        let mut orders = OrderServiceClient::new(self.wire.clone());
        let raise = v1::RaiseOrderRequest {
            machine: "L-03".into(),
            title: "Look for the drip".into(),
            by: "Ada Kern".into(),
            ..Default::default()
        };
        let order = orders.raise_order(raise).await.unwrap().into_inner().item.unwrap().order;
        let close = v1::CloseOrderRequest { order, done_by: "Ada Kern".into(), ..Default::default() };
        orders.close_order(close).await.unwrap();
    }

    async fn outbound(&self, after: i64) -> Result<v1::GetOutboundResponse, Status> {
        let ask = v1::GetOutboundRequest { after, wait_seconds: 50, ..Default::default() };
        let told = OutboundServiceClient::new(self.wire.clone()).get_outbound(ask).await;
        told.map(tonic::Response::into_inner)
    }

    async fn size(&self) -> i64 {
        let ask = v1::GetJournalHeadRequest::default();
        JournalServiceClient::new(self.wire.clone()).get_journal_head(ask).await.unwrap().into_inner().size
    }

    async fn entries(&self, from: i64) -> (Vec<i64>, String) {
        let ask = v1::ListEntriesRequest { from: Some(from), ..Default::default() };
        let page = JournalServiceClient::new(self.wire.clone()).list_entries(ask).await.unwrap().into_inner();
        (page.entries.iter().map(|entry| entry.number).collect(), page.next_page_token)
    }
}

/// What complains of one field, and how.
fn complaint(refused: &Status) -> (String, String) {
    assert_eq!(
        (refused.code(), reason(refused).as_str()),
        (Code::InvalidArgument, "FIELDS_INVALID"),
        "{refused}"
    );
    let [(field, text)] = &fields(refused)[..] else { panic!("{refused}") };
    (field.clone(), text.clone())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_asks_after_what_was_not_told_is_told_so_at_once() {
    let shop = shop().await;
    shop.works().await;
    let told = shop.outbound(0).await.unwrap();
    assert_eq!((told.through, told.more), (1, false));
    for after in [2, 3, i64::MAX] {
        // It would wait for 50 s, and then miss what comes as number 2.
        let (field, text) = complaint(&shop.outbound(after).await.unwrap_err());
        assert_eq!(field, "after");
        assert!(text.starts_with(&format!("{after} was not told yet")), "{text}");
    }
    shop.works().await;
    let told = shop.outbound(1).await.unwrap();
    assert_eq!(told.entries.iter().map(|entry| entry.number).collect::<Vec<_>>(), [2]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_journal_has_nothing_beyond_its_end_until_something_is_written() {
    let shop = shop().await;
    let end = shop.size().await;
    for from in [end, end + 1, i64::MAX] {
        assert_eq!(shop.entries(from).await, (Vec::new(), String::new()), "from {from} of {end}");
    }
    let leaves = async |from: i64| {
        let ask = v1::ListLeavesRequest { from, ..Default::default() };
        let page = ProofServiceClient::new(shop.wire.clone()).list_leaves(ask).await.unwrap().into_inner();
        (page.leaves.len(), page.next_page_token)
    };
    for from in [end, end + 1, i64::MAX] {
        assert_eq!(leaves(from).await, (0, String::new()), "from {from} of {end}");
    }
    shop.works().await;
    assert_eq!(shop.entries(end).await.0, [end, end + 1], "raised and closed");
    assert_eq!(shop.entries(end + 1).await.0, [end + 1]);
    assert_eq!(leaves(end).await.0, 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_journal_does_not_have_is_not_proven() {
    let shop = shop().await;
    let end = shop.size().await;
    let mut proofs = ProofServiceClient::new(shop.wire.clone());
    let ask = v1::GetConsistencyRequest { old_size: 0, new_size: end + 1, ..Default::default() };
    let (field, text) = complaint(&proofs.get_consistency(ask).await.unwrap_err());
    assert!(field == "new_size" && text.contains(&end.to_string()), "{field} {text}");
    for entry in [end, i64::MAX] {
        let which = Some(v1::get_inclusion_request::Which::Entry(entry));
        let ask = v1::GetInclusionRequest { which, ..Default::default() };
        let refused = proofs.get_inclusion(ask).await.unwrap_err();
        assert!(refused.message().contains(&entry.to_string()), "{refused}");
        assert_eq!(refused.code(), Code::NotFound, "{refused}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bent_token_is_told_by_the_field_that_holds_it() {
    let shop = shop().await;
    let ask = v1::ExportClosingsRequest { resume_token: "bent".into(), ..Default::default() };
    let refused = AuditServiceClient::new(shop.wire.clone()).export_closings(ask).await.unwrap_err();
    assert_eq!(complaint(&refused).0, "resume_token");
    let ask = v1::ListEntriesRequest { page_token: "bent".into(), ..Default::default() };
    let refused = JournalServiceClient::new(shop.wire.clone()).list_entries(ask).await.unwrap_err();
    assert_eq!(complaint(&refused).0, "page_token");
}
