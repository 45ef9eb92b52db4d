//! Lists that come in pages, gathered up to the limit that was typed.

use crate::{args::LimitArgs, exit::Failure, session::Session};
use fettler_proto::v1 as pb;
use std::future::Future;

/// The largest page a service gives.
pub(super) const PAGE_MAX: i32 = 1_000;

/// An answer that is one page of a list.
pub(super) trait Page {
    /// How many rows it has.
    fn len(&self) -> usize;
    /// Where to go on; empty at the end.
    fn next(&self) -> &str;
    /// Puts the next page behind this one.
    fn append(&mut self, page: Self);
}

macro_rules! pages {
    ($($message:ident . $rows:ident),* $(,)?) => {
        $(impl Page for pb::$message {
            fn len(&self) -> usize {
                self.$rows.len()
            }

            fn next(&self) -> &str {
                &self.next_page_token
            }

            fn append(&mut self, mut page: Self) {
                self.$rows.append(&mut page.$rows);
                self.next_page_token = page.next_page_token;
            }
        })*
    };
}

pages!(
    GetBuyListResponse.lines,
    GetFluidRecordResponse.lines,
    ListAdviceResponse.advice,
    ListCheckpointsResponse.checkpoints,
    ListEntriesResponse.entries,
    ListHandoversResponse.handovers,
    ListHeldReportsResponse.reports,
    ListMachinesResponse.machines,
    ListOrdersResponse.orders,
    ListPeopleResponse.people,
    ListPlannedUseResponse.shifts,
    ListReadinessResponse.machines,
    ListReadingsResponse.readings,
    ListReportsResponse.reports,
    ListStockResponse.items,
);

/// Gathers pages until the list or the limit ends, and says on stderr when there is more.
///
/// `ask` gets the size and the token of the page to fetch.
pub(super) async fn gather<A, F, T>(session: &Session, limit: &LimitArgs, ask: F) -> Result<A, Failure>
where
    A: Page,
    F: Fn(i32, String) -> T,
    T: Future<Output = Result<A, Failure>>,
{
    let limit = usize::try_from(limit.limit).unwrap_or(usize::MAX);
    let size = |shown: usize| i32::try_from(limit.saturating_sub(shown)).unwrap_or(PAGE_MAX).min(PAGE_MAX);
    let mut all = ask(size(0), String::new()).await?;
    while !all.next().is_empty() && all.len() < limit {
        let page = ask(size(all.len()), all.next().to_owned()).await?;
        all.append(page);
    }
    if !all.next().is_empty() {
        session.out.note(&format!("there are more than {}; show more with --limit\n", all.len()));
    }
    Ok(all)
}
