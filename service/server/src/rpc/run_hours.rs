//! Run hours.

use super::machine::named;
use super::push::{self, Arrived};
use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::{page, report};
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::pin::{Speaker, Unproven};
use fettler_domain::shop::{MeterRecord, MeterShows};
use fettler_domain::text::Name;
use fettler_proto::v1;
use fettler_store::contract::{Caller, SiteRecord};
use tonic::{Request, Response, Streaming, async_trait};

impl Call {
    /// Whose word a report is: a person who is known, by more than the name where the site asks for that.
    async fn reporter(&self, site: &SiteRecord, by: &Name) -> Result<Speaker, Failure> {
        let person = self.store.known_person("by", by).await?;
        let known = self.caller.known(person);
        if known.is_none() && site.card.asks_pin == Some(true) {
            let needed = Unproven::Needed { site: site.card.key.as_str() };
            return Err(needed.refusal("by", by.as_str()).into());
        }
        Ok(Speaker { person, known })
    }
}

#[async_trait]
impl v1::run_hours_service_server::RunHoursService for Desk {
    type StreamReportsStream = push::Acks;

    async fn push_report(&self, request: Request<v1::PushReportRequest>) -> Answer<v1::PushReportResponse> {
        self.change("PushReport", request, |call, ask| async move {
            let by = report::said_by(&ask.by)?;
            let site = call.site(&ask.site).await?;
            let person = match by {
                Some(by) => Some(call.reporter(&site, &by).await?),
                None => None,
            };
            let call = Call { caller: Caller { person, ..call.caller }, ..call };
            let acknowledgement =
                push::take(&call, &site, [Arrived::Report(ask.report.as_ref())].into_iter()).await?.pop();
            Ok(v1::PushReportResponse { acknowledgement })
        })
        .await
    }

    async fn push_reports(
        &self,
        request: Request<v1::PushReportsRequest>,
    ) -> Answer<v1::PushReportsResponse> {
        self.change("PushReports", request, |call, ask| async move {
            let (count, most) = (ask.reports.len(), report::REPORTS_MAX);
            if count > most {
                let text = format!("has {count} entries; give at most {most}, or use the stream");
                return Err(Error::invalid("reports", text).into());
            }
            let site = call.site(&ask.site).await?;
            let acknowledgements =
                push::take(&call, &site, ask.reports.iter().map(|report| Arrived::Report(Some(report))))
                    .await?;
            Ok(v1::PushReportsResponse { acknowledgements })
        })
        .await
    }

    async fn stream_reports(
        &self,
        request: Request<Streaming<v1::StreamReportsRequest>>,
    ) -> Answer<Self::StreamReportsStream> {
        Ok(Response::new(push::start(self, request)))
    }

    async fn list_reports(
        &self,
        request: Request<v1::ListReportsRequest>,
    ) -> Answer<v1::ListReportsResponse> {
        self.read(request, |call, ask| async move {
            let filter = report::filter(&ask)?;
            let site = call.site(&ask.site).await?;
            let (call, ask, filter, site) = (&call, &ask, &filter, &site);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.reports(site.site, filter, page).await?;
                let of = |kept| report::kept(kept, &site.calendar, call.now());
                let sources = page.rows.iter().map(|kept| kept.row.key.source.clone()).collect();
                let remarks = call.store.of_undeclared(site.site, &sources).await?;
                let next_page_token = page::token(ask, page.next.as_ref());
                let reports = page.rows.iter().map(of).collect();
                Ok(v1::ListReportsResponse { reports, next_page_token, remarks })
            })
            .await
        })
        .await
    }

    async fn list_held_reports(
        &self,
        request: Request<v1::ListHeldReportsRequest>,
    ) -> Answer<v1::ListHeldReportsResponse> {
        self.read(request, |call, ask| async move {
            let filter = report::held_filter(&ask)?;
            let site = call.site(&ask.site).await?;
            let counts = call.store.held_counts(site.site).await?;
            let (call, ask, filter, site) = (&call, &ask, &filter, &site);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.reports(site.site, filter, page).await?;
                let of = |kept| report::kept(kept, &site.calendar, call.now());
                let reports = page.rows.iter().map(of).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(report::held_answer(reports, counts, next_page_token))
            })
            .await
        })
        .await
    }

    async fn settle_report(
        &self,
        request: Request<v1::SettleReportRequest>,
    ) -> Answer<v1::SettleReportResponse> {
        self.change("SettleReport", request, |call, ask| async move {
            let said = report::settle(&ask)?;
            let site = call.site(&ask.site).await?;
            let of = (&said.source, &said.report, said.revision);
            let settle = call.store.settle(
                &call.caller,
                site.site,
                of.0,
                of.1,
                of.2,
                said.digest,
                said.settlement,
                &said.by,
                &said.note,
            );
            Ok(report::settled(&settle.await?, &site.calendar, call.now()))
        })
        .await
    }

    async fn replace_counter(
        &self,
        request: Request<v1::ReplaceCounterRequest>,
    ) -> Answer<v1::ReplaceCounterResponse> {
        self.change("ReplaceCounter", request, |call, ask| async move {
            let (said, closing, opening) = report::replacement(&ask, call.now())?;
            let site = call.site(&ask.site).await?.site;
            let (machine, meter) = (&said.machine, said.meter.as_ref());
            let replace = call.store.replace_counter(
                &call.caller,
                site,
                machine,
                meter,
                said.at,
                &closing,
                &opening,
                &said.by,
            );
            let (record, shows) = replace.await?;
            let meter = under_its_tag(&call, site, machine.as_str(), &record, &shows).await?;
            Ok(v1::ReplaceCounterResponse { meter: Some(meter) })
        })
        .await
    }

    async fn book_adjustment(
        &self,
        request: Request<v1::BookAdjustmentRequest>,
    ) -> Answer<v1::BookAdjustmentResponse> {
        self.change("BookAdjustment", request, |call, ask| async move {
            let (said, amount, note) = report::adjustment(&ask, call.now())?;
            let site = call.site(&ask.site).await?.site;
            let (machine, meter) = (&said.machine, said.meter.as_ref());
            let book = call.store.book_adjustment(
                &call.caller,
                site,
                machine,
                meter,
                said.at,
                &amount,
                &said.by,
                &note,
            );
            let (record, shows) = book.await?;
            let meter = under_its_tag(&call, site, machine.as_str(), &record, &shows).await?;
            Ok(v1::BookAdjustmentResponse { meter: Some(meter) })
        })
        .await
    }

    async fn get_meter(&self, request: Request<v1::GetMeterRequest>) -> Answer<v1::GetMeterResponse> {
        self.read(request, |call, ask| async move {
            let (machine, meter, at) = report::meter_ask(&ask)?;
            let site = call.site(&ask.site).await?.site;
            let (record, shows) = call.store.meter(site, machine.as_str(), meter.as_ref(), at).await?;
            let meter = under_its_tag(&call, site, machine.as_str(), &record, &shows).await?;
            Ok(v1::GetMeterResponse { meter: Some(meter) })
        })
        .await
    }
}

/// A meter under the tag of its machine, whichever of its names was said.
async fn under_its_tag(
    call: &Call,
    site: SiteId,
    name: &str,
    record: &MeterRecord,
    shows: &MeterShows,
) -> Result<v1::Meter, Failure> {
    let (of, _) = named(call, site, name).await?;
    Ok(report::meter(of.tag.as_str(), record, shows))
}
