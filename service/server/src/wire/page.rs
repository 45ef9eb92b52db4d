//! Pages: how long, where to go on, and tokens that belong to one query.

use super::fields::Fields;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use fettler_domain::error::Error;
use fettler_proto::v1;
use fettler_store::contract::PageAsk;
use prost::Message;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

/// Rows of a page when none are asked for.
pub const PAGE_SIZE_DEFAULT: u32 = 100;
/// The most rows of a page; more are cut to it.
pub const PAGE_SIZE_MAX: u32 = 1_000;
/// A page is asked for again with fewer rows when it is encoded in more bytes: 1 MiB, a quarter of what clients
/// take by default.
pub const PAGE_BYTES_MAX: usize = 1 << 20;
/// The longest token that is looked at, in bytes; ours are far shorter.
const TOKEN_MAX: usize = 2_048;
/// Bytes of the hash that binds a token to its query: enough that no garbage passes.
const BOUND_LEN: usize = 16;
/// The form of a token, its first byte.
const TOKEN_FORM: u8 = 1;

/// A request for a page.
pub trait Paged: Message + Clone + Default {
    /// The field that holds the token.
    const TOKEN: &'static str = "page_token";
    /// How many rows are wanted.
    fn size(&self) -> i32;
    /// Where to go on.
    fn token(&self) -> &str;
    /// Takes away what may differ from page to page.
    fn forget_page(&mut self);
}

macro_rules! paged {
    ($($name:ident),+) => {
        $(impl Paged for v1::$name {
            fn size(&self) -> i32 {
                self.page_size
            }
            fn token(&self) -> &str {
                &self.page_token
            }
            fn forget_page(&mut self) {
                self.page_size = 0;
                self.page_token = String::new();
            }
        })+
    };
}

paged!(
    GetBuyListRequest,
    ListChecksRequest,
    ListHandoversRequest,
    GetFluidRecordRequest,
    ListAdviceRequest,
    ListCheckpointsRequest,
    ListDueCalendarsRequest,
    ListDueRequest,
    ListEntriesRequest,
    ListHeldReportsRequest,
    ListLeavesRequest,
    ListMachinesRequest,
    ListOrdersRequest,
    ListPeopleRequest,
    ListPlannedUseRequest,
    ListReadinessRequest,
    ListReadingsRequest,
    ListReportsRequest,
    ListStockRequest,
    LookAheadRequest
);

/// A stream in pages goes on by the token of its last message.
impl Paged for v1::ExportClosingsRequest {
    const TOKEN: &'static str = "resume_token";
    fn size(&self) -> i32 {
        0
    }
    fn token(&self) -> &str {
        &self.resume_token
    }
    fn forget_page(&mut self) {
        self.resume_token = String::new();
    }
}

/// So does a list that is watched.
impl Paged for v1::WatchDueRequest {
    const TOKEN: &'static str = "resume_token";
    fn size(&self) -> i32 {
        0
    }
    fn token(&self) -> &str {
        &self.resume_token
    }
    fn forget_page(&mut self) {
        self.resume_token = String::new();
    }
}

/// Reads how long a page is to be.
pub fn size(fields: &mut Fields, size: i32) -> u32 {
    match u32::try_from(size) {
        Ok(0) => PAGE_SIZE_DEFAULT,
        Ok(size) => size.min(PAGE_SIZE_MAX),
        Err(_) => {
            fields.wrong(
                "page_size",
                format!("{size} is negative; give 1 to {PAGE_SIZE_MAX}, or 0 for the default"),
            );
            PAGE_SIZE_DEFAULT
        }
    }
}

/// Reads where the page begins and how long it is.
pub fn ask<R: Paged, K: DeserializeOwned>(request: &R) -> Result<PageAsk<K>, Error> {
    let mut fields = Fields::new();
    let limit = size(&mut fields, request.size());
    let after = if request.token().is_empty() { Some(None) } else { read_token(request).map(Some) };
    if after.is_none() {
        fields.wrong(
            R::TOKEN,
            "is not the token of an answer to this very query; give the last answer's token with all other \
             fields unchanged, or leave it out to start again",
        );
    }
    fields.finish(after.map(|after| PageAsk { after, limit }))
}

/// The token of the next page; empty at the end.
pub fn token<R: Paged, K: Serialize>(request: &R, next: Option<&K>) -> String {
    let cursor = next.and_then(|key| serde_json::to_vec(key).ok());
    cursor.map_or_else(String::new, |cursor| {
        let mut bytes = vec![TOKEN_FORM];
        bytes.extend(bound(request, &cursor));
        bytes.extend(cursor);
        URL_SAFE_NO_PAD.encode(bytes)
    })
}

fn read_token<R: Paged, K: DeserializeOwned>(request: &R) -> Option<K> {
    if request.token().len() > TOKEN_MAX {
        return None;
    }
    let bytes = URL_SAFE_NO_PAD.decode(request.token()).ok()?;
    let (&form, rest) = bytes.split_first()?;
    let (hash, cursor) = rest.split_at_checked(BOUND_LEN)?;
    (form == TOKEN_FORM && hash == bound(request, cursor))
        .then(|| serde_json::from_slice(cursor).ok())
        .flatten()
}

/// What binds a cursor to its query: the request's type and every field that must not change.
fn bound<R: Paged>(request: &R, cursor: &[u8]) -> [u8; BOUND_LEN] {
    let mut query = request.clone();
    query.forget_page();
    let mut hash = Sha256::new();
    hash.update(std::any::type_name::<R>());
    hash.update(query.encode_length_delimited_to_vec());
    hash.update(cursor);
    let full: [u8; 32] = hash.finalize().into();
    let mut short = [0; BOUND_LEN];
    short.copy_from_slice(&full[..BOUND_LEN]);
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(machine: &str, page_size: i32, page_token: String) -> v1::ListOrdersRequest {
        v1::ListOrdersRequest { machine: machine.into(), page_size, page_token, ..Default::default() }
    }

    #[test]
    fn a_token_goes_on_where_its_own_query_ended() {
        let token = token(&request("L-03", 10, String::new()), Some(&42_i64));
        let on = ask::<_, i64>(&request("L-03", 2_000, token.clone())).expect("its own query");
        assert_eq!(on, PageAsk { after: Some(42), limit: PAGE_SIZE_MAX });
        let refused = |request: v1::ListOrdersRequest| match ask::<_, i64>(&request) {
            Err(Error::Invalid(found)) => found.into_iter().map(|v| v.field).collect::<Vec<_>>(),
            other => panic!("{other:?}"),
        };
        assert_eq!(refused(request("L-04", 10, token.clone())), ["page_token"], "another query");
        let mut bent = token.clone();
        bent.replace_range(10..11, if &token[10..11] == "A" { "B" } else { "A" });
        for garbage in [bent, "x".into(), "!".into(), token[..8].into(), "A".repeat(3_000)] {
            assert_eq!(refused(request("L-03", 10, garbage)), ["page_token"]);
        }
        assert_eq!(refused(request("L-03", -1, "x".into())), ["page_size", "page_token"]);
        assert_eq!(super::token::<_, i64>(&request("", 0, String::new()), None), "");
    }
}
