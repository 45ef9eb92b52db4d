//! The connection: one channel, the token on every call, and a client for each service.

use crate::config::Settings;
use crate::trace::Trace;
use fettler_proto::v1::{
    audit_service_client::AuditServiceClient, due_calendar_service_client::DueCalendarServiceClient,
    due_service_client::DueServiceClient, figures_service_client::FiguresServiceClient,
    fluid_service_client::FluidServiceClient, installation_service_client::InstallationServiceClient,
    journal_service_client::JournalServiceClient, machine_service_client::MachineServiceClient,
    order_service_client::OrderServiceClient, outbound_service_client::OutboundServiceClient,
    person_service_client::PersonServiceClient, planned_use_service_client::PlannedUseServiceClient,
    proof_service_client::ProofServiceClient, reading_service_client::ReadingServiceClient,
    review_service_client::ReviewServiceClient, round_service_client::RoundServiceClient,
    run_hours_service_client::RunHoursServiceClient, shop_service_client::ShopServiceClient,
    stock_service_client::StockServiceClient,
};
use std::time::Duration;
use tonic::{
    Request, Status,
    metadata::{Ascii, MetadataValue},
    service::{Interceptor, interceptor::InterceptedService},
    transport::{Channel, Endpoint},
};

/// How long the connection itself may take.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a unary call may take.
pub(crate) const CALL_DEADLINE: Duration = Duration::from_secs(30);
/// How often a silent connection with an open stream is asked whether it still stands.
const KEEP_ALIVE: Duration = Duration::from_secs(20);
/// The largest answer taken: a page of 1,000 rows with all their texts stays far below.
const ANSWER_BYTES_MAX: usize = 32 * 1024 * 1024;

/// Adds the token to every call, and the trace that the client was called in.
#[derive(Clone)]
pub(crate) struct Bearer {
    token: Option<MetadataValue<Ascii>>,
    trace: Trace,
}

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if let Some(value) = &self.token {
            request.metadata_mut().insert("authorization", value.clone());
        }
        self.trace.put(request.metadata_mut());
        Ok(request)
    }
}

/// What the generated clients call through.
pub(crate) type Wire = InterceptedService<Channel, Bearer>;

/// A connection that opens on first use and again after a break.
#[derive(Clone)]
pub(crate) struct Link {
    wire: Wire,
}

impl Link {
    /// Prepares a connection; nothing is sent yet.
    pub(crate) fn new(settings: &Settings) -> Link {
        let mut endpoint = Endpoint::from(settings.server.clone());
        if let Some(tls) = &settings.tls {
            endpoint =
                endpoint.tls_config(tls.clone()).expect("it was tried when the settings were resolved");
        }
        let channel = endpoint
            .connect_timeout(CONNECT_TIMEOUT)
            .tcp_nodelay(true)
            .tcp_keepalive(Some(KEEP_ALIVE))
            .http2_keep_alive_interval(KEEP_ALIVE)
            .keep_alive_timeout(KEEP_ALIVE)
            .connect_lazy();
        let bearer = Bearer { token: settings.bearer.clone(), trace: Trace::of_environment() };
        Link { wire: InterceptedService::new(channel, bearer) }
    }

    /// The due list.
    pub(crate) fn due(&self) -> DueServiceClient<Wire> {
        DueServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Due calendars.
    pub(crate) fn calendars(&self) -> DueCalendarServiceClient<Wire> {
        DueCalendarServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Work orders.
    pub(crate) fn orders(&self) -> OrderServiceClient<Wire> {
        OrderServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// What other systems book.
    pub(crate) fn outbound(&self) -> OutboundServiceClient<Wire> {
        OutboundServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Readings.
    pub(crate) fn readings(&self) -> ReadingServiceClient<Wire> {
        ReadingServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Rounds.
    pub(crate) fn rounds(&self) -> RoundServiceClient<Wire> {
        RoundServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// The audit.
    pub(crate) fn audit(&self) -> AuditServiceClient<Wire> {
        AuditServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Fluids.
    pub(crate) fn fluids(&self) -> FluidServiceClient<Wire> {
        FluidServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// The installation itself.
    pub(crate) fn installation(&self) -> InstallationServiceClient<Wire> {
        InstallationServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Run hours.
    pub(crate) fn hours(&self) -> RunHoursServiceClient<Wire> {
        RunHoursServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Planned use.
    pub(crate) fn planned(&self) -> PlannedUseServiceClient<Wire> {
        PlannedUseServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Items on the shelf.
    pub(crate) fn stock(&self) -> StockServiceClient<Wire> {
        StockServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Advice of intervals.
    pub(crate) fn review(&self) -> ReviewServiceClient<Wire> {
        ReviewServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Figures of care.
    pub(crate) fn figures(&self) -> FiguresServiceClient<Wire> {
        FiguresServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Machines.
    pub(crate) fn machines(&self) -> MachineServiceClient<Wire> {
        MachineServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// People.
    pub(crate) fn people(&self) -> PersonServiceClient<Wire> {
        PersonServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// The declared shop.
    pub(crate) fn shop(&self) -> ShopServiceClient<Wire> {
        ShopServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// Checkpoints and proofs of the journal.
    pub(crate) fn proofs(&self) -> ProofServiceClient<Wire> {
        ProofServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }

    /// The journal.
    pub(crate) fn journal(&self) -> JournalServiceClient<Wire> {
        JournalServiceClient::new(self.wire.clone()).max_decoding_message_size(ANSWER_BYTES_MAX)
    }
}
