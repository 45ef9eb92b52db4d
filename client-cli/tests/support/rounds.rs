//! The service's rounds: they are ended and handed over, and nothing is known of them.

use super::service::{Mock, none};
use fettler_proto::v1::{self as pb, round_service_server::RoundService};
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl RoundService for Mock {
    async fn get_round(
        &self,
        _: Request<pb::GetRoundRequest>,
    ) -> Result<Response<pb::GetRoundResponse>, Status> {
        none()
    }

    async fn list_checks(
        &self,
        _: Request<pb::ListChecksRequest>,
    ) -> Result<Response<pb::ListChecksResponse>, Status> {
        none()
    }

    async fn list_readiness(
        &self,
        _: Request<pb::ListReadinessRequest>,
    ) -> Result<Response<pb::ListReadinessResponse>, Status> {
        none()
    }

    async fn list_handovers(
        &self,
        _: Request<pb::ListHandoversRequest>,
    ) -> Result<Response<pb::ListHandoversResponse>, Status> {
        none()
    }

    async fn record_checks(
        &self,
        request: Request<pb::RecordChecksRequest>,
    ) -> Result<Response<pb::RecordChecksResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn end_round(
        &self,
        request: Request<pb::EndRoundRequest>,
    ) -> Result<Response<pb::EndRoundResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn acknowledge_handover(
        &self,
        request: Request<pb::AcknowledgeHandoverRequest>,
    ) -> Result<Response<pb::AcknowledgeHandoverResponse>, Status> {
        self.change(request.get_ref())
    }
}
