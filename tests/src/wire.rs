//! Calls over the wire, with a token.

use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::journal_service_client::JournalServiceClient;
use fettler_proto::v1::machine_service_client::MachineServiceClient;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use fettler_proto::v1::person_service_client::PersonServiceClient;
use fettler_proto::v1::run_hours_service_client::RunHoursServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_proto::v1::{DueItem, Entry, KeptReport, ListDueRequest, ListDueResponse, ListEntriesRequest};
use fettler_proto::v1::{ListMachinesRequest, ListReportsRequest, Machine};
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::Channel;
use tonic::{Request, Status};

/// Puts the token on every call.
#[derive(Clone, Debug)]
pub struct Bearer(MetadataValue<Ascii>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        request.metadata_mut().insert("authorization", self.0.clone());
        Ok(request)
    }
}

/// A channel that carries the token.
pub type Authorised = InterceptedService<Channel, Bearer>;

/// A connection to a service.
#[derive(Clone, Debug)]
pub struct Wire(Authorised);

/// The largest answer that is read: a page of 1,000 due items with their clauses.
const ANSWER_BYTES_MAX: usize = 64 << 20;
/// The page of the walks below: the largest that the service gives.
const PAGE: i32 = 1_000;

impl Wire {
    /// A connection over this channel with this token.
    pub fn new(channel: Channel, token: &str) -> Wire {
        let bearer = format!("Bearer {token}").parse().expect("a token is plain text");
        Wire(InterceptedService::new(channel, Bearer(bearer)))
    }

    /// The channel.
    pub fn channel(&self) -> Authorised {
        self.0.clone()
    }

    /// Shops.
    pub fn shop(&self) -> ShopServiceClient<Authorised> {
        ShopServiceClient::new(self.0.clone())
            .max_decoding_message_size(ANSWER_BYTES_MAX)
            .max_encoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Run hours.
    pub fn hours(&self) -> RunHoursServiceClient<Authorised> {
        RunHoursServiceClient::new(self.0.clone())
            .max_decoding_message_size(ANSWER_BYTES_MAX)
            .max_encoding_message_size(ANSWER_BYTES_MAX)
    }

    /// The due list.
    pub fn due(&self) -> DueServiceClient<Authorised> {
        DueServiceClient::new(self.0.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Work orders.
    pub fn orders(&self) -> OrderServiceClient<Authorised> {
        OrderServiceClient::new(self.0.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Machines.
    pub fn machines(&self) -> MachineServiceClient<Authorised> {
        MachineServiceClient::new(self.0.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// People.
    pub fn people(&self) -> PersonServiceClient<Authorised> {
        PersonServiceClient::new(self.0.clone())
    }

    /// The journal.
    pub fn journal(&self) -> JournalServiceClient<Authorised> {
        JournalServiceClient::new(self.0.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Every item of a due list, page by page, and its first page.
    pub async fn all_due(&self, mut ask: ListDueRequest) -> Result<(ListDueResponse, Vec<DueItem>), Status> {
        ask.page_size = PAGE;
        let mut client = self.due();
        let mut first = client.list_due(ask.clone()).await?.into_inner();
        let mut items = std::mem::take(&mut first.items);
        let mut token = first.next_page_token.clone();
        while !token.is_empty() {
            ask.page_token = token;
            let page = client.list_due(ask.clone()).await?.into_inner();
            items.extend(page.items);
            token = page.next_page_token;
        }
        Ok((first, items))
    }

    /// Every machine with what its meters show.
    pub async fn all_machines(&self) -> Result<Vec<Machine>, Status> {
        let mut ask = ListMachinesRequest { page_size: PAGE, ..ListMachinesRequest::default() };
        let mut client = self.machines();
        let mut all = Vec::new();
        loop {
            let page = client.list_machines(ask.clone()).await?.into_inner();
            all.extend(page.machines);
            if page.next_page_token.is_empty() {
                return Ok(all);
            }
            ask.page_token = page.next_page_token;
        }
    }

    /// Every report that is kept.
    pub async fn all_reports(&self) -> Result<Vec<KeptReport>, Status> {
        let mut ask = ListReportsRequest { page_size: PAGE, ..ListReportsRequest::default() };
        let mut client = self.hours();
        let mut all = Vec::new();
        loop {
            let page = client.list_reports(ask.clone()).await?.into_inner();
            all.extend(page.reports);
            if page.next_page_token.is_empty() {
                return Ok(all);
            }
            ask.page_token = page.next_page_token;
        }
    }

    /// Every entry of the journal from the first on.
    pub async fn all_entries(&self) -> Result<Vec<Entry>, Status> {
        let mut ask = ListEntriesRequest { page_size: PAGE, from: Some(0), ..ListEntriesRequest::default() };
        let mut client = self.journal();
        let mut all = Vec::new();
        loop {
            let page = client.list_entries(ask.clone()).await?.into_inner();
            all.extend(page.entries);
            if page.next_page_token.is_empty() {
                return Ok(all);
            }
            ask.page_token = page.next_page_token;
        }
    }
}
