//! The journal.

use super::{Answer, Desk};
use crate::wire::{journal, page};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::journal_service_server::JournalService for Desk {
    async fn list_entries(
        &self,
        request: Request<v1::ListEntriesRequest>,
    ) -> Answer<v1::ListEntriesResponse> {
        self.read(request, |call, ask| async move {
            let filter = journal::filter(&ask)?;
            let site = call.journal_of(&ask.site).await?;
            let (call, ask, filter) = (&call, &ask, &filter);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.entries(site, filter, page).await?;
                let names = call.names(page.rows.iter().filter_map(|entry| entry.person)).await?;
                let entries = page.rows.iter().map(|entry| journal::entry(entry, &names)).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListEntriesResponse { entries, next_page_token })
            })
            .await
        })
        .await
    }

    async fn get_journal_head(
        &self,
        request: Request<v1::GetJournalHeadRequest>,
    ) -> Answer<v1::GetJournalHeadResponse> {
        self.read(request, |call, ask| async move {
            let site = call.journal_of(&ask.site).await?;
            Ok(journal::head(&call.store.journal_head(site).await?))
        })
        .await
    }
}
