//! Due calendars.

use super::due::site_name;
use super::machine::known_area;
use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::{due_calendar, page};
use fettler_proto::v1;
use fettler_store::contract::{DueCalendarRecord, SiteRecord};
use std::collections::BTreeSet;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::due_calendar_service_server::DueCalendarService for Desk {
    async fn add_due_calendar(
        &self,
        request: Request<v1::AddDueCalendarRequest>,
    ) -> Answer<v1::AddDueCalendarResponse> {
        self.change("AddDueCalendar", request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let new = due_calendar::added(&ask)?;
            known_areas(&call, &site, &new.areas).await?;
            let record = call.store.add_due_calendar(&call.caller, site.site, &new).await?;
            Ok(v1::AddDueCalendarResponse { calendar: told(&call, &[record]).await?.pop() })
        })
        .await
    }

    async fn list_due_calendars(
        &self,
        request: Request<v1::ListDueCalendarsRequest>,
    ) -> Answer<v1::ListDueCalendarsResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let page = call.store.due_calendars(site.site, page::ask(&ask)?).await?;
            let next_page_token = page::token(&ask, page.next.as_ref());
            Ok(v1::ListDueCalendarsResponse { calendars: told(&call, &page.rows).await?, next_page_token })
        })
        .await
    }

    async fn revoke_due_calendar(
        &self,
        request: Request<v1::RevokeDueCalendarRequest>,
    ) -> Answer<v1::RevokeDueCalendarResponse> {
        self.change("RevokeDueCalendar", request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let number = due_calendar::number(ask.number)?;
            let record = call.store.revoke_due_calendar(&call.caller, site.site, number).await?;
            Ok(v1::RevokeDueCalendarResponse { calendar: told(&call, &[record]).await?.pop() })
        })
        .await
    }

    async fn get_due_calendar(
        &self,
        request: Request<v1::GetDueCalendarRequest>,
    ) -> Answer<v1::GetDueCalendarResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let areas = due_calendar::asked(&ask)?;
            known_areas(&call, &site, &areas).await?;
            let entries = call.store.due_entries(site.site, &areas, call.now()).await?;
            Ok(due_calendar::file(&site_name(&site), &entries))
        })
        .await
    }
}

async fn known_areas(call: &Call, site: &SiteRecord, areas: &BTreeSet<String>) -> Result<(), Failure> {
    for area in areas {
        known_area(call, site, area).await?;
    }
    Ok(())
}

async fn told(call: &Call, records: &[DueCalendarRecord]) -> Result<Vec<v1::DueCalendar>, Failure> {
    let names = call.names(records.iter().filter_map(|record| record.person)).await?;
    Ok(records.iter().map(|record| due_calendar::calendar(record, &names)).collect())
}
