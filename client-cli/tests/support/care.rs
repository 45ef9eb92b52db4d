//! The service's fluids and its advice on intervals: they are changed, and nothing is known of them.

use super::service::{Mock, none};
use fettler_proto::v1::{
    self as pb, fluid_service_server::FluidService, review_service_server::ReviewService,
};
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl FluidService for Mock {
    async fn record_fluid(
        &self,
        request: Request<pb::RecordFluidRequest>,
    ) -> Result<Response<pb::RecordFluidResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn withdraw_fluid(
        &self,
        request: Request<pb::WithdrawFluidRequest>,
    ) -> Result<Response<pb::WithdrawFluidResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn get_fluid_record(
        &self,
        _: Request<pb::GetFluidRecordRequest>,
    ) -> Result<Response<pb::GetFluidRecordResponse>, Status> {
        none()
    }
}

#[tonic::async_trait]
impl ReviewService for Mock {
    async fn list_advice(
        &self,
        _: Request<pb::ListAdviceRequest>,
    ) -> Result<Response<pb::ListAdviceResponse>, Status> {
        none()
    }

    async fn get_advice(
        &self,
        _: Request<pb::GetAdviceRequest>,
    ) -> Result<Response<pb::GetAdviceResponse>, Status> {
        none()
    }

    async fn answer_advice(
        &self,
        request: Request<pb::AnswerAdviceRequest>,
    ) -> Result<Response<pb::AnswerAdviceResponse>, Status> {
        self.change(request.get_ref())
    }
}
