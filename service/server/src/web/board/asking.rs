//! The calls that a page makes: within the process, through the gate, to the handlers of every other call.

use crate::auth::Pass;
use crate::gate::Gate;
use crate::pins::PIN;
use crate::tls::Peer;
use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::machine_service_client::MachineServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::person_service_client::PersonServiceClient;
use fettler_proto::v1::round_service_client::RoundServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_proto::v1::stock_service_client::StockServiceClient;
use tonic::metadata::MetadataValue;
use tonic::service::Routes;
use tonic::{Request, Status};

/// The most names of people that a form offers; whoever is not among them is typed.
const NAMES_MAX: i32 = 1_000;

/// Makes calls for a reader of a page.
pub(super) struct Asker {
    gate: Gate<Routes>,
    pass: Pass,
    peer: Peer,
}

macro_rules! calls {
    ($($(#[$about:meta])* $name:ident($client:ident, $ask:ident) -> $answer:ident;)*) => {
        impl Asker {
            $($(#[$about])*
            pub(super) async fn $name(&self, ask: v1::$ask) -> Result<v1::$answer, Status> {
                // What comes from within is no larger than the store lets it be.
                let mut client = $client::new(self.gate.clone()).max_decoding_message_size(usize::MAX);
                Ok(client.$name(self.request(ask)).await?.into_inner())
            })*
        }
    };
}

calls! {
    /// Lists what is due.
    list_due(DueServiceClient, ListDueRequest) -> ListDueResponse;
    /// Explains an open order.
    explain_order(DueServiceClient, ExplainOrderRequest) -> ExplainOrderResponse;
    /// Shows an order.
    get_order(OrderServiceClient, GetOrderRequest) -> GetOrderResponse;
    /// Shows the round of the shift.
    get_round(RoundServiceClient, GetRoundRequest) -> GetRoundResponse;
    /// Lists how machines stand before the shift.
    list_readiness(RoundServiceClient, ListReadinessRequest) -> ListReadinessResponse;
    /// Lists what to buy.
    get_buy_list(StockServiceClient, GetBuyListRequest) -> GetBuyListResponse;
    /// Lists machines.
    list_machines(MachineServiceClient, ListMachinesRequest) -> ListMachinesResponse;
    /// Shows a machine with its card.
    get_machine(MachineServiceClient, GetMachineRequest) -> GetMachineResponse;
    /// Shows the shop as declared.
    get_shop(ShopServiceClient, GetShopRequest) -> GetShopResponse;
}

impl Asker {
    /// Asks by this pass, as this peer.
    pub(super) fn new(gate: Gate<Routes>, pass: Pass, peer: Peer) -> Asker {
        Asker { gate, pass, peer }
    }

    fn request<T>(&self, ask: T) -> Request<T> {
        let mut request = Request::new(ask);
        request.extensions_mut().insert(self.pass.clone());
        request.extensions_mut().insert(self.peer.clone());
        request
    }

    /// The sites that are the reader's.
    pub(super) async fn sites(&self) -> Result<Vec<v1::Site>, Status> {
        let mut client = ShopServiceClient::new(self.gate.clone()).max_decoding_message_size(usize::MAX);
        Ok(client.list_sites(self.request(v1::ListSitesRequest {})).await?.into_inner().sites)
    }

    /// The names of people.
    pub(super) async fn people(&self) -> Result<Vec<String>, Status> {
        let ask = v1::ListPeopleRequest { page_size: NAMES_MAX, ..Default::default() };
        let mut client = PersonServiceClient::new(self.gate.clone()).max_decoding_message_size(usize::MAX);
        let people = client.list_people(self.request(ask)).await?.into_inner().people;
        Ok(people.into_iter().map(|person| person.name).collect())
    }

    /// Closes an order, with the PIN of whoever says so where they gave one.
    pub(super) async fn close_order(
        &self,
        ask: v1::CloseOrderRequest,
        pin: &str,
    ) -> Result<v1::CloseOrderResponse, Status> {
        let mut request = self.request(ask);
        if !pin.is_empty() {
            // What cannot travel as metadata is no PIN, and is refused as a wrong one.
            let pin = MetadataValue::try_from(pin).unwrap_or_else(|_| MetadataValue::from_static("none"));
            request.metadata_mut().insert(PIN, pin);
        }
        let mut client = OrderServiceClient::new(self.gate.clone()).max_decoding_message_size(usize::MAX);
        Ok(client.close_order(request).await?.into_inner())
    }
}
