//! What is asked at the terminal when several orders are closed in one stop.

use super::{
    asked_back::{self, Question},
    close::{used, waste, yes_or_no},
    stop::Job,
};
use crate::declared::Declared;
use crate::{
    exit::Failure,
    render::{self, point, words, wrap},
    session::Session,
    walk::{Typed, lines, typed},
};
use fettler_proto::v1 as pb;
use std::{collections::BTreeSet, fmt::Write as _};
use tokio::sync::mpsc::UnboundedReceiver;

/// The narrowest screen that lines are broken for, in characters.
const WIDTH_MIN: usize = 30;

/// What came of asking for an order.
pub(super) enum Said {
    /// It was done so; and what is left to do after it.
    Close(Box<pb::CloseOrderRequest>, Option<String>),
    /// It stays open.
    Open,
    /// It stays open, as do those after it.
    Leave,
}

/// A talk at a terminal; without one it tells, and asks nothing.
pub(super) struct Talk<'s> {
    session: &'s Session,
    lines: Option<UnboundedReceiver<String>>,
    width: usize,
}

impl<'s> Talk<'s> {
    /// Begins; `is_asked` says whether somebody is there to answer.
    pub(super) fn new(session: &'s Session, is_asked: bool) -> Talk<'s> {
        let columns = terminal_size::terminal_size().map(|(width, _)| usize::from(width.0));
        let width = columns.map_or(session.settings.width, |columns| columns.min(session.settings.width));
        Talk { session, lines: is_asked.then(lines), width: width.max(WIDTH_MIN) }
    }

    /// Tells a text with a label before it.
    fn tell(&self, label: &str, text: &str) {
        if text.is_empty() {
            return;
        }
        let mut out = String::new();
        let room = self.width.saturating_sub(label.len()).max(20);
        for (i, line) in wrap::lines(text, room).into_iter().enumerate() {
            let lead = if i == 0 { label.to_owned() } else { " ".repeat(label.len()) };
            let _ = writeln!(out, "{lead}{line}");
        }
        self.session.out.note(&out);
    }

    /// Asks; none where nobody answers any more.
    async fn ask(&mut self, prompt: &str) -> Option<String> {
        let lines = self.lines.as_mut()?;
        self.session.out.note(&format!("{prompt} > "));
        lines.recv().await.map(|line| line.trim().to_owned())
    }

    /// Shows every caution of the stop once, and asks of each whether it was heeded; gives those that were.
    pub(super) async fn cautions(
        &mut self,
        jobs: &[Job],
        are_confirmed: bool,
    ) -> Result<BTreeSet<String>, Failure> {
        let mut kinds: Vec<(&str, Vec<i64>)> = Vec::new();
        for job in jobs {
            for caution in job.cautions() {
                match kinds.iter_mut().find(|(text, _)| text == caution) {
                    Some((_, of)) => of.push(job.order),
                    None => kinds.push((caution, vec![job.order])),
                }
            }
        }
        if are_confirmed {
            return Ok(kinds.into_iter().map(|(text, _)| text.to_owned()).collect());
        }
        let hazards = jobs.iter().filter(|job| job.item.as_ref().is_some_and(|item| item.hazard));
        let hazards: Vec<i64> = hazards.map(|job| job.order).collect();
        if kinds.is_empty() && hazards.is_empty() {
            return Ok(BTreeSet::new());
        }
        self.tell("", "BEFORE THE WORK");
        if !hazards.is_empty() {
            let of = format!("neglect or the work itself can hurt someone: {}", numbers(&hazards));
            self.tell("  HAZARD ", &of);
        }
        let mut heeded = BTreeSet::new();
        for (text, orders) in &kinds {
            self.tell("  ! ", &format!("{text} ({})", numbers(orders)));
            if self.is_heeded().await {
                heeded.insert((*text).to_owned());
            }
        }
        self.tell("", render::due::DEFERRAL);
        if self.lines.is_none() && !kinds.is_empty() {
            let how = "nobody confirmed these cautions: each closing keeps that as a finding (--cautions-confirmed confirms them)";
            self.tell("", how);
        }
        Ok(heeded)
    }

    /// Asks whether a caution was shown and heeded, until that is answered; where nobody answers, it was not.
    async fn is_heeded(&mut self) -> bool {
        while let Some(said) = self.ask("    shown and heeded? y or n").await {
            if let Some(is_heeded) = yes_or_no(&said) {
                return is_heeded;
            }
            self.tell("    ", "that is neither");
        }
        false
    }

    /// Asks how an order was done.
    pub(super) async fn order(
        &mut self,
        job: &Job,
        mut request: pb::CloseOrderRequest,
        declared: &Declared,
    ) -> Result<Said, Failure> {
        let item = job.item.clone().unwrap_or_default();
        self.heading(job, &item);
        loop {
            let Some(line) =
                self.ask("Enter good, w worn, f failed, b broke down, s leave open, q leave").await
            else {
                return Ok(Said::Leave);
            };
            request.as_found = match line.to_lowercase().as_str() {
                "" | "g" | "good" => pb::AsFound::Good.into(),
                "w" | "worn" => pb::AsFound::Worn.into(),
                "f" | "failed" => pb::AsFound::Failed.into(),
                "b" | "broke down" => pb::AsFound::BrokeDown.into(),
                "s" => return Ok(Said::Open),
                "q" => return Ok(Said::Leave),
                _ => continue,
            };
            break;
        }
        let answered = self.answers(&item, &mut request, declared).await;
        let Some(more) = answered else { return Ok(Said::Leave) };
        Ok(Said::Close(Box::new(request), Some(more).filter(|more| !more.is_empty())))
    }

    fn heading(&self, job: &Job, item: &pb::DueItem) {
        self.session.out.note("\n");
        let machine = render::due::named(&item.machine, &item.machine_name);
        self.tell("== ", &format!("{machine}: {} {}, {}", job.order, item.title, item.when));
        self.tell("  where ", &item.place);
        self.tell("  bring ", &words::kit(&item.kit));
    }

    /// What is asked of an order that was done; what is left to do, or none where nobody answers any more.
    async fn answers(
        &mut self,
        item: &pb::DueItem,
        request: &mut pb::CloseOrderRequest,
        declared: &Declared,
    ) -> Option<String> {
        for key in &item.readings {
            if !request.readings.iter().any(|reading| reading.point == *key) {
                let read = self.reading(key, declared.point(&item.machine, key)).await?;
                request.readings.extend(read);
            }
        }
        self.used(item, request).await?;
        let task = declared.task(&item.machine, &item.task);
        if task.is_some_and(|task| task.certificate) && request.certificate.is_empty() {
            request.certificate = self.ask("number of the certificate, Enter for none").await?;
        }
        if task.is_some_and(|task| task.second_person) && request.second_person.is_empty() {
            request.second_person = self.ask("the second person's name, Enter for nobody").await?;
        }
        request.minutes = self.minutes(item.minutes).await?;
        if request.note.is_empty() {
            request.note = self.ask("note, Enter for none").await?;
        }
        self.ask("what is left to do: raises an order, Enter for nothing").await
    }

    async fn reading(&mut self, key: &str, point: Option<&pb::TestPoint>) -> Option<Option<pb::Reading>> {
        let point = point.cloned().unwrap_or_default();
        self.tell("  limits ", &point::limits(&point));
        for caution in &point.cautions {
            self.tell("  ! ", caution);
        }
        let title = if point.title.is_empty() { key.to_owned() } else { format!("{} ({key})", point.title) };
        let unit = words::unit_sign(&point.unit);
        let prompt = match unit {
            "" => format!("{title}, Enter not read"),
            unit => format!("{title} in {unit}, Enter not read"),
        };
        loop {
            let line = self.ask(&prompt).await?;
            match typed(&line) {
                Typed::Enter => return Some(None),
                Typed::Value(value, unit) => {
                    let point = key.to_owned();
                    return Some(Some(pb::Reading { point, value, unit, confirmed: false }));
                }
                Typed::Good
                | Typed::Finding(_)
                | Typed::Later
                | Typed::Back
                | Typed::End
                | Typed::Leave
                | Typed::Help
                | Typed::Unknown => self.tell("", "type the value, such as 6.1, or Enter"),
            }
        }
    }

    /// What was used, and what came out.
    async fn used(&mut self, item: &pb::DueItem, request: &mut pb::CloseOrderRequest) -> Option<()> {
        if !item.kit.is_empty() && !request.kit_used {
            let kit = words::kit(&item.kit);
            request.kit_used = is_yes(&self.ask(&format!("used as it stands: {kit}? y or n")).await?);
        }
        loop {
            let line = self.ask("used beside that, like \"way oil=2 L\", Enter for nothing").await?;
            match used(&line) {
                _ if line.is_empty() => break,
                Ok(item) => request.used.push(item),
                Err(error) => self.tell("", &error),
            }
        }
        while item.kit.iter().any(|of| !of.into.is_empty()) {
            let line = self.ask("waste, like \"2 L used oil to drum 7\", Enter for none").await?;
            match waste(&line) {
                _ if line.is_empty() => break,
                Ok(waste) => request.waste.push(waste),
                Err(error) => self.tell("", &error),
            }
        }
        Some(())
    }

    async fn minutes(&mut self, planned: i32) -> Option<i32> {
        let of = if planned > 0 { format!(" (planned {planned})") } else { String::new() };
        loop {
            let line = self.ask(&format!("minutes{of}, Enter not known")).await?;
            match line.parse() {
                Ok(minutes @ 0..=10_000) => return Some(minutes),
                _ if line.is_empty() => return Some(0),
                Ok(_) | Err(_) => self.tell("", "a whole number up to 10000, or Enter"),
            }
        }
    }

    /// What the service refused; where it only asks back, the closing with each thing confirmed as it was typed, or said as it was
    /// meant. None leaves the order open.
    pub(super) async fn asked_back(
        &mut self,
        refused: &[(String, String)],
        asked: &[Question],
        request: &pb::CloseOrderRequest,
    ) -> Result<Option<pb::CloseOrderRequest>, Failure> {
        for (what, text) in refused {
            self.tell("  -> ", &format!("{what}: {text}"));
        }
        if asked.is_empty() {
            return Ok(None);
        }
        let mut mended = request.clone();
        for question in asked {
            match self.right_or_meant(question).await {
                Some(Right::AsTyped) => question.thing.confirm(&mut mended),
                Some(Right::Meant(name)) => question.thing.rename(name, &mut mended),
                None => return Ok(None),
            }
        }
        asked_back::as_said(&mut mended);
        Ok(Some(mended))
    }

    /// Asks of one thing whether it is right as it was typed, or what was meant, until that is answered; none where the order is left
    /// open.
    async fn right_or_meant<'q>(&mut self, question: &'q Question) -> Option<Right<'q>> {
        let key = |at: usize| if at == 0 { "m".to_owned() } else { format!("m{}", at + 1) };
        let mut prompt = format!("{}: y it is right as it was typed", question.word);
        for (at, name) in question.meant.iter().enumerate() {
            let _ = write!(prompt, ", {} it is {name}", key(at));
        }
        prompt.push_str(", n leave the order open");
        loop {
            let said = self.ask(&prompt).await?;
            if let Some(is_right) = yes_or_no(&said) {
                return is_right.then_some(Right::AsTyped);
            }
            let meant =
                question.meant.iter().enumerate().find(|(at, _)| said.eq_ignore_ascii_case(&key(*at)));
            if let Some((_, name)) = meant {
                return Some(Right::Meant(name));
            }
            self.tell("", "that is none of these");
        }
    }
}

/// What was said of a thing that was asked back.
enum Right<'q> {
    /// It is right as it was typed.
    AsTyped,
    /// Another name was meant.
    Meant(&'q str),
}

fn is_yes(said: &str) -> bool {
    yes_or_no(said) == Some(true)
}

fn numbers(orders: &[i64]) -> String {
    orders.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}
