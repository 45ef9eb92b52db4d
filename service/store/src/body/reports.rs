//! Reports as they are listed.

use super::Conn;
use crate::contract::{
    HeldCounts, KeptReport, Page, PageAsk, ReportCursor, ReportFilter, Result, StoreError,
};
use fettler_domain::ids::SiteId;

pub(super) async fn list(
    _conn: &mut Conn,
    _site: SiteId,
    _filter: &ReportFilter,
    _page: PageAsk<ReportCursor>,
) -> Result<Page<KeptReport, ReportCursor>> {
    Err(StoreError::Unavailable("not built".into()))
}
pub(super) async fn held_counts(_conn: &mut Conn, _site: SiteId) -> Result<HeldCounts> {
    Err(StoreError::Unavailable("not built".into()))
}
