//! The audit: a stream of closings in pages, so that neither side holds more than a few of them.

use super::machine::{known_area, machine_id};
use super::{Answer, Call, Desk};
use crate::auth::Pass;
use crate::gate::Deadline;
use crate::status::{Failure, Then};
use crate::wire::audit::{self, Wanted};
use crate::wire::page;
use fettler_proto::v1;
use fettler_store::contract::{AuditCursor, Audited, PageAsk, SiteRecord, seen_on};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until};
use tonic::{Request, Response, Status, async_trait};

/// How many messages wait for a slow reader before no more is read for it.
const WAITING: usize = 2;

type Rows = tokio_stream::wrappers::ReceiverStream<Result<v1::ExportClosingsResponse, Status>>;

#[async_trait]
impl v1::audit_service_server::AuditService for Desk {
    type ExportClosingsStream = Rows;

    async fn export_closings(
        &self,
        request: Request<v1::ExportClosingsRequest>,
    ) -> Answer<Self::ExportClosingsStream> {
        let deadline = request.extensions().get::<Deadline>().map(|deadline| deadline.0);
        let pass = request.extensions().get::<Pass>().cloned();
        let call = self.call("ExportClosings", &request, None);
        let ask = request.into_inner();
        let wanted = audit::wanted(&ask).map_err(Failure::from)?;
        let first = page::ask(&ask).map_err(Failure::from)?;
        let site = call.site(&ask.site).await?;
        let by = match &wanted.by {
            Some(name) => Some(call.store.known_person("by", name).await.map_err(Failure::from)?),
            None => None,
        };
        known(&call, &site, &wanted).await?;
        let wanted = Wanted { person: by, ..wanted };
        let (rows, receiver) = mpsc::channel(WAITING);
        let stopping = self.stopping.clone();
        self.tasks.spawn(seen_on(async move {
            let mut next = Some(first);
            while let Some(page) = next.take() {
                let told = tokio::select! {
                    biased;
                    () = stopping.cancelled() => Err(Failure::Stopping(Then::AskAgain)),
                    () = passed(deadline) => Err(Failure::Deadline),
                    told = some(&call, &site, (&ask, &wanted), page, pass.as_ref()) => told,
                };
                let message = told.map(|(message, after)| {
                    next = after;
                    message
                });
                // A caller that has left needs no more.
                if rows.send(message.map_err(Status::from)).await.is_err() {
                    return;
                }
            }
        }));
        Ok(Response::new(Rows::new(receiver)))
    }
}

/// Refuses a machine or an area that is not there: an empty audit would read as if nothing had been done.
async fn known(call: &Call, site: &SiteRecord, wanted: &Wanted) -> Result<(), Failure> {
    if let Some(name) = &wanted.filter.machine {
        machine_id(call, site, name).await?;
    }
    if let Some(area) = &wanted.filter.area {
        known_area(call, site, area).await?;
    }
    Ok(())
}

async fn passed(deadline: Option<Instant>) {
    match deadline {
        Some(deadline) => sleep_until(deadline).await,
        None => std::future::pending().await,
    }
}

/// The next message, and where the one after it begins.
async fn some(
    call: &Call,
    site: &SiteRecord,
    (ask, wanted): (&v1::ExportClosingsRequest, &Wanted),
    asked: PageAsk<AuditCursor>,
    pass: Option<&Pass>,
) -> Result<(v1::ExportClosingsResponse, Option<PageAsk<AuditCursor>>), Failure> {
    // A stream outlasts no token.
    if let Some(pass) = pass {
        pass.still_holds().await?;
    }
    let limit = asked.limit;
    let found = call.store.audit(site.site, &wanted.filter, asked).await?;
    let takes =
        |row: &&Audited| row.view.record.is_audited(wanted.person, wanted.late, row.view.satisfied.as_ref());
    let rows: Vec<_> = found.rows.iter().filter(takes).collect();
    let names = call.names(rows.iter().flat_map(|row| audit::people_of(row))).await?;
    let message = v1::ExportClosingsResponse {
        rows: rows.into_iter().map(|row| audit::row(row, &names, &site.calendar)).collect(),
        resume_token: page::token(ask, found.next.as_ref()),
        zone: site.calendar.zone().to_string(),
    };
    Ok((message, found.next.map(|after| PageAsk { after: Some(after), limit })))
}
