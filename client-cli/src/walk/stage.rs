//! The walk itself: handovers first, then question by question, then the handover.

mod proof;

use super::{
    Entry, Outbox, Said,
    screen::{self, KEYS, Progress, Typed},
    seen::see,
    sender::{News, Sender, Told},
};
use crate::{
    args::round::RoundArgs,
    clock,
    commands::people,
    exit::{Answer, Complaint, Failure},
    render::{round as render, words},
    session::Session,
    times::{self, Teller},
};
use chrono::{DateTime, Utc};
use fettler_proto::v1 as pb;
use std::{
    collections::{BTreeSet, VecDeque},
    time::{Duration, Instant},
};
use tokio::sync::mpsc::UnboundedReceiver;

/// An Enter that follows another within this time is a key held down, and answers nothing (common practice, no source).
const HELD: Duration = Duration::from_millis(250);
/// How long the end of a walk waits for what is still being sent.
const LAST_WAIT: Duration = Duration::from_secs(15);
/// The narrowest screen that lines are broken for, in characters.
const WIDTH_MIN: usize = 30;

/// What a person decides at a question.
enum Turn {
    Next,
    Back,
    End,
    Leave,
    /// There was nothing to ask.
    Nothing,
}

/// A walk under way.
struct Stage<'s> {
    session: &'s Session,
    outbox: Outbox,
    sender: Sender,
    lines: UnboundedReceiver<String>,
    teller: Teller,
    width: usize,
    server: String,
    by: String,
    shift: DateTime<Utc>,
    machines: Vec<pb::RoundMachine>,
    /// Machine and check of what was answered.
    answered: BTreeSet<(usize, usize)>,
    due: usize,
    asked_back: VecDeque<(Entry, Vec<String>)>,
    /// What waits on the disk for the PIN of whoever said it.
    unproven: VecDeque<Entry>,
    last_enter: Option<Instant>,
    /// That the service does not answer was told.
    told_away: bool,
}

/// Walks the round of the shift.
pub(crate) async fn walk(session: &Session, args: &RoundArgs) -> Result<Answer, Failure> {
    let outbox = Outbox::open()?;
    let server = session.settings.server.to_string();
    let (entries, unreadable) = outbox.entries(&server, &session.site())?;
    let mut sender = Sender::start(session.link.clone(), session.settings.pins.clone(), outbox.clone());
    for entry in &entries {
        sender.put(entry.clone());
    }
    let (seen, away) = see(session, &outbox).await?;
    let mut stage = Stage::new(session, outbox, sender, seen.checks, &seen.head, server)?;
    for path in unreadable {
        stage.say(&format!("{} cannot be read; it is left as it is", path.display()))?;
    }
    if let Some(away) = away {
        stage.say(&away)?;
        stage.say("the round is as it was last seen here")?;
        stage.say("answers are kept and sent later")?;
        stage.told_away = true;
    }
    stage.overlay(&entries);
    if !stage.who(args).await? {
        return stage.finish(Turn::Leave).await;
    }
    stage.proof().await?;
    let turn = match stage.handovers(&seen.head.handovers).await? {
        Turn::Leave => Turn::Leave,
        Turn::Next | Turn::Back | Turn::End | Turn::Nothing => stage.checks(args).await?,
    };
    stage.finish(turn).await
}

impl<'s> Stage<'s> {
    fn new(
        session: &'s Session,
        outbox: Outbox,
        sender: Sender,
        checks: pb::ListChecksResponse,
        head: &pb::GetRoundResponse,
        server: String,
    ) -> Result<Stage<'s>, Failure> {
        let teller = Teller::new(times::zone(&head.zone)?, clock::told_at());
        let round = checks.round.unwrap_or_default();
        let shift = round.shift_start.as_ref().and_then(times::from_wire).unwrap_or_else(clock::now);
        let columns = terminal_size::terminal_size().map(|(width, _)| usize::from(width.0));
        let width = columns.map_or(session.settings.width, |columns| columns.min(session.settings.width));
        let mut stage = Stage {
            session,
            outbox,
            sender,
            lines: screen::lines(),
            teller,
            width: width.max(WIDTH_MIN),
            server,
            by: String::new(),
            shift,
            machines: checks.machines,
            answered: BTreeSet::new(),
            due: 0,
            asked_back: VecDeque::new(),
            unproven: VecDeque::new(),
            last_enter: None,
            told_away: false,
        };
        for (m, machine) in stage.machines.iter().enumerate() {
            stage.due += machine.checks.len();
            let done = |check: &pb::RoundCheck| check.answer.is_some();
            let done = machine.checks.iter().enumerate().filter(|(_, check)| done(check));
            stage.answered.extend(done.map(|(c, _)| (m, c)));
        }
        let header = render::line(&round, stage.progress().done, stage.due, stage.teller);
        stage.show(&header)?;
        Ok(stage)
    }

    fn progress(&self) -> Progress {
        Progress { done: self.answered.len(), due: self.due }
    }

    /// A check's number in the round, the same however the walk goes.
    fn number(&self, (machine, check): (usize, usize)) -> usize {
        let before = self.machines.iter().take(machine).map(|of| of.checks.len()).sum::<usize>();
        before + check + 1
    }

    fn show(&self, text: &str) -> Result<(), Failure> {
        self.session.out.data(text)?;
        Ok(self.session.out.flush()?)
    }

    fn say(&self, text: &str) -> Result<(), Failure> {
        self.show(&screen::remark(text, self.width))
    }

    /// Takes what was said and not sent yet for answered.
    fn overlay(&mut self, entries: &[Entry]) {
        for entry in entries {
            let Said::Answer { shift, machine, check, .. } = &entry.said else { continue };
            let m = self.machines.iter().position(|of| of.machine == *machine);
            let c = m.and_then(|m| {
                let is_it = |of: &pb::RoundCheck| of.check.as_ref().is_some_and(|card| card.key == *check);
                self.machines[m].checks.iter().position(is_it)
            });
            if let Some(place) = m.zip(c).filter(|_| *shift == self.shift) {
                self.answered.insert(place);
            }
        }
    }

    async fn line(&mut self, prompt: &str) -> Result<Option<String>, Failure> {
        self.show(prompt)?;
        Ok(self.lines.recv().await)
    }

    /// Who walks; a name that nobody has is asked for again, so that no answer is refused for it later. False where they leave.
    async fn who(&mut self, args: &RoundArgs) -> Result<bool, Failure> {
        let people = if self.told_away { None } else { Some(people(self.session).await?) };
        let known =
            |name: &str| people.as_ref().is_none_or(|people| people.iter().any(|known| known == name));
        let mut name = args.by.clone();
        loop {
            match name.take() {
                Some(name) if known(&name) => {
                    self.by = name;
                    return Ok(true);
                }
                Some(other) if !other.is_empty() => {
                    self.say(&format!("`{other}` is not known; `fettler person list` shows who is"))?;
                }
                _ => {}
            }
            match self.line("who walks, q leave > ").await?.as_deref().map(str::trim) {
                Some("q" | "Q") => return Ok(false),
                Some(line) => name = Some(line.to_owned()),
                None => return Err(Failure::usage("nobody said who walks; name them with --by")),
            }
        }
    }

    /// Keeps something said, then lets it be sent.
    fn put(&mut self, said: Said) -> Result<(), Failure> {
        let entry = Entry {
            server: self.server.clone(),
            site: self.session.site(),
            id: clock::request_id().to_string(),
            at: clock::now(),
            by: self.by.clone(),
            said,
        };
        self.outbox.keep(&entry)?;
        self.sender.put(entry);
        Ok(())
    }

    /// Shows handovers that nobody has acknowledged, before anything else.
    async fn handovers(&mut self, handovers: &[pb::Handover]) -> Result<Turn, Failure> {
        for handover in handovers {
            self.show(&render::handover(handover, self.teller, self.width))?;
            loop {
                let Some(line) = self.line("a I have read it, Enter later, q leave > ").await? else {
                    return Ok(Turn::Leave);
                };
                match line.trim().to_lowercase().as_str() {
                    "a" => self.put(Said::Acknowledge { handover: handover.handover })?,
                    "q" => return Ok(Turn::Leave),
                    "" | "s" => {}
                    _ => {
                        self.show("a, Enter or q\n")?;
                        continue;
                    }
                }
                break;
            }
        }
        Ok(Turn::Next)
    }

    /// Walks what is open.
    async fn checks(&mut self, args: &RoundArgs) -> Result<Turn, Failure> {
        let mut order = self.open(args);
        if order.is_empty() {
            self.show(match self.due {
                0 => "no check is due in this shift\n",
                _ => "nothing is open here; `fettler round --end` hands over\n",
            })?;
            return Ok(Turn::Nothing);
        }
        let mut postponed = BTreeSet::new();
        let (mut at, mut shown) = (0, None);
        while let Some(&place) = order.get(at) {
            // What became of the answers before stands above the next machine.
            if let Some(turn) = self.tell().await? {
                return Ok(turn);
            }
            if shown != Some(place.0) {
                shown = Some(place.0);
                self.show(&screen::heading(&self.machines[place.0], self.progress(), self.width))?;
            }
            let check = self.machines[place.0].checks[place.1].clone();
            self.show(&screen::question(&check, (self.number(place), self.due), self.width))?;
            match self.ask(place, &check).await? {
                Some(Turn::Next) => at += 1,
                Some(Turn::Back) => at = at.saturating_sub(1),
                Some(other) => return Ok(other),
                None => {
                    if postponed.insert(place) {
                        order.push(place);
                    }
                    at += 1;
                }
            }
        }
        Ok(if self.answered.len() == self.due { Turn::End } else { Turn::Leave })
    }

    /// What is to be walked, in order.
    fn open(&self, args: &RoundArgs) -> Vec<(usize, usize)> {
        let is_meant = |wanted: &Option<String>, is: &str| wanted.as_ref().is_none_or(|wanted| wanted == is);
        let mut all = Vec::new();
        for (m, machine) in self.machines.iter().enumerate() {
            if is_meant(&args.machine, &machine.machine) && is_meant(&args.area, &machine.area) {
                all.extend((0..machine.checks.len()).map(|c| (m, c)));
            }
        }
        all.retain(|place| !self.answered.contains(place));
        all
    }

    /// Asks until an answer can be taken; none for "later".
    async fn ask(&mut self, place: (usize, usize), check: &pb::RoundCheck) -> Result<Option<Turn>, Failure> {
        let asks_value = check.point.is_some();
        loop {
            let Some(line) = self.lines.recv().await else { return Ok(Some(Turn::Leave)) };
            let typed = screen::typed(&line);
            let held = self.is_held(&typed);
            let hint = match typed {
                Typed::Enter if held => "too quick; y if it is good",
                Typed::Enter | Typed::Good if asks_value => "type the value; f if it cannot be read, s later",
                Typed::Enter | Typed::Good => {
                    self.answer(place, check, String::new(), String::new(), String::new())?;
                    return Ok(Some(Turn::Next));
                }
                Typed::Value(value, unit) if asks_value => {
                    self.answer(place, check, value, unit, String::new())?;
                    return Ok(Some(Turn::Next));
                }
                Typed::Value(..) => "no value is asked here; Enter, f or s",
                Typed::Finding(what) => match self.finding(what).await? {
                    Some(what) => {
                        self.answer(place, check, String::new(), String::new(), what)?;
                        return Ok(Some(Turn::Next));
                    }
                    None => "nothing was recorded",
                },
                Typed::Later => return Ok(None),
                Typed::Back => return Ok(Some(Turn::Back)),
                Typed::End => return Ok(Some(Turn::End)),
                Typed::Leave => return Ok(Some(Turn::Leave)),
                Typed::Help => KEYS,
                Typed::Unknown => "? shows the keys",
            };
            self.show(&format!("{}\n{}", hint.trim_end(), screen::prompt(check)))?;
        }
    }

    fn is_held(&mut self, typed: &Typed) -> bool {
        if *typed != Typed::Enter {
            return false;
        }
        let now = Instant::now();
        let held = self.last_enter.is_some_and(|last| now.duration_since(last) < HELD);
        self.last_enter = Some(now);
        held
    }

    async fn finding(&mut self, what: String) -> Result<Option<String>, Failure> {
        if !what.is_empty() {
            return Ok(Some(what));
        }
        let line = self.line("what is wrong (Enter for nothing) > ").await?;
        // Enter here is no answer to the next question.
        self.last_enter = Some(Instant::now());
        Ok(line.map(|line| line.trim().to_owned()).filter(|line| !line.is_empty()))
    }

    fn answer(
        &mut self,
        place: (usize, usize),
        check: &pb::RoundCheck,
        value: String,
        unit: String,
        finding: String,
    ) -> Result<(), Failure> {
        let machine = self.machines[place.0].machine.clone();
        let check = check.check.as_ref().map(|card| card.key.clone()).unwrap_or_default();
        let shift = self.shift;
        self.put(Said::Answer { shift, machine, check, value, unit, finding, confirmed: false })?;
        self.answered.insert(place);
        Ok(())
    }

    /// Tells what became of earlier answers, and asks what the service asks back.
    async fn tell(&mut self) -> Result<Option<Turn>, Failure> {
        while let Ok(news) = self.sender.told.try_recv() {
            self.hear(news)?;
        }
        if let Some(turn) = self.pins().await? {
            return Ok(Some(turn));
        }
        while let Some((entry, questions)) = self.asked_back.pop_front() {
            for question in &questions {
                self.say(&format!("{}: {question}", entry.words()))?;
            }
            let Said::Answer { shift, machine, check, value, unit, finding, .. } = entry.said.clone() else {
                continue;
            };
            let said = loop {
                let Some(line) = self.line("y it is so, or the right value, s later > ").await? else {
                    return Ok(Some(Turn::Leave));
                };
                let (value, unit, confirmed) = match screen::typed(&line) {
                    Typed::Good => (value.clone(), unit.clone(), true),
                    Typed::Value(value, unit) => (value, unit, false),
                    Typed::Enter | Typed::Later => break None,
                    Typed::Leave => return Ok(Some(Turn::Leave)),
                    Typed::Finding(_) | Typed::Back | Typed::End | Typed::Help | Typed::Unknown => {
                        self.say("that is neither")?;
                        continue;
                    }
                };
                let (machine, check, finding) = (machine.clone(), check.clone(), finding.clone());
                break Some(Said::Answer { shift, machine, check, value, unit, finding, confirmed });
            };
            if let Some(said) = said {
                self.put(said)?;
                self.outbox.forget(&entry);
            }
        }
        Ok(None)
    }

    fn hear(&mut self, news: News) -> Result<(), Failure> {
        match self.sender.counted(news) {
            News::Settled(Told::Sent(remarks)) => {
                self.told_away = false;
                for remark in remarks {
                    self.say(&remark)?;
                }
            }
            News::Settled(Told::AskedBack(entry, questions)) => {
                self.asked_back.push_back((*entry, questions));
            }
            News::Settled(Told::PinWanted(entry, wrong)) => {
                if wrong {
                    self.say("that is not the PIN")?;
                }
                self.unproven.push_back(*entry);
            }
            News::Settled(Told::Refused(why) | Told::Kept(why)) => self.say(&why)?,
            News::Waiting(_) if self.told_away => {}
            News::Waiting(count) => {
                self.told_away = true;
                let waits = words::count(count, "answer waits", "answers wait");
                self.say(&format!("no answer from the service; {waits} on this computer, go on"))?;
            }
        }
        Ok(())
    }

    /// Ends or leaves the walk, and waits a while for what is being sent.
    async fn finish(mut self, turn: Turn) -> Result<Answer, Failure> {
        let (done, due) = (self.answered.len(), self.due);
        if matches!(turn, Turn::End) {
            // A handover tells what was found: first everything that was said is to be with the service, and answered.
            self.drain().await?;
            self.show(&format!("\n{done} of {due} checks done.\n"))?;
            let note = self.line("note for the next shift, Enter for none, b not yet > ").await?;
            match note.as_deref().map(str::trim) {
                None | Some("b") => self.show("the round is not ended\n")?,
                Some(note) => self.put(Said::End { shift: self.shift, note: note.to_owned() })?,
            }
        } else if !matches!(turn, Turn::Nothing) {
            self.show(&format!("\nleft at {done} of {due}; `fettler round` goes on\n"))?;
        }
        self.drain().await?;
        self.sender.stop();
        let (left, _) = self.outbox.entries(&self.server, &self.session.site())?;
        if left.is_empty() {
            return Ok(Answer::Done);
        }
        let kept = words::count(left.len(), "answer is", "answers are");
        let complaint = Complaint {
            message: format!("{kept} kept in {}", self.outbox.folder().display()),
            ..Complaint::default()
        };
        let hint = "the next `fettler round` sends them, as does `fettler round --send`";
        Err(Failure::NotReachable(complaint.hint(hint)))
    }

    /// Waits for what is being sent, until it is, the service does not answer, or it takes too long.
    async fn drain(&mut self) -> Result<(), Failure> {
        let until = tokio::time::Instant::now() + LAST_WAIT;
        while self.sender.open() > 0 || !self.asked_back.is_empty() || !self.unproven.is_empty() {
            if let Some(Turn::Leave) = self.tell().await? {
                return Ok(());
            }
            if self.sender.open() == 0 {
                continue;
            }
            match tokio::time::timeout_at(until, self.sender.told.recv()).await {
                Ok(Some(news)) => {
                    let away = matches!(news, News::Waiting(_));
                    self.hear(news)?;
                    if away {
                        return Ok(());
                    }
                }
                Ok(None) | Err(_) => return Ok(()),
            }
        }
        Ok(())
    }
}
