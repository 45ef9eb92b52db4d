//! A bare service: it decodes the same messages as the real one and encodes answers of the same size, and does nothing between. It
//! runs in a process of its own, as the real one does.

use crate::programs::program;
use anyhow::{Context as _, Result};
use fettler_proto::v1::{
    Acknowledgement, ListDueRequest, ListDueResponse, Outcome, ReportReference, ShiftReport,
    StreamReportsRequest, StreamReportsResponse,
};
use futures::StreamExt as _;
use futures::future::BoxFuture;
use futures::stream::BoxStream;
use prost::Message as _;
use std::convert::Infallible;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::task::{Context, Poll};
use tokio::net::TcpListener;
use tonic::body::Body;
use tonic::codegen::{Service, StdError, http};
use tonic::server::{Grpc, NamedService, StreamingService, UnaryService};
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Status, Streaming};
use tonic_prost::ProstCodec;

/// Serves until it is killed; a page of the due list is what this file holds. Says where it listens, with `say`.
pub async fn serve(page: &Path, say: impl FnOnce(&str)) -> Result<()> {
    let page = ListDueResponse::decode(std::fs::read(page)?.as_slice()).context("a page of a due list")?;
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    say(&format!("listening on http://{}", listener.local_addr()?));
    let incoming = TcpIncoming::from(listener).with_nodelay(Some(true));
    let server = Server::builder().add_service(Acks).add_service(Pages(Arc::new(page)));
    Ok(server.serve_with_incoming(incoming).await?)
}

/// A bare service in a process of its own.
#[derive(Debug)]
pub struct Echo {
    child: Child,
    /// Where it listens.
    pub endpoint: String,
}

impl Echo {
    /// Starts one that gives this page.
    pub fn start(page: &Path) -> Result<Echo> {
        let mut child = Command::new(program("load"))
            .arg("echo")
            .arg(page)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .context("the bare service starts")?;
        let mut line = String::new();
        BufReader::new(child.stdout.take().context("a pipe")?).read_line(&mut line)?;
        let endpoint =
            line.trim().strip_prefix("listening on ").context("it says where it listens")?.to_owned();
        Ok(Echo { child, endpoint })
    }
}

impl Drop for Echo {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Answers a report as one that counts is answered.
fn acknowledge(sequence: u64, report: Option<ShiftReport>) -> StreamReportsResponse {
    let ShiftReport { source, report_id, revision, .. } = report.unwrap_or_default();
    let reference = ReportReference { source, report_id, revision, digest: "0".repeat(64) };
    let acknowledgement = Acknowledgement {
        report: Some(reference),
        outcome: Outcome::Accepted.into(),
        ..Acknowledgement::default()
    };
    StreamReportsResponse { sequence, acknowledgement: Some(acknowledgement) }
}

#[derive(Clone, Debug)]
struct Acks;

impl StreamingService<StreamReportsRequest> for Acks {
    type Response = StreamReportsResponse;
    type ResponseStream = BoxStream<'static, Result<StreamReportsResponse, Status>>;
    type Future = BoxFuture<'static, Result<Response<Self::ResponseStream>, Status>>;

    fn call(&mut self, request: Request<Streaming<StreamReportsRequest>>) -> Self::Future {
        let numbered = request.into_inner().zip(futures::stream::iter(1..));
        let answers = numbered.map(|(message, sequence)| Ok(acknowledge(sequence, message?.report)));
        Box::pin(async move { Ok(Response::new(answers.boxed())) })
    }
}

#[derive(Clone, Debug)]
struct Pages(Arc<ListDueResponse>);

impl UnaryService<ListDueRequest> for Pages {
    type Response = ListDueResponse;
    type Future = BoxFuture<'static, Result<Response<ListDueResponse>, Status>>;

    fn call(&mut self, _: Request<ListDueRequest>) -> Self::Future {
        let page = Arc::clone(&self.0);
        Box::pin(async move { Ok(Response::new((*page).clone())) })
    }
}

/// What generated code does for one method of a service.
macro_rules! serves {
    ($service:ty, $name:literal, $method:ident) => {
        impl NamedService for $service {
            const NAME: &'static str = $name;
        }

        impl<B> Service<http::Request<B>> for $service
        where
            B: http_body::Body + Send + 'static,
            B::Error: Into<StdError> + Send + 'static,
        {
            type Response = http::Response<Body>;
            type Error = Infallible;
            type Future = BoxFuture<'static, Result<http::Response<Body>, Infallible>>;

            fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
                Poll::Ready(Ok(()))
            }

            fn call(&mut self, request: http::Request<B>) -> Self::Future {
                let own = self.clone();
                Box::pin(async move { Ok(Grpc::new(ProstCodec::default()).$method(own, request).await) })
            }
        }
    };
}

serves!(Acks, "fettler.v1.RunHoursService", streaming);
serves!(Pages, "fettler.v1.DueService", unary);
