//! What is asked at the terminal when several orders are closed in one stop.

use super::{
    asked_back::{self, Asks, Question, Thing},
    board, close,
    close::{used, waste, yes_or_no},
    stop_jobs::Job,
};
use crate::declared::Declared;
use crate::{
    exit::Failure,
    render::{self, point, words, wrap},
    session::Session,
    times::{self, Teller},
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

/// What came of asking for what the service did not take.
#[derive(Debug, PartialEq)]
pub(super) enum Mended {
    /// It is closed again, so.
    Again(Box<pb::CloseOrderRequest>),
    /// It stays open: nothing was wrong but what was asked back, and somebody said so.
    Open,
    /// The same, and nobody answers any more.
    Leave,
    /// The service refuses it.
    Refused,
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

    /// Shows every caution of the stop once, and asks of each whether it was heeded; gives those that were, or none where they leave.
    pub(super) async fn cautions(
        &mut self,
        jobs: &[Job],
        are_confirmed: bool,
    ) -> Result<Option<BTreeSet<String>>, Failure> {
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
            return Ok(Some(kinds.into_iter().map(|(text, _)| text.to_owned()).collect()));
        }
        let hazards = jobs.iter().filter(|job| job.item.as_ref().is_some_and(|item| item.hazard));
        let hazards: Vec<i64> = hazards.map(|job| job.order).collect();
        if kinds.is_empty() && hazards.is_empty() {
            return Ok(Some(BTreeSet::new()));
        }
        self.tell("", "BEFORE THE WORK");
        if !hazards.is_empty() {
            let of = format!("neglect or the work itself can hurt someone: {}", numbers(&hazards));
            self.tell("  HAZARD ", &of);
        }
        let mut heeded = BTreeSet::new();
        for (text, orders) in &kinds {
            self.tell("  ! ", &format!("{text} ({})", numbers(orders)));
            match self.is_heeded().await {
                Some(true) => drop(heeded.insert((*text).to_owned())),
                Some(false) => (),
                None => return Ok(None),
            }
        }
        self.tell("", render::due::DEFERRAL);
        if self.lines.is_none() && !kinds.is_empty() {
            let how = "nobody confirmed these cautions: each closing keeps that as a finding (--cautions-confirmed confirms them)";
            self.tell("", how);
        }
        Ok(Some(heeded))
    }

    /// Tells which machines must not start, before anything else is said of them.
    pub(super) fn forbidden(&self, machines: &[pb::Machine]) {
        for machine in machines {
            let machine_named = render::due::named(&machine.tag, &machine.name);
            self.tell("MUST NOT START ", &format!("{machine_named}: {}", machine.reason));
        }
    }

    /// Asks whether a caution was shown and heeded, until that is answered; where nobody answers, it was not. None where they leave.
    async fn is_heeded(&mut self) -> Option<bool> {
        while let Some(said) = self.ask("    shown and heeded? y or n, q leave").await {
            if said.eq_ignore_ascii_case("q") {
                return None;
            }
            if let Some(is_heeded) = yes_or_no(&said) {
                return Some(is_heeded);
            }
            self.tell("    ", "that is none of these");
        }
        Some(false)
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
                _ => {
                    self.tell("", "that is none of these");
                    continue;
                }
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
    /// meant.
    pub(super) async fn asked_back(
        &mut self,
        refused: &[(String, String)],
        asked: &[Question],
        request: &pb::CloseOrderRequest,
    ) -> Result<Mended, Failure> {
        for (what, text) in refused {
            self.tell("  -> ", &format!("{what}: {text}"));
        }
        if asked.is_empty() {
            return Ok(Mended::Refused);
        }
        if asked_back::is_far(&asked.iter().collect::<Vec<_>>()) {
            self.tell("     ", asked_back::SHELF);
        }
        let teller = board(self.session).await?.teller;
        let (mut mended, mut anew) = (request.clone(), Vec::new());
        for question in asked {
            let prompt = prompt(question, request, teller);
            match self.right_or_meant(&prompt, question, &mut mended).await? {
                Some(Right::AsTyped) => question.thing.confirm(&mut mended),
                Some(Right::Anew) => anew.push(question.thing),
                Some(Right::Open) => return Ok(Mended::Open),
                None => return Ok(Mended::Leave),
            }
        }
        asked_back::as_said(&anew, &mut mended);
        Ok(Mended::Again(Box::new(mended)))
    }

    /// Asks of one thing whether it is right as it was typed, or what was meant, until that is answered; none where nobody answers any
    /// more.
    async fn right_or_meant(
        &mut self,
        prompt: &str,
        question: &Question,
        mended: &mut pb::CloseOrderRequest,
    ) -> Result<Option<Right>, Failure> {
        loop {
            let Some(said) = self.ask(prompt).await else { return Ok(None) };
            if let Some(is_right) = yes_or_no(&said) {
                return Ok(Some(if is_right { Right::AsTyped } else { Right::Open }));
            }
            let meant =
                question.meant.iter().enumerate().find(|(at, _)| said.eq_ignore_ascii_case(&key(*at)));
            let taken = match meant {
                Some((_, name)) => {
                    question.thing.rename(name, mended);
                    Ok(())
                }
                None if question.thing == Thing::Time => {
                    let zone = self.session.zone().await?;
                    let time = times::instant(&said, Some(zone)).map_err(|error| error.to_string());
                    time.map(|time| mended.done_at = Some(times::to_wire(time)))
                }
                None => anew(question, &said, mended),
            };
            match taken {
                Ok(()) => return Ok(Some(Right::Anew)),
                Err(why) => self.tell("", &why),
            }
        }
    }
}

/// What was said of a thing that was asked back.
enum Right {
    /// It is right as it was typed.
    AsTyped,
    /// It was said anew.
    Anew,
    /// The order stays open.
    Open,
}

/// The key that takes a name which may be meant.
fn key(at: usize) -> String {
    if at == 0 { "m".to_owned() } else { format!("m{}", at + 1) }
}

/// What is asked of a thing: what was typed, what a yes to it says, and what may be said instead.
fn prompt(question: &Question, request: &pb::CloseOrderRequest, teller: Teller) -> String {
    let what = match question.thing {
        Thing::Time => {
            format!(
                "the time, {}",
                teller.instant(request.done_at.as_ref()).unwrap_or_else(|| "now".to_owned())
            )
        }
        Thing::Reading(at) => {
            let reading = &request.readings[at];
            format!("{} {} {}", reading.point, reading.value, words::unit_sign(&reading.unit))
        }
        Thing::Item(_) => question.word.clone(),
    };
    let (yes, instead) = match (question.thing, question.asks) {
        (Thing::Time, _) => ("it was done then", ", or the right time"),
        (_, Asks::Value) => (AS_TYPED, ", or the right value"),
        (_, Asks::Record) => (
            "it was read without an electrician's record: it is recorded so",
            ", or the number of the record",
        ),
        (_, Asks::ValueAndRecord) => (
            "it is right, and was read without an electrician's record: it is recorded so",
            ", or the right value",
        ),
        (Thing::Reading(_), Asks::Name) => (AS_TYPED, ", or it again, like p-air=6.1bar"),
        (Thing::Item(_), Asks::Name) => (AS_TYPED, ", or it again, like \"way oil=2 L\""),
    };
    let mut prompt = format!("{}: y {yes}", what.trim_end());
    for (at, name) in question.meant.iter().enumerate() {
        let _ = write!(prompt, ", {} it is {name}", key(at));
    }
    format!("{prompt}{instead}, n leave the order open")
}

/// What a yes to what was typed says.
const AS_TYPED: &str = "it is right as it was typed";

/// Says a reading or an item anew, in the words that it was asked for in; else what is wrong with them.
fn anew(question: &Question, said: &str, request: &mut pb::CloseOrderRequest) -> Result<(), String> {
    let neither = || "that is none of these".to_owned();
    match (question.thing, question.asks) {
        (Thing::Item(at), _) => request.used[at] = used(said)?,
        (Thing::Reading(at), Asks::Name) => request.readings[at] = close::reading(said)?,
        (Thing::Reading(_), Asks::Record) => {
            // A key that was missed is no number of a record.
            if !said.bytes().any(|b| b.is_ascii_digit()) {
                return Err(neither());
            }
            said.clone_into(&mut request.certificate);
        }
        (Thing::Reading(at), Asks::Value | Asks::ValueAndRecord) => {
            let Typed::Value(value, unit) = typed(said) else { return Err(neither()) };
            (request.readings[at].value, request.readings[at].unit) = (value, unit);
        }
        (Thing::Time, _) => return Err(neither()),
    }
    Ok(())
}

fn is_yes(said: &str) -> bool {
    yes_or_no(said) == Some(true)
}

fn numbers(orders: &[i64]) -> String {
    orders.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::UTC;

    fn question(thing: Thing, asks: Asks, meant: &[&str]) -> Question {
        let meant = meant.iter().map(|&name| name.to_owned()).collect();
        Question { thing, word: "cloht".to_owned(), asks, meant }
    }

    fn closing() -> pb::CloseOrderRequest {
        let reading =
            pb::Reading { point: "volt".into(), value: "61".into(), unit: "V".into(), confirmed: false };
        let used = pb::KitItem { item: "cloht".into(), quantity: "2".into(), ..Default::default() };
        pb::CloseOrderRequest { readings: vec![reading], used: vec![used], ..Default::default() }
    }

    #[test]
    fn a_yes_says_what_it_is_a_yes_to() {
        let now = times::absolute("2026-11-25T05:40:00Z").unwrap();
        let told = |thing, asks, meant: &[&str]| {
            let request = pb::CloseOrderRequest { done_at: Some(times::to_wire(now)), ..closing() };
            prompt(&question(thing, asks, meant), &request, Teller::new(UTC, now))
        };
        let open = ", n leave the order open";
        let volt = Thing::Reading(0);
        for (told, expect) in [
            (
                told(Thing::Time, Asks::Value, &[]),
                "the time, Wed 25 Nov 05:40: y it was done then, or the right time",
            ),
            (told(volt, Asks::Value, &[]), "volt 61 V: y it is right as it was typed, or the right value"),
            (
                told(volt, Asks::Record, &[]),
                "volt 61 V: y it was read without an electrician's record: it is recorded so, or the number of the record",
            ),
            (
                told(volt, Asks::ValueAndRecord, &[]),
                "volt 61 V: y it is right, and was read without an electrician's record: it is recorded so, or the right value",
            ),
            (
                told(Thing::Item(0), Asks::Name, &["cloth", "clot", "clott"]),
                "cloht: y it is right as it was typed, m it is cloth, m2 it is clot, m3 it is clott, or it again, like \"way oil=2 L\"",
            ),
        ] {
            assert_eq!(told, format!("{expect}{open}"));
        }
    }

    #[test]
    fn what_is_said_anew_takes_the_place_of_what_was_typed_and_a_missed_key_takes_none() {
        let (volt, cloth) = (Thing::Reading(0), Thing::Item(0));
        for (thing, asks, said) in [
            (volt, Asks::Value, "yy"),
            (volt, Asks::ValueAndRecord, "K"),
            (volt, Asks::Record, "yy"),
            (volt, Asks::Name, "volts"),
            (cloth, Asks::Name, "cloth"),
        ] {
            let mut request = closing();
            assert!(anew(&question(thing, asks, &[]), said, &mut request).is_err(), "{said}");
            assert_eq!(request, closing());
        }
        let mut request = closing();
        anew(&question(volt, Asks::Value, &[]), "6,1", &mut request).unwrap();
        assert_eq!((request.readings[0].value.as_str(), request.readings[0].unit.as_str()), ("6.1", ""));
        anew(&question(volt, Asks::Record, &[]), "E-12", &mut request).unwrap();
        assert_eq!(request.certificate, "E-12");
        anew(&question(volt, Asks::Name, &[]), "volts=7V", &mut request).unwrap();
        assert_eq!((request.readings[0].point.as_str(), request.readings[0].value.as_str()), ("volts", "7"));
        anew(&question(cloth, Asks::Name, &[]), "cloth=3", &mut request).unwrap();
        assert_eq!((request.used[0].item.as_str(), request.used[0].quantity.as_str()), ("cloth", "3"));
    }
}
