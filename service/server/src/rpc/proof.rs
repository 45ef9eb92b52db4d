//! Checkpoints and proofs.

use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::proof::Which;
use crate::wire::{page, proof};
use fettler_domain::ids::SiteId;
use fettler_domain::journal::proof::{consistency, inclusion};
use fettler_proto::v1;
use fettler_store::contract::PageAsk;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::proof_service_server::ProofService for Desk {
    async fn get_checkpoint(
        &self,
        request: Request<v1::GetCheckpointRequest>,
    ) -> Answer<v1::GetCheckpointResponse> {
        self.read(request, |call, ask| async move {
            let site = call.journal_of(&ask.site).await?;
            Ok(proof::signed(&call.notary.checkpoint(&*call.store, site, call.now()).await?))
        })
        .await
    }

    async fn list_checkpoints(
        &self,
        request: Request<v1::ListCheckpointsRequest>,
    ) -> Answer<v1::ListCheckpointsResponse> {
        self.read(request, |call, ask| async move {
            let site = call.journal_of(&ask.site).await?;
            let (call, ask) = (&call, &ask);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.checkpoints(site, page).await?;
                let next_page_token = page::token(ask, page.next.as_ref());
                let checkpoints = page.rows.iter().map(proof::checkpoint).collect();
                Ok(v1::ListCheckpointsResponse { checkpoints, next_page_token })
            })
            .await
        })
        .await
    }

    async fn get_consistency(
        &self,
        request: Request<v1::GetConsistencyRequest>,
    ) -> Answer<v1::GetConsistencyResponse> {
        self.read(request, |call, ask| async move {
            let site = call.journal_of(&ask.site).await?;
            let (old, new) = proof::sizes(&ask, call.store.journal_head(site).await?.size)?;
            let hashes = call.store.subtrees(site, &consistency(old, new)).await?;
            Ok(v1::GetConsistencyResponse { hashes: proof::hashes(&hashes) })
        })
        .await
    }

    async fn get_inclusion(
        &self,
        request: Request<v1::GetInclusionRequest>,
    ) -> Answer<v1::GetInclusionResponse> {
        self.read(request, |call, ask| async move {
            let which = proof::which(&ask)?;
            let site = call.journal_of(&ask.site).await?;
            let entry = match which {
                Which::Entry(entry) => entry,
                Which::Closing(order) => call.store.closing_entry(site, order).await?,
            };
            included(&call, site, entry).await
        })
        .await
    }

    async fn list_leaves(&self, request: Request<v1::ListLeavesRequest>) -> Answer<v1::ListLeavesResponse> {
        self.read(request, |call, ask| async move {
            let from = proof::from(&ask)?;
            let site = call.journal_of(&ask.site).await?;
            let (call, ask) = (&call, &ask);
            call.fit(page::ask(ask)?, |page: PageAsk<i64>| async move {
                let from = page.after.unwrap_or(from);
                let leaves = call.store.leaves(site, from, page.limit).await?;
                let next = from.saturating_add_unsigned(leaves.len() as u64);
                let more = next < call.store.journal_head(site).await?.size;
                let next_page_token = page::token(ask, more.then_some(&next));
                let hashes = leaves.iter().map(|leaf| leaf.hash.0.to_vec()).collect();
                let leaves = leaves.iter().map(|leaf| proof::leaf(&leaf.bytes)).collect();
                Ok(v1::ListLeavesResponse { leaves, next_page_token, hashes })
            })
            .await
        })
        .await
    }
}

/// An entry with its way to a checkpoint of now.
async fn included(call: &Call, site: SiteId, entry: i64) -> Result<v1::GetInclusionResponse, Failure> {
    let signed = call.notary.checkpoint(&*call.store, site, call.now()).await?;
    let entries = signed.kept.head.size;
    let leaf = call.store.leaves(site, entry, 1).await?.pop().filter(|_| entry < entries);
    let leaf = leaf.ok_or_else(|| proof::no_entry(entry, entries))?;
    let hashes = call.store.subtrees(site, &inclusion(entry, entries)).await?;
    Ok(v1::GetInclusionResponse {
        entry,
        leaf: proof::leaf(&leaf.bytes),
        hashes: proof::hashes(&hashes),
        checkpoint: Some(proof::checkpoint(&signed.kept)),
    })
}
