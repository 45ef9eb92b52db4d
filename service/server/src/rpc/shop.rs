//! Shops as declared.

use super::{Answer, Desk};
use crate::wire::{shop_in, shop_out, tasks_in};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::shop_service_server::ShopService for Desk {
    async fn load_shop(&self, request: Request<v1::LoadShopRequest>) -> Answer<v1::LoadShopResponse> {
        self.change("LoadShop", request, |call, ask| async move {
            let declared = shop_in::asked(&ask)?;
            let by = shop_in::by(&ask.by)?;
            call.may_declare(declared.site.key.as_str()).await?;
            let done = call.store.load_shop(&call.caller, &declared, by.as_ref(), ask.validate_only).await?;
            Ok(shop_out::loaded(&done))
        })
        .await
    }

    async fn get_shop(&self, request: Request<v1::GetShopRequest>) -> Answer<v1::GetShopResponse> {
        self.read(request, |call, ask| async move {
            let site = call.site(&ask.site).await?;
            let declared = call.store.shop(site.site).await?;
            Ok(v1::GetShopResponse { shop: Some(shop_out::shop(&declared)) })
        })
        .await
    }

    async fn list_sites(&self, request: Request<v1::ListSitesRequest>) -> Answer<v1::ListSitesResponse> {
        self.read(request, |call, _| async move {
            let sites = call.sites().await?;
            Ok(v1::ListSitesResponse { sites: sites.iter().map(|site| shop_out::site(&site.card)).collect() })
        })
        .await
    }

    async fn state_last_done(
        &self,
        request: Request<v1::StateLastDoneRequest>,
    ) -> Answer<v1::StateLastDoneResponse> {
        self.change("StateLastDone", request, |call, ask| async move {
            let stated = tasks_in::statements(&ask)?;
            let by = shop_in::by(&ask.by)?;
            let site = call.site(&ask.site).await?.site;
            let state =
                call.store.state_last_done(&call.caller, site, &stated, by.as_ref(), ask.validate_only);
            Ok(v1::StateLastDoneResponse { changes: shop_out::changes(&state.await?) })
        })
        .await
    }
}
