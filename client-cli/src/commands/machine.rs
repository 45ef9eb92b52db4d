//! `machine`: which machines there are, and moving them between in service, resting, forbidden and retired.

use super::{board, paging, request_id};
use crate::{
    args::shop::{MachineCommand, MachineListArgs, MachineShowArgs, MachineWord, MoveArgs, RetireArgs},
    exit::{Answer, Failure},
    json::Named,
    render::{self, due::Board},
    session::Session,
};
use fettler_proto::v1 as pb;
use prost::Message;

/// Runs a `machine` command.
pub(super) async fn run(session: &Session, command: MachineCommand) -> Result<Answer, Failure> {
    match command {
        MachineCommand::List(args) => list(session, args).await,
        MachineCommand::Show(args) => show(session, args).await,
        MachineCommand::Rest(args) => rest(session, args).await,
        MachineCommand::Forbid(args) => forbid(session, args).await,
        MachineCommand::Return(args) => give_back(session, args).await,
        MachineCommand::Retire(args) => retire(session, args).await,
    }
}

/// All machines of an area; of the whole site where it is empty.
pub(super) async fn all(session: &Session, area: String) -> Result<Vec<pb::Machine>, Failure> {
    let all: pb::ListMachinesResponse = paging::all(|page_token| {
        let request = pb::ListMachinesRequest {
            site: session.site(),
            area: area.clone(),
            page_size: paging::PAGE_MAX,
            page_token,
            ..Default::default()
        };
        async move {
            session
                .ask(&request, |link, request| async move { link.machines().list_machines(request).await })
                .await
        }
    })
    .await?;
    Ok(all.machines)
}

async fn list(session: &Session, args: MachineListArgs) -> Result<Answer, Failure> {
    let state = match args.state {
        None => pb::MachineState::Unspecified,
        Some(MachineWord::InService) => pb::MachineState::InService,
        Some(MachineWord::Resting) => pb::MachineState::Resting,
        Some(MachineWord::Forbidden) => pb::MachineState::Forbidden,
        Some(MachineWord::Retired) => pb::MachineState::Retired,
    };
    let wanted = pb::ListMachinesRequest {
        site: session.site(),
        state: state.into(),
        area: args.area.unwrap_or_default(),
        ..Default::default()
    };
    let all: pb::ListMachinesResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListMachinesRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.machines().list_machines(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(
        &all,
        || match all.machines.as_slice() {
            [] => "no machines\n".to_owned(),
            machines => render::machine::list(machines, board),
        },
        || render::machine::rows(&all.machines),
    )?;
    Ok(Answer::Done)
}

async fn show(session: &Session, args: MachineShowArgs) -> Result<Answer, Failure> {
    let request = pb::GetMachineRequest { site: session.site(), machine: args.machine };
    let answer = session
        .ask(&request, |link, request| async move { link.machines().get_machine(request).await })
        .await?;
    let board = board(session).await?;
    session.show(
        &answer,
        || render::machine::card(&answer, board),
        || render::machine::rows(answer.machine.as_slice()),
    )?;
    Ok(Answer::Done)
}

async fn rest(session: &Session, args: MoveArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::RestMachineRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        by: args.by,
        reason: args.reason,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.machines().rest_machine(request).await })
        .await?;
    moved(session, &answer, answer.machine.as_ref(), board)
}

async fn forbid(session: &Session, args: MoveArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::ForbidMachineRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        by: args.by,
        reason: args.reason,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.machines().forbid_machine(request).await })
        .await?;
    moved(session, &answer, answer.machine.as_ref(), board)
}

async fn give_back(session: &Session, args: MoveArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::ReturnMachineRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: args.machine,
        by: args.by,
        reason: args.reason,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.machines().return_machine(request).await })
        .await?;
    moved(session, &answer, answer.machine.as_ref(), board)
}

async fn retire(session: &Session, args: RetireArgs) -> Result<Answer, Failure> {
    let RetireArgs { moved, dry_run } = args;
    let id = request_id(&moved.change);
    let request = pb::RetireMachineRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: moved.machine,
        by: moved.by,
        reason: moved.reason,
        validate_only: dry_run,
    };
    let board = board(session).await?;
    let answer = session
        .change(&request, id, |link, request| async move { link.machines().retire_machine(request).await })
        .await?;
    let text = || {
        let mut text = render::order::dry(dry_run);
        text.push_str(
            &answer.machine.as_ref().map(|m| render::machine::standing(m, board)).unwrap_or_default(),
        );
        if !answer.void_orders.is_empty() {
            let numbers: Vec<String> = answer.void_orders.iter().map(ToString::to_string).collect();
            text.push_str(&render::wrap::labelled(2, "void orders", 14, &numbers.join(", "), board.width));
        }
        text
    };
    session.show(&answer, text, || render::machine::rows(answer.machine.as_slice()))?;
    Ok(Answer::Done)
}

fn moved<A: Message + Named>(
    session: &Session,
    answer: &A,
    machine: Option<&pb::Machine>,
    board: Board,
) -> Result<Answer, Failure> {
    session.show(
        answer,
        || machine.map(|machine| render::machine::standing(machine, board)).unwrap_or_default(),
        || render::machine::rows(&machine.cloned().into_iter().collect::<Vec<_>>()),
    )?;
    Ok(Answer::Done)
}
