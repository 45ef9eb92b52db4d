//! `report`: a month as one page of HTML with plots, and the tables behind it as CSV.

use super::{figures, machine, paging, stock};
use crate::{
    args::{OutputForm, report::ReportArgs},
    backtest::own::{self, Kept, Own},
    exit::{Answer, Failure},
    proving::NewFile,
    report::{
        self,
        facts::{AHEAD_DAYS, Before, Closed, Facts, Overdue, Ran, Uses, Way, Year},
    },
    session::Session,
    times,
};
use chrono::{DateTime, NaiveTime, Utc};
use fettler_proto::v1 as pb;
use std::{collections::BTreeSet, path::Path};

/// The most machines that a page of a look ahead has.
const AHEAD_PAGE: i32 = 50;

/// Asks for the month, and writes what it came to.
pub(crate) async fn run(session: &Session, args: ReportArgs) -> Result<Answer, Failure> {
    if session.settings.output != OutputForm::Table {
        let hint = "write the tables as CSV with --csv FOLDER; `fettler figures` answers in JSON";
        return Err(Failure::usage("--output: a report is a page of HTML".to_owned()).with_hint(hint));
    }
    let earlier = args.earlier.as_deref().map(read_earlier).transpose()?;
    let facts = gather(session, &args.month, earlier).await?;
    let sections = report::sections(&facts);
    if let Some(why) = report::not_held(&facts, &sections) {
        session.out.note(&format!("--earlier: {why}\n"));
    }
    if let Some(folder) = &args.csv {
        std::fs::create_dir_all(folder)
            .map_err(|error| Failure::usage(format!("--csv: cannot make {}: {error}", folder.display())))?;
        let mut written = 0;
        for (name, text) in report::tables(&sections) {
            write(&folder.join(name), &text)?;
            written += 1;
        }
        session.out.note(&format!("{written} tables written to {}\n", folder.display()));
    }
    let page = report::page(&facts, &sections);
    match &args.file {
        Some(file) => {
            write(file, &page)?;
            session.out.note(&format!("report of {} written to {}\n", facts.month_name(), file.display()));
        }
        None => session.out.data(&page)?,
    }
    Ok(Answer::Done)
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let mut file = NewFile::begin(path)?;
    file.write(text)?;
    file.end()
}

/// Reads what an earlier report expected.
fn read_earlier(folder: &Path) -> Result<Vec<Before>, Failure> {
    let path = folder.join("expected.csv");
    let cannot = |what: &dyn std::fmt::Display| {
        Failure::usage(format!("--earlier: cannot read {}: {what}", path.display()))
            .with_hint("give the folder to which an earlier report was written with --csv")
    };
    let mut reader = csv::Reader::from_path(&path).map_err(|error| cannot(&error))?;
    reader.deserialize().map(|row| row.map_err(|error| cannot(&error))).collect()
}

async fn gather(session: &Session, month: &str, earlier: Option<Vec<Before>>) -> Result<Facts, Failure> {
    let (first, _) = figures::month(month)?;
    let site = session.ask_site().await?;
    let zone = times::zone(&site.zone)?;
    let starts = NaiveTime::parse_from_str(&site.day_starts_at, "%H:%M").unwrap_or_default();
    let year = Year::ending(first, zone, starts);
    let ahead = look_ahead(session).await?;
    if first.to_string() > ahead.shop_day {
        return Err(Failure::usage(format!(
            "--month: {month} has not begun; the shop day is {}",
            ahead.shop_day
        )));
    }
    let whole = figures_of(session, &year, Ask::default()).await?;
    let whole = whole.groups.into_iter().next().map(|group| group.figures).unwrap_or_default();
    let by_month = Ask { by: pb::FigureGrouping::Month, figure: "compliance", ..Ask::default() };
    let compliance = figures_of(session, &year, by_month).await?.groups;
    let machines = machine::all(session, String::new()).await?;
    let mut uses = Uses::of(stock::all(session).await?);
    let closings = closings(session, &year, &mut uses).await?;
    poured(session, &year, &machines, &mut uses).await?;
    by_hand(session, &year, &mut uses).await?;
    Ok(Facts {
        site_name: if site.name.is_empty() { site.key } else { site.name },
        zone,
        overdue: overdue(session, &year).await?,
        machines: hours(session, &year, machines).await?,
        own: own(session, year.span().1).await?,
        year,
        whole,
        compliance,
        uses,
        ahead,
        earlier,
        closings,
    })
}

/// What of the figures is asked for.
#[derive(Clone, Copy, Default)]
struct Ask<'a> {
    by: pb::FigureGrouping,
    figure: &'a str,
    machine: &'a str,
    with_orders: bool,
}

async fn figures_of(session: &Session, year: &Year, ask: Ask<'_>) -> Result<pb::GetFiguresResponse, Failure> {
    let from = if ask.by == pb::FigureGrouping::Month { year.first_day() } else { year.month() };
    let request = pb::GetFiguresRequest {
        site: session.site(),
        from_day: from.to_string(),
        until_day: year.last_day().to_string(),
        group_by: ask.by.into(),
        machine: ask.machine.to_owned(),
        figure: ask.figure.to_owned(),
        with_orders: ask.with_orders,
        ..Default::default()
    };
    session.ask(&request, |link, request| async move { link.figures().get_figures(request).await }).await
}

async fn look_ahead(session: &Session) -> Result<pb::LookAheadResponse, Failure> {
    // Which shop day it is the due list says; a client's clock may be another.
    let due = pb::ListDueRequest { site: session.site(), page_size: 1, ..Default::default() };
    let due = session.ask(&due, |link, request| async move { link.due().list_due(request).await }).await?;
    let until = times::days_after(&due.shop_day, AHEAD_DAYS).unwrap_or(due.shop_day);
    let wanted =
        pb::LookAheadRequest { site: session.site(), until, page_size: AHEAD_PAGE, ..Default::default() };
    paging::all(|page_token| {
        let request = pb::LookAheadRequest { page_token, ..wanted.clone() };
        async move {
            session.ask(&request, |link, request| async move { link.due().look_ahead(request).await }).await
        }
    })
    .await
}

/// Reads the closings of the months; what they used is added, and how they lie about their due points is given.
async fn closings(session: &Session, year: &Year, uses: &mut Uses) -> Result<Vec<Closed>, Failure> {
    let (from, until) = year.span();
    let mut wanted = pb::ExportClosingsRequest {
        site: session.site(),
        from: Some(times::to_wire(from)),
        until: Some(times::to_wire(until)),
        ..Default::default()
    };
    let mut closed = Vec::new();
    loop {
        let mut stream = session.link.audit().export_closings(wanted.clone()).await?.into_inner();
        let before = wanted.resume_token.clone();
        while let Some(message) = stream.message().await? {
            for row in &message.rows {
                closed.extend(one_closing(row, year, uses));
            }
            wanted.resume_token = message.resume_token;
        }
        if wanted.resume_token.is_empty() || wanted.resume_token == before {
            return Ok(closed);
        }
    }
}

fn one_closing(row: &pb::AuditRow, year: &Year, uses: &mut Uses) -> Option<Closed> {
    let closing = row.closing.as_ref().filter(|closing| closing.undone_at.is_none())?;
    let month = closing.done_at.as_ref().and_then(times::from_wire).and_then(|at| year.month_of(at))?;
    for used in &closing.used {
        uses.add(Way::Closing, &month, (&used.item, &used.unit), &used.quantity);
    }
    let has_moved = match (&row.due, &closing.due_as_known_then) {
        (Some(now), Some(then)) => row.days_from_due.is_some() && now != then,
        (_, _) => false,
    };
    Some(Closed { days: row.days_from_due, has_moved })
}

/// Adds what was poured into sumps and reservoirs outside work orders.
async fn poured(
    session: &Session,
    year: &Year,
    machines: &[pb::Machine],
    uses: &mut Uses,
) -> Result<(), Failure> {
    let (from, until) = year.span();
    for machine in machines {
        let wanted = pb::GetFluidRecordRequest {
            site: session.site(),
            machine: machine.tag.clone(),
            from: Some(times::to_wire(from)),
            until: Some(times::to_wire(until)),
            page_size: paging::PAGE_MAX,
            ..Default::default()
        };
        let all: pb::GetFluidRecordResponse = paging::all(|page_token| {
            let request = pb::GetFluidRecordRequest { page_token, ..wanted.clone() };
            async move {
                session
                    .ask(
                        &request,
                        |link, request| async move { link.fluids().get_fluid_record(request).await },
                    )
                    .await
            }
        })
        .await?;
        for entry in all.lines.iter().filter_map(|line| line.entry.as_ref()) {
            let went_in = matches!(entry.act(), pb::FluidAct::Added | pb::FluidAct::Changed);
            // What a closing says of it is among what closings used.
            if !went_in || entry.order != 0 || entry.withdrawn_at.is_some() {
                continue;
            }
            let at = entry.at.as_ref().and_then(times::from_wire);
            if let Some(month) = at.and_then(|at| year.month_of(at)) {
                uses.add(Way::Poured, &month, (&entry.fluid, "L"), &entry.litres);
            }
        }
    }
    Ok(())
}

/// What was taken off the shelf by hand, as the journal holds it.
#[derive(serde::Deserialize)]
struct Issued {
    after: IssuedAfter,
}

#[derive(serde::Deserialize)]
struct IssuedAfter {
    item: i64,
    said: IssuedSaid,
}

#[derive(serde::Deserialize)]
struct IssuedSaid {
    amount: i64,
    /// What it was for, where it is told elsewhere: poured into a sump or reservoir.
    #[serde(rename = "for")]
    told_under: Option<String>,
}

/// What a use was taken back with, as the journal holds it.
#[derive(serde::Deserialize)]
struct Returned {
    after: ReturnedAfter,
}

#[derive(serde::Deserialize)]
struct ReturnedAfter {
    said: ReturnedSaid,
}

#[derive(serde::Deserialize)]
struct ReturnedSaid {
    /// The entry that is taken back.
    #[serde(rename = "use")]
    entry: i64,
}

/// All entries of a kind.
async fn entries(session: &Session, kind: &str) -> Result<Vec<pb::Entry>, Failure> {
    let all: pb::ListEntriesResponse = paging::all(|page_token| {
        let request = pb::ListEntriesRequest {
            site: session.site(),
            kind: kind.to_owned(),
            page_size: paging::PAGE_MAX,
            page_token,
            ..Default::default()
        };
        async move {
            session
                .ask(&request, |link, request| async move { link.journal().list_entries(request).await })
                .await
        }
    })
    .await?;
    Ok(all.entries)
}

/// Adds what was taken off the shelf by hand and not taken back.
async fn by_hand(session: &Session, year: &Year, uses: &mut Uses) -> Result<(), Failure> {
    let returned = entries(session, "stock.returned").await?;
    let read = |entry: &pb::Entry| serde_json::from_str::<Returned>(&entry.leaf).ok();
    let returned: BTreeSet<i64> =
        returned.iter().filter_map(read).map(|back| back.after.said.entry).collect();
    let all = entries(session, "stock.issued").await?;
    for entry in all.iter().filter(|entry| !returned.contains(&entry.number)) {
        let at = entry.recorded_at.as_ref().and_then(times::from_wire);
        let Some(month) = at.and_then(|at| year.month_of(at)) else { continue };
        let Ok(Issued { after }) = serde_json::from_str::<Issued>(&entry.leaf) else {
            uses.unread += 1;
            continue;
        };
        match uses.numbered(after.item) {
            _ if after.said.told_under.is_some() => {}
            Some(item) => uses.add_amount(Way::ByHand, &month, item, after.said.amount),
            None => uses.unread += 1,
        }
    }
    Ok(())
}

async fn overdue(session: &Session, year: &Year) -> Result<Vec<Overdue>, Failure> {
    let ask = Ask { figure: "overdue", with_orders: true, ..Ask::default() };
    let answer = figures_of(session, year, ask).await?;
    let orders = answer.groups.iter().flat_map(|group| &group.figures).flat_map(|figure| &figure.orders);
    let mut overdue = Vec::new();
    for behind in orders {
        let request = pb::GetOrderRequest { site: session.site(), order: behind.order };
        let answer = session
            .ask(&request, |link, request| async move { link.orders().get_order(request).await })
            .await?;
        let order = answer.order.unwrap_or_default();
        let due = match &order.closing {
            Some(closing) => closing.due_as_known_then.as_ref(),
            None => order.due.as_ref(),
        };
        overdue.push(Overdue { due: due.and_then(times::from_wire), order });
    }
    overdue.sort_by_key(|one| (one.due, one.order.number));
    Ok(overdue)
}

/// What each machine ran: the hours that its failures are counted over.
async fn hours(session: &Session, year: &Year, machines: Vec<pb::Machine>) -> Result<Vec<Ran>, Failure> {
    const FIGURE: &str = "between_failures";
    let mut all = Vec::new();
    for machine in machines {
        let ask = Ask { figure: FIGURE, machine: &machine.tag, ..Ask::default() };
        let answer = figures_of(session, year, ask).await?;
        let figure = answer.groups.into_iter().flat_map(|group| group.figures).next().unwrap_or_default();
        // One that has left the shop belongs to the months in which it ran.
        if machine.state() == pb::MachineState::Retired && figure.numerator <= 0.0 {
            continue;
        }
        all.push(Ran { machine, hours: figure.numerator, is_known: !figure.hours_missing });
    }
    all.sort_by(|a, b| a.machine.tag.cmp(&b.machine.tag));
    Ok(all)
}

/// The forecast held against the reports that had ended by an instant.
async fn own(session: &Session, until: DateTime<Utc>) -> Result<Own, Failure> {
    let ended = |kept: &pb::KeptReport| super::backtest::ended(kept).is_none_or(|end| end <= until);
    let kept: Kept = super::backtest::gather(session, ended).await?;
    // Thousands of forecasts: not on a thread that a connection waits for.
    tokio::task::spawn_blocking(move || own::judge(kept)).await.map_err(|_| Failure::Interrupted)
}
