//! The service's shop: it is loaded, and shown as it was loaded last.

use super::service::Mock;
use fettler_proto::v1::{self as pb, shop_service_server::ShopService};
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl ShopService for Mock {
    async fn list_sites(
        &self,
        _: Request<pb::ListSitesRequest>,
    ) -> Result<Response<pb::ListSitesResponse>, Status> {
        let site = pb::Site { key: "north".into(), zone: "Europe/Berlin".into(), ..Default::default() };
        Ok(Response::new(pb::ListSitesResponse { sites: vec![site] }))
    }

    async fn load_shop(
        &self,
        request: Request<pb::LoadShopRequest>,
    ) -> Result<Response<pb::LoadShopResponse>, Status> {
        let _: Response<()> = self.change(request.get_ref())?;
        self.seen(|seen| seen.loads.push(request.into_inner()));
        let change = pb::ShopChange { subject: "machine L-03".into(), change: "added".into() };
        Ok(Response::new(pb::LoadShopResponse {
            changes: vec![change],
            orders_opened: 3,
            reports_waiting: 1,
        }))
    }

    async fn get_shop(
        &self,
        _: Request<pb::GetShopRequest>,
    ) -> Result<Response<pb::GetShopResponse>, Status> {
        let shop = self.seen(|seen| seen.loads.last().and_then(|load| load.shop.clone()));
        Ok(Response::new(pb::GetShopResponse { shop }))
    }

    async fn state_last_done(
        &self,
        request: Request<pb::StateLastDoneRequest>,
    ) -> Result<Response<pb::StateLastDoneResponse>, Status> {
        self.change(request.get_ref())
    }
}
