//! The service's planned use.

use super::service::Mock;
use fettler_proto::v1 as pb;
use fettler_proto::v1::planned_use_service_server::PlannedUseService;
use tonic::{Request, Response, Status};

#[tonic::async_trait]
impl PlannedUseService for Mock {
    async fn plan_use(
        &self,
        request: Request<pb::PlanUseRequest>,
    ) -> Result<Response<pb::PlanUseResponse>, Status> {
        let _: Response<()> = self.change(request.get_ref())?;
        let ask = request.into_inner();
        Ok(Response::new(pb::PlanUseResponse {
            machine: ask.machine,
            meter: "operating".into(),
            unit: pb::Unit::Hours.into(),
            replaced: 1,
            planned: i64::try_from(ask.shifts.len()).unwrap(),
            amount: "15.5".into(),
        }))
    }

    async fn list_planned_use(
        &self,
        request: Request<pb::ListPlannedUseRequest>,
    ) -> Result<Response<pb::ListPlannedUseResponse>, Status> {
        let ask = request.into_inner();
        let at = |seconds| Some(prost_types::Timestamp { seconds, nanos: 0 });
        let shift =
            pb::PlannedShift { start: at(1_795_669_200), end: at(1_795_698_000), amount: "7.5".into() };
        let kept = pb::KeptPlannedShift {
            machine: ask.machine,
            meter: "operating".into(),
            shift: Some(shift),
            unit: pb::Unit::Hours.into(),
            entry: 12,
        };
        Ok(Response::new(pb::ListPlannedUseResponse { shifts: vec![kept], ..Default::default() }))
    }
}
