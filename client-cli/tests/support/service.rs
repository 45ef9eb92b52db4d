//! The service's side: it does what its plan says and remembers what it was asked.

use super::{TOKEN, watch};
use fettler_proto::v1::{
    self as pb,
    due_service_server::{DueService, DueServiceServer},
    fluid_service_server::FluidServiceServer,
    machine_service_server::MachineServiceServer,
    order_service_server::{OrderService, OrderServiceServer},
    outbound_service_server::OutboundServiceServer,
    person_service_server::PersonServiceServer,
    planned_use_service_server::PlannedUseServiceServer,
    reading_service_server::ReadingServiceServer,
    review_service_server::ReviewServiceServer,
    round_service_server::RoundServiceServer,
    run_hours_service_server::{RunHoursService, RunHoursServiceServer},
    shop_service_server::ShopServiceServer,
    stock_service_server::StockServiceServer,
};
use futures::FutureExt as _;
use prost::Message;
use std::{
    collections::{HashMap, HashSet},
    net::SocketAddr,
    pin::Pin,
    sync::{Arc, Mutex},
};
use tokio::{
    net::TcpListener,
    sync::{Notify, mpsc},
};
use tokio_stream::{
    Stream,
    wrappers::{ReceiverStream, TcpListenerStream},
};
use tonic::{Code, Request, Response, Status, Streaming, transport::Server};
use tonic_types::{ErrorDetails, FieldViolation, StatusExt as _};

/// What the service will do.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plan {
    /// How many calls of CloseOrder are answered with UNAVAILABLE first.
    pub(crate) close_unavailable: u32,
    /// How many calls that change something are answered with UNAVAILABLE first, although the first was taken.
    pub(crate) changes_unanswered: usize,
    /// Answer CloseOrder with a refusal that has every detail.
    pub(crate) close_refused: bool,
    /// Never answer CloseOrder.
    pub(crate) close_silent: bool,
    /// End the first stream with UNAVAILABLE after so many acknowledgements.
    pub(crate) stream_breaks_after: Option<u64>,
    /// End every stream with a refusal after so many acknowledgements.
    pub(crate) stream_refused_after: Option<u64>,
    /// Acknowledge as slowly as possible: nothing until so many reports are on their way, then one for every two that are
    /// there.
    pub(crate) stream_lags: Option<u64>,
}

/// What the service was asked.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    pub(crate) closings: Vec<pb::CloseOrderRequest>,
    /// Every call that changes something, as it was sent.
    pub(crate) changes: Vec<Vec<u8>>,
    pub(crate) sites: Vec<String>,
    pub(crate) reports: HashMap<String, u32>,
    pub(crate) streams: u32,
    pub(crate) lag_max: u64,
    pub(crate) loads: Vec<pb::LoadShopRequest>,
    due_requests: HashSet<String>,
}

/// The service.
#[derive(Clone)]
pub(crate) struct Mock {
    plan: Plan,
    seen: Arc<Mutex<Seen>>,
    /// Told when CloseOrder has arrived.
    pub(crate) arrived: Arc<Notify>,
}

impl Mock {
    /// Serves on a free port until the test ends.
    pub(crate) async fn serve(plan: Plan) -> (Mock, SocketAddr) {
        let mock = Mock { plan, seen: Arc::default(), arrived: Arc::default() };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let check = |request: Request<()>| match request.metadata().get("authorization") {
            Some(value) if value == format!("Bearer {TOKEN}").as_str() => Ok(request),
            Some(_) | None => Err(Status::unauthenticated("the call carries no token that is known")),
        };
        let server = Server::builder()
            .add_service(DueServiceServer::with_interceptor(mock.clone(), check))
            .add_service(OutboundServiceServer::with_interceptor(mock.clone(), check))
            .add_service(OrderServiceServer::with_interceptor(mock.clone(), check))
            .add_service(RunHoursServiceServer::with_interceptor(mock.clone(), check))
            .add_service(PlannedUseServiceServer::with_interceptor(mock.clone(), check))
            .add_service(ShopServiceServer::with_interceptor(mock.clone(), check))
            .add_service(MachineServiceServer::with_interceptor(mock.clone(), check))
            .add_service(PersonServiceServer::with_interceptor(mock.clone(), check))
            .add_service(RoundServiceServer::with_interceptor(mock.clone(), check))
            .add_service(StockServiceServer::with_interceptor(mock.clone(), check))
            .add_service(FluidServiceServer::with_interceptor(mock.clone(), check))
            .add_service(ReviewServiceServer::with_interceptor(mock.clone(), check))
            .add_service(ReadingServiceServer::with_interceptor(mock.clone(), check))
            .serve_with_incoming(TcpListenerStream::new(listener));
        tokio::spawn(server);
        (mock, address)
    }

    /// Looks at what was asked.
    pub(crate) fn seen<T>(&self, look: impl FnOnce(&mut Seen) -> T) -> T {
        look(&mut self.seen.lock().unwrap())
    }

    /// Remembers a call that changes something, and answers it as planned.
    pub(super) fn change<A: Default>(&self, request: &impl Message) -> Result<Response<A>, Status> {
        let calls = self.seen(|seen| {
            seen.changes.push(request.encode_to_vec());
            seen.changes.len()
        });
        if calls <= self.plan.changes_unanswered {
            return Err(Status::unavailable("the answer is lost"));
        }
        Ok(Response::new(A::default()))
    }

    fn judge(&self, report: &pb::ShiftReport) -> pb::Acknowledgement {
        let times = self.seen(|seen| {
            let times = seen.reports.entry(report.report_id.clone()).or_default();
            *times += 1;
            *times
        });
        let mut ack = pb::Acknowledgement {
            report: Some(pb::ReportReference {
                source: report.source.clone(),
                report_id: report.report_id.clone(),
                ..Default::default()
            }),
            outcome: pb::Outcome::Accepted.into(),
            ..Default::default()
        };
        let amount = match &report.statement {
            Some(pb::shift_report::Statement::Interval(interval)) => interval.amount.as_str(),
            Some(_) | None => "",
        };
        if amount == "NaN" {
            ack.outcome = pb::Outcome::Refused.into();
            ack.problems = vec![pb::FieldProblem {
                field: "interval.amount".into(),
                text: "`NaN` is not a plain decimal number such as 7.25".into(),
            }];
        } else if report.machine == "GHOST" {
            ack.outcome = pb::Outcome::Held.into();
            ack.reason = Some(pb::HeldReason {
                code: pb::HeldCode::UnknownMachine.into(),
                text: "no machine has that tag or name; declare it, or give its name to one".into(),
                ..Default::default()
            });
        } else if times > 1 {
            ack.outcome = pb::Outcome::Duplicate.into();
            ack.became = pb::ReportState::Counted.into();
        }
        ack
    }

    async fn take(
        self,
        mut incoming: Streaming<pb::StreamReportsRequest>,
        answers: mpsc::Sender<Result<pb::StreamReportsResponse, Status>>,
    ) {
        let stream = self.seen(|seen| {
            seen.streams += 1;
            seen.streams
        });
        let mut waiting = std::collections::VecDeque::new();
        let (mut received, mut acknowledged) = (0, 0);
        loop {
            let fills = received < 20_000
                && self.plan.stream_lags.is_some_and(|least| received - acknowledged < least);
            let next = if self.plan.stream_lags.is_some() && !fills && !waiting.is_empty() {
                // While a report is there it is taken; an acknowledgement goes out for every second one, and
                // whenever the client has nothing more on its way.
                incoming.message().now_or_never()
            } else {
                Some(incoming.message().await)
            };
            let idle = next.is_none();
            match next {
                Some(Ok(Some(message))) => {
                    received += 1;
                    if received == 1 {
                        self.seen(|seen| seen.sites.push(message.site.clone()));
                    }
                    waiting.push_back(message.report.unwrap());
                    self.seen(|seen| seen.lag_max = seen.lag_max.max(received - acknowledged));
                }
                Some(Ok(None)) if waiting.is_empty() => return,
                Some(Ok(None)) | None => {}
                Some(Err(_)) => return,
            }
            if fills || self.plan.stream_lags.is_some() && !idle && received % 2 == 0 && received < 20_000 {
                continue;
            }
            let Some(report) = waiting.pop_front() else { continue };
            acknowledged += 1;
            let ack = self.judge(&report);
            let answer = pb::StreamReportsResponse { sequence: acknowledged, acknowledgement: Some(ack) };
            if answers.send(Ok(answer)).await.is_err() {
                return;
            }
            if stream == 1 && self.plan.stream_breaks_after == Some(acknowledged) {
                let _ = answers.send(Err(Status::unavailable("the service is going away"))).await;
                return;
            }
            if self.plan.stream_refused_after == Some(acknowledged) {
                let _ = answers.send(Err(Status::permission_denied("this token may not push"))).await;
                return;
            }
        }
    }
}

pub(super) fn none<T>() -> Result<Response<T>, Status> {
    Err(Status::unimplemented("this service is a stand-in"))
}

fn item(order: i64) -> pb::DueItem {
    pb::DueItem {
        order,
        section: pb::DueSection::Dated.into(),
        machine: "L-03".into(),
        machine_name: "Lathe three".into(),
        area: "Hall A".into(),
        title: "Drain the condensate bowl".into(),
        when: "due today".into(),
        kind: pb::DueKind::Calendar.into(),
        due_day: "2026-11-25".into(),
        hazard: true,
        cautions: vec!["shut off and bleed the air first".into()],
        ..Default::default()
    }
}

#[tonic::async_trait]
impl DueService for Mock {
    type WatchDueStream = watch::Tellings;

    async fn watch_due(
        &self,
        request: Request<pb::WatchDueRequest>,
    ) -> Result<Response<Self::WatchDueStream>, Status> {
        Ok(Response::new(watch::told(request.get_ref(), item)))
    }

    async fn list_due(
        &self,
        request: Request<pb::ListDueRequest>,
    ) -> Result<Response<pb::ListDueResponse>, Status> {
        let request = request.into_inner();
        self.seen(|seen| seen.due_requests.insert(request.until.clone()));
        let first = request.page_token.is_empty();
        let mut title = item(if first { 1042 } else { 1043 });
        title.why = format!("looked ahead to `{}`", request.until);
        Ok(Response::new(pb::ListDueResponse {
            site: "north".into(),
            site_name: "North hall".into(),
            zone: "Europe/Berlin".into(),
            shop_day: "2026-11-25".into(),
            as_of: Some(prost_types::Timestamp { seconds: 1_795_582_800, nanos: 0 }),
            items: vec![title],
            next_page_token: if first { "more".into() } else { String::new() },
            ..Default::default()
        }))
    }

    async fn explain_order(
        &self,
        request: Request<pb::ExplainOrderRequest>,
    ) -> Result<Response<pb::ExplainOrderResponse>, Status> {
        if self.seen(|seen| !seen.changes.is_empty()) {
            return Err(Status::not_found("there is no such open order"));
        }
        let item = Some(item(request.into_inner().order));
        Ok(Response::new(pb::ExplainOrderResponse { item, row_agrees: true, ..Default::default() }))
    }

    async fn look_ahead(
        &self,
        request: Request<pb::LookAheadRequest>,
    ) -> Result<Response<pb::LookAheadResponse>, Status> {
        let request = request.into_inner();
        let next_page_token = if request.page_token.is_empty() { "more".into() } else { String::new() };
        let title = format!("looked ahead to `{}`", request.until);
        let tasks = vec![pb::TaskAhead { machine: "L-03".into(), title, ..Default::default() }];
        Ok(Response::new(pb::LookAheadResponse { tasks, next_page_token, ..Default::default() }))
    }
}

#[tonic::async_trait]
impl OrderService for Mock {
    async fn close_order(
        &self,
        request: Request<pb::CloseOrderRequest>,
    ) -> Result<Response<pb::CloseOrderResponse>, Status> {
        let request = request.into_inner();
        let calls = self.seen(|seen| {
            seen.closings.push(request.clone());
            seen.closings.len()
        });
        let _: Response<()> = self.change(&request)?;
        self.arrived.notify_one();
        if self.plan.close_silent {
            std::future::pending::<()>().await;
        }
        if calls <= self.plan.close_unavailable as usize {
            return Err(Status::unavailable("the store is busy"));
        }
        if self.plan.close_refused {
            let mut details = ErrorDetails::new();
            details.set_bad_request(vec![
                FieldViolation::new(
                    "done_at",
                    "`2026-11-26T04:40:00Z` is in the future; give when it was done",
                ),
                FieldViolation::new("done_by", "`Nobody` is not known; add them with `fettler person add`"),
                FieldViolation::new("", "3 more fields are wrong"),
            ]);
            details.set_error_info("DONE_IN_FUTURE", "fettler", HashMap::new());
            return Err(Status::with_error_details(
                Code::InvalidArgument,
                "the closing cannot be taken",
                details,
            ));
        }
        let closing = pb::Closing {
            number: 88,
            order: request.order,
            done_at: request.done_at,
            done_by: request.done_by,
            readings: request.readings,
            used: request.used,
            cautions_shown: vec!["shut off and bleed the air first".into()],
            cautions_confirmed: request.cautions_confirmed,
            ..Default::default()
        };
        let order = pb::Order {
            number: request.order,
            state: pb::OrderState::Closed.into(),
            machine: "L-03".into(),
            title: "Drain the condensate bowl".into(),
            closing: Some(closing),
            ..Default::default()
        };
        Ok(Response::new(pb::CloseOrderResponse {
            order: Some(order),
            next: Some(item(1101)),
            ..Default::default()
        }))
    }

    async fn list_orders(
        &self,
        _: Request<pb::ListOrdersRequest>,
    ) -> Result<Response<pb::ListOrdersResponse>, Status> {
        none()
    }

    async fn get_order(
        &self,
        _: Request<pb::GetOrderRequest>,
    ) -> Result<Response<pb::GetOrderResponse>, Status> {
        none()
    }

    async fn skip_order(
        &self,
        request: Request<pb::SkipOrderRequest>,
    ) -> Result<Response<pb::SkipOrderResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn raise_order(
        &self,
        request: Request<pb::RaiseOrderRequest>,
    ) -> Result<Response<pb::RaiseOrderResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn undo_closing(
        &self,
        request: Request<pb::UndoClosingRequest>,
    ) -> Result<Response<pb::UndoClosingResponse>, Status> {
        self.change(request.get_ref())
    }
}

#[tonic::async_trait]
impl RunHoursService for Mock {
    type StreamReportsStream = Pin<Box<dyn Stream<Item = Result<pb::StreamReportsResponse, Status>> + Send>>;

    async fn stream_reports(
        &self,
        request: Request<Streaming<pb::StreamReportsRequest>>,
    ) -> Result<Response<Self::StreamReportsStream>, Status> {
        let (sender, receiver) = mpsc::channel(64);
        tokio::spawn(self.clone().take(request.into_inner(), sender));
        Ok(Response::new(Box::pin(ReceiverStream::new(receiver))))
    }

    async fn push_report(
        &self,
        request: Request<pb::PushReportRequest>,
    ) -> Result<Response<pb::PushReportResponse>, Status> {
        let _: Response<()> = self.change(request.get_ref())?;
        let report = request.into_inner().report.unwrap();
        Ok(Response::new(pb::PushReportResponse { acknowledgement: Some(self.judge(&report)) }))
    }

    async fn push_reports(
        &self,
        _: Request<pb::PushReportsRequest>,
    ) -> Result<Response<pb::PushReportsResponse>, Status> {
        none()
    }

    async fn list_reports(
        &self,
        _: Request<pb::ListReportsRequest>,
    ) -> Result<Response<pb::ListReportsResponse>, Status> {
        Ok(Response::new(pb::ListReportsResponse::default()))
    }

    async fn list_held_reports(
        &self,
        _: Request<pb::ListHeldReportsRequest>,
    ) -> Result<Response<pb::ListHeldReportsResponse>, Status> {
        let reference = pb::ReportReference {
            source: "erp".into(),
            report_id: "R-1".into(),
            revision: 2,
            digest: "0123456789abcdef".repeat(4),
        };
        let held = pb::KeptReport { report: Some(reference), ..Default::default() };
        let reports = if self.seen(|seen| seen.changes.is_empty()) { vec![held] } else { Vec::new() };
        Ok(Response::new(pb::ListHeldReportsResponse { reports, ..Default::default() }))
    }

    async fn settle_report(
        &self,
        request: Request<pb::SettleReportRequest>,
    ) -> Result<Response<pb::SettleReportResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn replace_counter(
        &self,
        request: Request<pb::ReplaceCounterRequest>,
    ) -> Result<Response<pb::ReplaceCounterResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn book_adjustment(
        &self,
        request: Request<pb::BookAdjustmentRequest>,
    ) -> Result<Response<pb::BookAdjustmentResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn get_meter(
        &self,
        _: Request<pb::GetMeterRequest>,
    ) -> Result<Response<pb::GetMeterResponse>, Status> {
        none()
    }
}
