//! Lists that come in pages, gathered up to the limit that was typed, or whole.

use crate::{args::LimitArgs, exit::Failure, session::Session};
use fettler_proto::v1 as pb;
use std::future::Future;

/// The largest page a service gives.
pub(super) const PAGE_MAX: i32 = 1_000;
/// How many rows a list that is gathered whole may have; beyond them it is no picture any more.
const ROWS_MAX: usize = 100_000;

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
    ($($message:ident . $rows:ident $(+ each $once:ident)?),* $(,)?) => {
        $(impl Page for pb::$message {
            fn len(&self) -> usize {
                self.$rows.len()
            }

            fn next(&self) -> &str {
                &self.next_page_token
            }

            fn append(&mut self, mut page: Self) {
                self.$rows.append(&mut page.$rows);
                // Each page says it of its own rows.
                $(for said in page.$once {
                    if !self.$once.contains(&said) {
                        self.$once.push(said);
                    }
                })?
                self.next_page_token = page.next_page_token;
            }
        })*
    };
}

pages!(
    GetBuyListResponse.lines,
    GetFluidRecordResponse.lines,
    ListAdviceResponse.advice,
    ListChecksResponse.machines,
    ListCheckpointsResponse.checkpoints,
    ListDueCalendarsResponse.calendars,
    ListDueResponse.items,
    ListEntriesResponse.entries,
    ListHandoversResponse.handovers,
    ListHeldReportsResponse.reports,
    ListMachinesResponse.machines,
    ListOrdersResponse.orders,
    ListPeopleResponse.people,
    ListPlannedUseResponse.shifts,
    ListReadinessResponse.machines,
    ListReadingsResponse.readings,
    ListReportsResponse.reports + each remarks,
    ListStockResponse.items,
    LookAheadResponse.tasks,
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

/// Gathers all pages of a list of which a part would mislead; refuses one that is too long.
///
/// `ask` gets the token of the page to fetch.
pub(super) async fn all<A, F, T>(ask: F) -> Result<A, Failure>
where
    A: Page,
    F: Fn(String) -> T,
    T: Future<Output = Result<A, Failure>>,
{
    gather_whole(ROWS_MAX, ask).await
}

async fn gather_whole<A, F, T>(rows_max: usize, ask: F) -> Result<A, Failure>
where
    A: Page,
    F: Fn(String) -> T,
    T: Future<Output = Result<A, Failure>>,
{
    let mut all = ask(String::new()).await?;
    while !all.next().is_empty() {
        if all.len() >= rows_max {
            let more = format!("the list has more than {rows_max} rows, and a part of it would mislead");
            return Err(Failure::usage(more).with_hint("narrow it, as with --area or --machine"));
        }
        let page = ask(all.next().to_owned()).await?;
        all.append(page);
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three pages of two people each.
    async fn page(token: String) -> Result<pb::ListPeopleResponse, Failure> {
        let (names, next) = match token.as_str() {
            "" => (["a", "b"], "2"),
            "2" => (["c", "d"], "3"),
            _ => (["e", "f"], ""),
        };
        let people = names.map(|name| pb::Person { name: name.to_owned(), ..Default::default() }).to_vec();
        Ok(pb::ListPeopleResponse { people, next_page_token: next.to_owned() })
    }

    #[test]
    fn what_two_pages_say_of_their_rows_stands_once() {
        let page = |remarks: &[&str]| pb::ListReportsResponse {
            reports: vec![pb::KeptReport::default()],
            remarks: remarks.iter().map(|&remark| remark.to_owned()).collect(),
            ..Default::default()
        };
        let mut all = page(&["`epr` is not declared"]);
        all.append(page(&["`epr` is not declared", "`rep` is not declared"]));
        assert_eq!(
            (all.len(), all.remarks),
            (2, page(&["`epr` is not declared", "`rep` is not declared"]).remarks)
        );
    }

    #[tokio::test]
    async fn a_whole_list_has_every_page_or_is_refused() {
        let whole = all(page).await.unwrap();
        assert_eq!(whole.people.iter().map(|person| person.name.as_str()).collect::<String>(), "abcdef");
        assert_eq!(gather_whole(6, page).await.unwrap().people.len(), 6);
        let Err(Failure::Usage(complaint)) = gather_whole(4, page).await else { panic!() };
        assert!(complaint.message.contains("more than 4 rows"), "{}", complaint.message);
    }
}
