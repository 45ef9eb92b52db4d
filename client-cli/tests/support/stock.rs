//! The service's shelf: it is changed, and nothing is known of it.

use super::service::{Mock, none};
use fettler_proto::v1::{self as pb, stock_service_server::StockService};
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl StockService for Mock {
    async fn list_stock(
        &self,
        _: Request<pb::ListStockRequest>,
    ) -> Result<Response<pb::ListStockResponse>, Status> {
        none()
    }

    async fn receive_stock(
        &self,
        request: Request<pb::ReceiveStockRequest>,
    ) -> Result<Response<pb::ReceiveStockResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn count_stock(
        &self,
        request: Request<pb::CountStockRequest>,
    ) -> Result<Response<pb::CountStockResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn issue_stock(
        &self,
        request: Request<pb::IssueStockRequest>,
    ) -> Result<Response<pb::IssueStockResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn withdraw_issue(
        &self,
        request: Request<pb::WithdrawIssueRequest>,
    ) -> Result<Response<pb::WithdrawIssueResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn record_purchase(
        &self,
        request: Request<pb::RecordPurchaseRequest>,
    ) -> Result<Response<pb::RecordPurchaseResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn cancel_purchase(
        &self,
        request: Request<pb::CancelPurchaseRequest>,
    ) -> Result<Response<pb::CancelPurchaseResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn get_buy_list(
        &self,
        _: Request<pb::GetBuyListRequest>,
    ) -> Result<Response<pb::GetBuyListResponse>, Status> {
        none()
    }
}
