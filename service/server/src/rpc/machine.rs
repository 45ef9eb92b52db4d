//! Machines and their moves.

use super::{Answer, Call, Desk};
use crate::status::Failure;
use crate::wire::{machine, page, shop_out};
use fettler_domain::error::Error;
use fettler_domain::ids::{MachineId, OrderNumber, SiteId};
use fettler_domain::shop::MachineCard;
use fettler_proto::v1;
use fettler_store::contract::{MachineFilter, MachineMove, MachineRecord, PageAsk, SiteRecord};
use tonic::{Request, async_trait};

#[async_trait]
impl v1::machine_service_server::MachineService for Desk {
    async fn list_machines(
        &self,
        request: Request<v1::ListMachinesRequest>,
    ) -> Answer<v1::ListMachinesResponse> {
        self.read(request, |call, ask| async move {
            let filter = machine::filter(&ask)?;
            let site = call.site(&ask.site).await?.site;
            let (call, ask, filter) = (&call, &ask, &filter);
            call.fit(page::ask(ask)?, |page| async move {
                let page = call.store.machines(site, filter, page).await?;
                let names = call.names(page.rows.iter().filter_map(|machine| machine.by)).await?;
                let machines = page.rows.iter().map(|record| machine::machine(record, &names)).collect();
                let next_page_token = page::token(ask, page.next.as_ref());
                Ok(v1::ListMachinesResponse { machines, next_page_token })
            })
            .await
        })
        .await
    }

    async fn get_machine(&self, request: Request<v1::GetMachineRequest>) -> Answer<v1::GetMachineResponse> {
        self.read(request, |call, ask| async move {
            let name = machine::named(&ask.machine)?;
            let site = call.site(&ask.site).await?.site;
            let (record, card) = named(&call, site, name.as_str()).await?;
            let names = call.names(record.by).await?;
            let machine = Some(machine::machine(&record, &names));
            Ok(v1::GetMachineResponse { machine, card: Some(shop_out::machine(&card)) })
        })
        .await
    }

    async fn rest_machine(
        &self,
        request: Request<v1::RestMachineRequest>,
    ) -> Answer<v1::RestMachineResponse> {
        self.change("RestMachine", request, |call, ask| async move {
            let said = (ask.machine.as_str(), ask.by.as_str(), ask.reason.as_str());
            let (machine, _) = moved(&call, &ask.site, MachineMove::Rest, said, false).await?;
            Ok(v1::RestMachineResponse { machine: Some(machine) })
        })
        .await
    }

    async fn forbid_machine(
        &self,
        request: Request<v1::ForbidMachineRequest>,
    ) -> Answer<v1::ForbidMachineResponse> {
        self.change("ForbidMachine", request, |call, ask| async move {
            let said = (ask.machine.as_str(), ask.by.as_str(), ask.reason.as_str());
            let (machine, _) = moved(&call, &ask.site, MachineMove::Forbid, said, false).await?;
            Ok(v1::ForbidMachineResponse { machine: Some(machine) })
        })
        .await
    }

    async fn return_machine(
        &self,
        request: Request<v1::ReturnMachineRequest>,
    ) -> Answer<v1::ReturnMachineResponse> {
        self.change("ReturnMachine", request, |call, ask| async move {
            let said = (ask.machine.as_str(), ask.by.as_str(), ask.reason.as_str());
            let (machine, _) = moved(&call, &ask.site, MachineMove::Return, said, false).await?;
            Ok(v1::ReturnMachineResponse { machine: Some(machine) })
        })
        .await
    }

    async fn retire_machine(
        &self,
        request: Request<v1::RetireMachineRequest>,
    ) -> Answer<v1::RetireMachineResponse> {
        self.change("RetireMachine", request, |call, ask| async move {
            let said = (ask.machine.as_str(), ask.by.as_str(), ask.reason.as_str());
            let (machine, void) =
                moved(&call, &ask.site, MachineMove::Retire, said, ask.validate_only).await?;
            Ok(v1::RetireMachineResponse { machine: Some(machine), void_orders: machine::numbers(&void) })
        })
        .await
    }
}

async fn moved(
    call: &Call,
    site: &str,
    to: MachineMove,
    (machine, by, reason): (&str, &str, &str),
    validate_only: bool,
) -> Result<(v1::Machine, Vec<OrderNumber>), Failure> {
    let (tag, by, reason) = machine::moved(machine, by, reason)?;
    let site = call.site(site).await?.site;
    let moving = call.store.move_machine(&call.caller, site, &tag, to, &by, &reason, validate_only);
    let (record, void) = moving.await?;
    let names = call.names(record.by).await?;
    Ok((machine::machine(&record, &names), void))
}

/// The machine that answers to a name, with its card; refused where none does.
pub(super) async fn named(
    call: &Call,
    site: SiteId,
    name: &str,
) -> Result<(MachineRecord, MachineCard), Failure> {
    Ok(call.store.machine(site, name).await?.ok_or_else(|| Error::no_machine(name))?)
}

/// The number of the machine that answers to a name; refused where none does.
pub(super) async fn machine_id(call: &Call, site: &SiteRecord, name: &str) -> Result<MachineId, Failure> {
    Ok(named(call, site.site, name).await?.0.machine)
}

/// Refuses an area in which no machine stands: an empty list would read as if there were nothing to do.
pub(super) async fn known_area(call: &Call, site: &SiteRecord, area: &str) -> Result<(), Failure> {
    let filter = MachineFilter { area: Some(area.to_owned()), ..MachineFilter::default() };
    let any = call.store.machines(site.site, &filter, PageAsk { after: None, limit: 1 }).await?;
    if any.rows.is_empty() {
        return Err(machine::no_area(area).into());
    }
    Ok(())
}
