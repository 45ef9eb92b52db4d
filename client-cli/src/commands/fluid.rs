//! `fluid`: what goes into sumps and reservoirs and what comes out, and the record of it.

use super::close::{litres_of, used};
use super::{between, board, board_in, instant, paging, request_id};
use crate::{
    args::fluids::{FluidCommand, PourArgs, RecordArgs, ToldArgs, WasteArgs, WithdrawArgs},
    clock,
    exit::{Answer, Failure},
    render::fluid as show,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;

/// Does what was typed.
pub(crate) async fn run(session: &Session, command: FluidCommand) -> Result<Answer, Failure> {
    match command {
        FluidCommand::Record(args) => record(session, args).await,
        FluidCommand::Add(args) => pour(session, args, pb::FluidAct::Added).await,
        FluidCommand::Change(args) => pour(session, args, pb::FluidAct::Changed).await,
        FluidCommand::Waste(args) => waste(session, args).await,
        FluidCommand::Withdraw(args) => withdraw(session, args).await,
    }
}

async fn record(session: &Session, args: RecordArgs) -> Result<Answer, Failure> {
    let (from, until) = between(session, args.from.as_deref(), args.until.as_deref()).await?;
    let wanted = pb::GetFluidRecordRequest {
        site: session.site(),
        machine: args.machine,
        reservoir: args.place.unwrap_or_default(),
        from,
        until,
        ..Default::default()
    };
    let all: pb::GetFluidRecordResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::GetFluidRecordRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.fluids().get_fluid_record(request).await })
                .await
        }
    })
    .await?;
    let board = board_in(session, times::zone(&all.zone)?, clock::told_at());
    if args.html {
        let is_whole = all.next_page_token.is_empty();
        session.out.data(&crate::render::fluid_page::page(&all, (&wanted, is_whole), board))?;
    } else {
        session.show(&all, || show::record(&all, board), || show::rows(&all.lines))?;
    }
    Ok(Answer::Done)
}

async fn pour(session: &Session, args: PourArgs, act: pb::FluidAct) -> Result<Answer, Failure> {
    let item = used(&args.fluid).map_err(|error| Failure::usage(format!("FLUID: {error}")))?;
    let litres = item.unit.eq_ignore_ascii_case("l") && item.into.is_empty();
    if !litres {
        return Err(Failure::usage(format!(
            "`{}` is not said in L; write it like \"coolant concentrate=8 L\"",
            args.fluid
        )));
    }
    let said = pb::FluidSaid {
        machine: args.machine,
        reservoir: args.place,
        act: act.into(),
        fluid: item.item,
        litres: item.quantity,
        lot: item.lot,
        ..Default::default()
    };
    say(session, said, args.told).await
}

async fn waste(session: &Session, args: WasteArgs) -> Result<Answer, Failure> {
    let (litres, kind) = litres_of(&args.waste).map_err(|what| {
        Failure::usage(format!("`{}` {what}; write it like \"180 L used coolant\"", args.waste))
    })?;
    let said = pb::FluidSaid {
        machine: args.machine,
        reservoir: args.place,
        act: pb::FluidAct::Waste.into(),
        fluid: kind.to_owned(),
        litres: litres.to_owned(),
        route: args.route.unwrap_or_default(),
        document: args.document.unwrap_or_default(),
        ..Default::default()
    };
    say(session, said, args.told).await
}

async fn say(session: &Session, said: pb::FluidSaid, told: ToldArgs) -> Result<Answer, Failure> {
    let id = request_id(&told.say.change);
    let said = pb::FluidSaid {
        at: instant(session, "--at", told.at.as_deref()).await?,
        by: told.by,
        note: told.note.unwrap_or_default(),
        ..said
    };
    let request = pb::RecordFluidRequest {
        site: session.site(),
        request_id: id.to_string(),
        said: Some(said),
        validate_only: told.say.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.fluids().record_fluid(request).await })
        .await?;
    let board = board(session).await?;
    let lines = show::of_entry(answer.entry.as_ref());
    session.show(
        &answer,
        || show::said(answer.entry.as_ref(), &answer.remarks, told.say.dry_run, board),
        || show::rows(&lines),
    )?;
    Ok(Answer::Done)
}

async fn withdraw(session: &Session, args: WithdrawArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::WithdrawFluidRequest {
        site: session.site(),
        request_id: id.to_string(),
        entry: args.entry,
        by: args.by,
        reason: args.reason,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.fluids().withdraw_fluid(request).await })
        .await?;
    let board = board(session).await?;
    let lines = show::of_entry(answer.entry.as_ref());
    session.show(
        &answer,
        || show::said(answer.entry.as_ref(), &answer.remarks, false, board),
        || show::rows(&lines),
    )?;
    Ok(Answer::Done)
}
