//! What a stop begins with: its orders as they stand, the people whom it names, and which of its machines must not start.

use super::{due, paging, person::people, sheet_print};
use crate::{args::orders::CloseArgs, exit::Failure, session::Session};
use fettler_domain::near;
use fettler_proto::v1 as pb;
use std::collections::BTreeSet;

/// An order of the stop; without its item where the service does not explain it, as one that was closed before.
pub(super) struct Job {
    /// Its number.
    pub(super) order: i64,
    /// How it stands.
    pub(super) item: Option<pb::DueItem>,
    /// The test points that it asks for.
    pub(super) asks: Vec<String>,
}

impl Job {
    fn of(item: pb::DueItem) -> Job {
        Job { order: item.order, asks: item.readings.clone(), item: Some(item) }
    }

    /// The cautions of its work.
    pub(super) fn cautions(&self) -> &[String] {
        self.item.as_ref().map_or(&[], |item| &item.cautions)
    }
}

/// The orders of the stop: those that were named, or what is due on the machine and may be done while it is stopped.
pub(super) async fn jobs(session: &Session, args: &CloseArgs, walks: bool) -> Result<Vec<Job>, Failure> {
    let mut jobs: Vec<Job> = Vec::new();
    if let Some(machine) = &args.machine {
        let request = pb::ListDueRequest {
            site: session.site(),
            machine: machine.clone(),
            while_stopped: true,
            page_size: paging::PAGE_MAX,
            ..Default::default()
        };
        let items = due::gather(session, &request).await?.items;
        let numbers: Vec<i64> = items.iter().map(|item| item.order).collect();
        // What a larger order closes is not walked beside it.
        let own = items.into_iter().filter(|item| !numbers.contains(&item.covered_by));
        jobs.extend(own.map(Job::of));
        return Ok(jobs);
    }
    for &order in &args.orders {
        if jobs.iter().any(|job| job.order == order) {
            continue;
        }
        let request = pb::ExplainOrderRequest { site: session.site(), order, ..Default::default() };
        let asked = session
            .ask(&request, |link, request| async move { link.due().explain_order(request).await })
            .await;
        jobs.push(match asked {
            Ok(answer) => Job::of(answer.item.unwrap_or_default()),
            // The closing meets the same refusal, or, being a repeat of one that was taken, succeeds. Nobody walks to what is not open.
            Err(Failure::Refused(_)) if !walks => {
                let asks =
                    if args.readings.is_empty() { Vec::new() } else { asked_once(session, order).await? };
                Job { order, item: None, asks }
            }
            Err(other) => return Err(other),
        });
    }
    Ok(jobs)
}

/// Refuses a name that nobody has before anything is asked: what was answered would be lost with it.
pub(super) async fn people_are_known(session: &Session, args: &CloseArgs) -> Result<(), Failure> {
    let people = people(session).await?;
    let said = [
        ("--by", Some(&args.by)),
        ("--entered-by", args.entered_by.as_ref()),
        ("--second-person", args.second_person.as_ref()),
    ];
    for (flag, name) in said {
        let Some(name) = name.filter(|name| !people.contains(name)) else { continue };
        let near = near::question(name, people.iter().map(String::as_str));
        let hint = near.unwrap_or_else(|| "`fettler person list` shows who is".to_owned());
        return Err(Failure::usage(format!("{flag}: {name} is not known")).with_hint(hint));
    }
    Ok(())
}

/// Those machines of the stop that must not start.
pub(super) async fn forbidden(session: &Session, jobs: &[Job]) -> Result<Vec<pb::Machine>, Failure> {
    let machines: BTreeSet<&str> =
        jobs.iter().filter_map(|job| Some(job.item.as_ref()?.machine.as_str())).collect();
    let mut all = Vec::new();
    for machine in machines {
        let request = pb::ListDueRequest {
            site: session.site(),
            machine: machine.to_owned(),
            page_size: 1,
            ..Default::default()
        };
        let list =
            session.ask(&request, |link, request| async move { link.due().list_due(request).await }).await?;
        all.extend(list.forbidden.into_iter().filter(|forbidden| forbidden.tag == machine));
    }
    Ok(all)
}

/// The test points that an order asked for that is open no more: a repeat says the same as the closing that was taken.
async fn asked_once(session: &Session, order: i64) -> Result<Vec<String>, Failure> {
    let request = pb::GetOrderRequest { site: session.site(), order };
    let told =
        session.ask(&request, |link, request| async move { link.orders().get_order(request).await }).await;
    let order = match told {
        Ok(answer) => answer.order.unwrap_or_default(),
        Err(Failure::Refused(_)) => return Ok(Vec::new()),
        Err(other) => return Err(other),
    };
    let declared = sheet_print::declared(session).await?;
    Ok(declared.task(&order.machine, &order.task).map(|task| task.readings.clone()).unwrap_or_default())
}
