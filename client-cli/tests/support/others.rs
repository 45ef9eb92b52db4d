//! The service's machines, people and readings: they are changed, and nothing is known of them.

use super::service::{Mock, none};
use fettler_proto::v1::{
    self as pb, machine_service_server::MachineService, person_service_server::PersonService,
    reading_service_server::ReadingService,
};
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl MachineService for Mock {
    async fn list_machines(
        &self,
        _: Request<pb::ListMachinesRequest>,
    ) -> Result<Response<pb::ListMachinesResponse>, Status> {
        none()
    }

    async fn get_machine(
        &self,
        _: Request<pb::GetMachineRequest>,
    ) -> Result<Response<pb::GetMachineResponse>, Status> {
        none()
    }

    async fn rest_machine(
        &self,
        request: Request<pb::RestMachineRequest>,
    ) -> Result<Response<pb::RestMachineResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn forbid_machine(
        &self,
        request: Request<pb::ForbidMachineRequest>,
    ) -> Result<Response<pb::ForbidMachineResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn return_machine(
        &self,
        request: Request<pb::ReturnMachineRequest>,
    ) -> Result<Response<pb::ReturnMachineResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn retire_machine(
        &self,
        request: Request<pb::RetireMachineRequest>,
    ) -> Result<Response<pb::RetireMachineResponse>, Status> {
        self.change(request.get_ref())
    }
}

#[tonic::async_trait]
impl PersonService for Mock {
    async fn add_person(
        &self,
        request: Request<pb::AddPersonRequest>,
    ) -> Result<Response<pb::AddPersonResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn set_pin(
        &self,
        request: Request<pb::SetPinRequest>,
    ) -> Result<Response<pb::SetPinResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn erase_person(
        &self,
        request: Request<pb::ErasePersonRequest>,
    ) -> Result<Response<pb::ErasePersonResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn list_people(
        &self,
        _: Request<pb::ListPeopleRequest>,
    ) -> Result<Response<pb::ListPeopleResponse>, Status> {
        none()
    }
}

#[tonic::async_trait]
impl ReadingService for Mock {
    async fn take_readings(
        &self,
        request: Request<pb::TakeReadingsRequest>,
    ) -> Result<Response<pb::TakeReadingsResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn withdraw_reading(
        &self,
        request: Request<pb::WithdrawReadingRequest>,
    ) -> Result<Response<pb::WithdrawReadingResponse>, Status> {
        self.change(request.get_ref())
    }

    async fn list_readings(
        &self,
        _: Request<pb::ListReadingsRequest>,
    ) -> Result<Response<pb::ListReadingsResponse>, Status> {
        none()
    }

    async fn explain_point(
        &self,
        _: Request<pb::ExplainPointRequest>,
    ) -> Result<Response<pb::ExplainPointResponse>, Status> {
        none()
    }
}
