//! Several orders closed in one stop of a machine: their cautions first, each kind once; then one order after the other. Each closing
//! has a request id of its own and stands, or is refused, by itself.

use super::{
    asked_back::{self, Question},
    board,
    close::{self, follow_up, id_of, in_flags},
    instant, request_id, sheet_print,
    stop_jobs::{Job, forbidden, jobs, people_are_known},
    stop_talk::{Mended, Said, Talk},
};
use crate::{
    again::Again,
    args::{OutputForm, orders::CloseArgs},
    declared::Declared,
    exit::{Answer, Complaint, Failure},
    render::{
        self,
        stop::{Became, Line},
    },
    session::Session,
    times::rfc3339,
};
use fettler_proto::v1 as pb;
use std::io::{self, IsTerminal as _};
use uuid::Uuid;

/// A stop under way.
struct Stop<'s> {
    session: &'s Session,
    id: Uuid,
    lines: Vec<Line>,
    answers: Vec<pb::CloseOrderResponse>,
    /// What the service refused, by order.
    refused: Complaint,
    /// What it asked back where nobody is there to answer, by order.
    asked: Vec<(i64, Vec<Question>)>,
}

/// Closes the orders of a stop.
pub(super) async fn run(session: &Session, args: CloseArgs) -> Result<Answer, Failure> {
    let is_asked = io::stdin().is_terminal() && session.out.is_watched();
    let walks = is_asked && session.settings.output == OutputForm::Table && args.as_found.is_none();
    if args.machine.is_some() && !walks {
        return Err(Failure::usage("what is due on a machine is walked at a terminal, without --as-found")
            .with_hint("elsewhere name the orders: fettler close 245 246 --by NAME --as-found good"));
    }
    for_one_only(&args)?;
    let jobs = jobs(session, &args, walks).await?;
    if jobs.is_empty() {
        session.out.data("nothing is due there\n")?;
        return Ok(Answer::Done);
    }
    on_one_machine(&args, &jobs)?;
    let wanted = requests(session, &args, &jobs).await?;
    if walks {
        people_are_known(session, &args).await?;
    }
    let mut talk = Talk::new(session, is_asked);
    if walks {
        talk.forbidden(&forbidden(session, &jobs).await?);
    }
    let heeded = talk.cautions(&jobs, args.cautions_confirmed).await?;
    // Whoever leaves at the cautions leaves all orders open.
    let mut ended = heeded.is_none().then_some(Failure::Interrupted);
    let heeded = heeded.unwrap_or_default();
    let declared = if walks { sheet_print::declared(session).await? } else { Declared::default() };
    let refused = Complaint::default();
    let (lines, answers, asked) = (Vec::new(), Vec::new(), Vec::new());
    let mut stop = Stop { session, id: request_id(&args.change), lines, answers, refused, asked };
    for (job, mut request) in jobs.iter().zip(wanted) {
        let all_heeded = !job.cautions().is_empty() && job.cautions().iter().all(|one| heeded.contains(one));
        request.cautions_confirmed = args.cautions_confirmed || all_heeded;
        if let Some(by) = stop.closed_with(job.order) {
            stop.put(job, Became::ClosedWith(by));
        } else if ended.is_some() {
            stop.put(job, Became::LeftOpen);
        } else if !walks {
            match stop.close(job, request, None).await {
                Ok(asked) => stop.asked.push((job.order, asked)),
                Err(failure) => ended = Some(failure),
            }
        } else {
            match talk.order(job, request, &declared).await? {
                Said::Close(request, more) => {
                    ended = stop.walked(&mut talk, job, *request, more).await.err();
                }
                Said::Open => stop.put(job, Became::LeftOpen),
                Said::Leave => {
                    stop.put(job, Became::LeftOpen);
                    ended = Some(Failure::Interrupted);
                }
            }
        }
    }
    if let Some(title) = &args.follow_up
        && ended.is_none()
    {
        // What was closed is told all the same.
        ended = stop.more(title, &args.by).await.err();
    }
    // To leave a walk is no failure: what was not done stays open.
    stop.end(ended.filter(|failure| !matches!(failure, Failure::Interrupted))).await
}

/// What a flag says of one order cannot be said of several.
fn for_one_only(args: &CloseArgs) -> Result<(), Failure> {
    let given = [
        ("--used", !args.used.is_empty()),
        ("--waste", !args.waste.is_empty()),
        ("--minutes", args.minutes.is_some()),
        ("--left-out", !args.left_out.is_empty()),
    ];
    match given.iter().find(|(_, is_given)| *is_given) {
        None => Ok(()),
        Some((flag, _)) => Err(Failure::usage(format!(
            "{flag} belongs to one order, and several are closed"
        ))
        .with_hint("close that order by itself, or say it at the terminal where each order is asked for")),
    }
}

/// What is left to do is said of one machine.
fn on_one_machine(args: &CloseArgs, jobs: &[Job]) -> Result<(), Failure> {
    let mut machines: Vec<&str> =
        jobs.iter().filter_map(|job| Some(job.item.as_ref()?.machine.as_str())).collect();
    machines.dedup();
    if args.follow_up.is_none() || machines.len() < 2 {
        return Ok(());
    }
    Err(Failure::usage(format!("--follow-up: the orders are on several machines: {}", machines.join(", ")))
        .with_hint("raise it there: fettler raise MACHINE TITLE --by NAME"))
}

/// What the flags say of each order. A reading goes to every order that asks for its test point.
async fn requests(
    session: &Session,
    args: &CloseArgs,
    jobs: &[Job],
) -> Result<Vec<pb::CloseOrderRequest>, Failure> {
    let done_at = instant(session, "--done", args.done.as_deref()).await?;
    let said = pb::CloseOrderRequest { done_at, ..close::resolve(session.site(), args)? };
    let asks = |job: &Job, point: &str| job.asks.iter().any(|key| key == point);
    let lost = |reading: &&pb::Reading| !jobs.iter().any(|job| asks(job, &reading.point));
    if let Some(reading) = said.readings.iter().find(lost) {
        return Err(Failure::usage(format!("--read: no order of this stop asks for {}", reading.point))
            .with_hint(format!("`fettler read MACHINE {}=VALUE` takes a reading by itself", reading.point)));
    }
    let of = |job: &Job| {
        let readings = said.readings.iter().filter(|reading| asks(job, &reading.point)).cloned().collect();
        pb::CloseOrderRequest { order: job.order, readings, ..said.clone() }
    };
    Ok(jobs.iter().map(of).collect())
}

impl Stop<'_> {
    /// The order of this stop whose closing closed another with it.
    fn closed_with(&self, order: i64) -> Option<i64> {
        let by =
            self.answers.iter().find(|answer| answer.covered.iter().any(|other| other.number == order))?;
        by.order.as_ref().map(|order| order.number)
    }

    fn put(&mut self, job: &Job, became: Became) {
        let title = job.item.as_ref().map(|item| item.title.clone()).unwrap_or_default();
        self.lines.push(Line { order: job.order, title, became });
    }

    /// Closes an order; gives what the service asks back. What it refuses holds up none behind it; without an answer nothing more
    /// is tried.
    async fn close(
        &mut self,
        job: &Job,
        mut request: pb::CloseOrderRequest,
        again: Option<u32>,
    ) -> Result<Vec<Question>, Failure> {
        let id = id_of(self.id, job.order, &again.map(|time| time.to_string()).unwrap_or_default());
        request.request_id = id.to_string();
        match send(self.session, &request, id).await {
            Ok(answer) => {
                let title = answer.order.as_ref().map(|order| order.title.clone()).unwrap_or_default();
                let became = Became::Closed(answer.remarks.clone());
                self.lines.push(Line { order: job.order, title, became });
                self.answers.push(answer);
                Ok(Vec::new())
            }
            Err(Failure::Refused(complaint)) => {
                let asked = asked_back::questions(complaint.asked(), &request);
                self.put(job, Became::Refused(complaint.message.clone()));
                let name = format!("order {}", job.order);
                self.refused.fields.push((name.clone(), complaint.message));
                let of = |field: String| {
                    if field.is_empty() { name.clone() } else { format!("{name}, {field}") }
                };
                let fields = complaint.fields.into_iter().map(|(field, text)| (of(field), text));
                self.refused.fields.extend(fields);
                self.refused.code = complaint.code;
                Ok(asked)
            }
            Err(other) => {
                self.put(job, Became::NotKnown);
                Err(other)
            }
        }
    }

    /// Closes an order as it was told at the terminal; what the service asks back, the time, readings and items, is asked there.
    async fn walked(
        &mut self,
        talk: &mut Talk<'_>,
        job: &Job,
        mut request: pb::CloseOrderRequest,
        more: Option<String>,
    ) -> Result<(), Failure> {
        let by = request.done_by.clone();
        for time in 0.. {
            let before = self.refused.clone();
            let asked = self.close(job, request.clone(), (time > 0).then_some(time)).await?;
            if !matches!(self.lines.last().map(|line| &line.became), Some(Became::Refused(_))) {
                break;
            }
            let news: Vec<_> = self.refused.fields[before.fields.len()..].to_vec();
            let mended = talk.asked_back(&news, &asked, &request).await?;
            if mended == Mended::Refused {
                return Ok(());
            }
            // What somebody has answered is refused no more.
            self.refused = before;
            self.lines.pop();
            match mended {
                Mended::Again(again) => request = *again,
                Mended::Open | Mended::Leave | Mended::Refused => {
                    self.put(job, Became::LeftOpen);
                    return if mended == Mended::Leave { Err(Failure::Interrupted) } else { Ok(()) };
                }
            }
        }
        match more {
            Some(title) => self.more(&title, &by).await,
            None => Ok(()),
        }
    }

    /// Raises an order for what is left to do on the machine of the closing before.
    async fn more(&mut self, title: &str, by: &str) -> Result<(), Failure> {
        let Some(order) = self.answers.last().and_then(|answer| answer.order.clone()) else { return Ok(()) };
        match follow_up(self.session, &order, title, by, self.id).await {
            Ok(item) => {
                self.lines.push(Line { order: item.order, title: item.title, became: Became::Raised });
                Ok(())
            }
            Err(Failure::Refused(complaint)) => {
                self.refused.fields.push((format!("follow-up of order {}", order.number), complaint.message));
                self.refused.fields.extend(complaint.fields);
                self.refused.code = complaint.code;
                Ok(())
            }
            Err(other) => Err(other),
        }
    }

    /// Shows what became of each order.
    async fn end(mut self, ended: Option<Failure>) -> Result<Answer, Failure> {
        let board = board(self.session).await?;
        let orders: Vec<pb::Order> = self.answers.iter().filter_map(|answer| answer.order.clone()).collect();
        self.session.show_each(
            &self.answers,
            || render::stop::summary(&self.lines, &self.answers, board),
            || render::order::rows(&orders),
        )?;
        if let Some(failure) = ended {
            return Err(failure);
        }
        if self.refused.fields.is_empty() {
            return Ok(Answer::Done);
        }
        "not all of the stop was taken; what closed is recorded".clone_into(&mut self.refused.message);
        let is_raised = self.lines.iter().any(|line| line.became == Became::Raised);
        self.refused.hints.extend(how_again(&self.asked, is_raised));
        Err(Failure::Refused(self.refused))
    }
}

/// What to say again of the orders that were asked back, and with what; nothing where none was. Those alone, and what is left to do no
/// second time: the whole command again would be another one, which closes what is closed and raises what is raised.
fn how_again(asked: &[(i64, Vec<Question>)], is_raised: bool) -> Vec<String> {
    let asked = asked.iter().filter(|(_, questions)| !questions.is_empty());
    let orders: Vec<String> = asked.clone().map(|(order, _)| order.to_string()).collect();
    let raised = if is_raised { " without --follow-up, which was raised," } else { "" };
    let again =
        format!("nothing was recorded of {}; close {} again{raised}", orders.join(", "), orders.join(" "));
    let questions: Vec<&Question> = asked.flat_map(|(_, questions)| questions).collect();
    asked_back::hints(&again, &questions)
}

async fn send(
    session: &Session,
    request: &pb::CloseOrderRequest,
    id: Uuid,
) -> Result<pb::CloseOrderResponse, Failure> {
    let again = Again::of(id).said(words(request));
    let sent = session
        .say(request, again, |link, request| async move { link.orders().close_order(request).await })
        .await;
    sent.map_err(|failure| in_flags(failure, request))
}

/// A closing as the command that says the same, without its request id.
fn words(request: &pb::CloseOrderRequest) -> Vec<String> {
    let mut words = vec!["close".to_owned(), request.order.to_string()];
    let mut put = |flag: &str, value: String| {
        if !value.is_empty() {
            words.extend([flag.to_owned(), value]);
        }
    };
    put("--by", request.done_by.clone());
    put("--done", rfc3339(request.done_at.as_ref()));
    put("--entered-by", request.entered_by.clone());
    let found = match request.as_found() {
        pb::AsFound::Unspecified => "",
        pb::AsFound::Good => "good",
        pb::AsFound::Worn => "worn",
        pb::AsFound::Failed => "failed",
        pb::AsFound::BrokeDown => "broke-down",
    };
    put("--as-found", found.to_owned());
    for reading in &request.readings {
        put("--read", format!("{}={}{}", reading.point, reading.value, reading.unit));
    }
    for item in &request.used {
        put("--used", used(item));
    }
    for waste in &request.waste {
        put("--waste", wasted(waste));
    }
    put("--certificate", request.certificate.clone());
    put("--second-person", request.second_person.clone());
    put("--minutes", render::words::unless_zero(request.minutes.into()));
    for task in &request.left_out {
        put("--left-out", task.clone());
    }
    put("--note", request.note.clone());
    for word in asked_back::words(request) {
        words.extend(["--it-is-so".to_owned(), word]);
    }
    for (flag, is_set) in [("--kit", request.kit_used), ("--cautions-confirmed", request.cautions_confirmed)]
    {
        words.extend(is_set.then(|| flag.to_owned()));
    }
    words
}

fn used(item: &pb::KitItem) -> String {
    let unit = if item.unit.is_empty() { String::new() } else { format!(" {}", item.unit) };
    let into = match (item.into.as_str(), item.change) {
        ("", _) => String::new(),
        (place, true) => format!(" fills {place}"),
        (place, false) => format!(" into {place}"),
    };
    let lot = if item.lot.is_empty() { String::new() } else { format!(" @ {}", item.lot) };
    format!("{}={}{unit}{into}{lot}", item.item, item.quantity)
}

fn wasted(waste: &pb::WasteSaid) -> String {
    let place = if waste.reservoir.is_empty() { String::new() } else { format!("{}=", waste.reservoir) };
    let route = if waste.route.is_empty() { String::new() } else { format!(" to {}", waste.route) };
    let document =
        if waste.document.is_empty() { String::new() } else { format!(" document {}", waste.document) };
    format!("{place}{} L {}{route}{document}", waste.litres, waste.kind)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        args::{Args, Command},
        times,
    };
    use clap::Parser as _;

    #[test]
    fn a_closing_as_a_command_says_the_same() {
        let reading = |point: &str, confirmed| pb::Reading {
            point: point.into(),
            value: "-6.1".into(),
            unit: "bar".into(),
            confirmed,
        };
        let item = |change, lot: &str| pb::KitItem {
            item: "way oil VG 68".into(),
            quantity: "2".into(),
            unit: "L".into(),
            lot: lot.into(),
            into: "tank".into(),
            change,
        };
        let request = pb::CloseOrderRequest {
            order: 245,
            done_at: Some(times::to_wire(times::absolute("2026-11-25T05:40:00Z").unwrap())),
            done_by: "Ada Kern".into(),
            entered_by: "Ben Holt".into(),
            as_found: pb::AsFound::BrokeDown.into(),
            readings: vec![reading("line-air", true), reading("oil", false)],
            used: vec![item(true, ""), item(false, "A-17")],
            cautions_confirmed: true,
            certificate: "K-77".into(),
            second_person: "Cem Yil".into(),
            minutes: 12,
            note: "it \"hissed\"".into(),
            left_out: vec!["bowl".into()],
            kit_used: true,
            confirmed: ["used[0].item", "used[1].item", "done_at"].map(str::to_owned).to_vec(),
            waste: vec![pb::WasteSaid {
                reservoir: "tank".into(),
                kind: "used oil".into(),
                litres: "2.5".into(),
                route: "drum 7".into(),
                document: "4711".into(),
            }],
            ..Default::default()
        };
        let typed = std::iter::once("fettler".to_owned()).chain(words(&request));
        let Command::Close(args) = Args::try_parse_from(typed).unwrap().command else { panic!() };
        assert_eq!(args.orders, [245]);
        let done = times::absolute(args.done.as_deref().unwrap()).map(times::to_wire);
        let read = close::resolve(String::new(), &args).unwrap();
        assert_eq!(pb::CloseOrderRequest { order: 245, done_at: done, ..read }, request);
    }
}
