//! One call of the system fails while a service does part of a script of 200 operations: whatever was answered as done is there
//! after the next start, and what is answered is what a run without a fault answers.

use crate::calls::{Calls, Fault, KINDS, Seen};
use crate::disk::is_whole;
use crate::script::{CLOCK_AT, OPERATIONS, Op, look, script};
use crate::service::Service;
use crate::wire::Wire;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use tempfile::TempDir;
use tonic::Status;

/// Parts of the script.
pub const PARTS: usize = OPERATIONS / PART;
/// Operations of a part: each part begins with a start of the service and ends with its stop.
const PART: usize = 10;

/// Numbers of the points of each phase for each fault. A point has the same number in every run, so that a proof can go on where it
/// stopped, though a run makes a few calls more or fewer than another: there are more numbers than calls, and those left over are passed
/// over.
const NUMBERS: [[u64; 3]; 3] = [[600, 600, 150], [550, 550, 650], [200, 200, 200]];
/// So many points more are tried of each fault than there were calls in the run without one, as a run may make some more: another of
/// the connections that read makes eleven calls at its start, ten of which need no room.
const MORE: [u64; 3] = [4, 4, 12];
/// Numbers of the whole script. A start is made of the same calls again and again, and so is a stop: those of the first part, on an empty
/// folder, and of the last, on the fullest, are tried, and of all parts what the operations do.
pub const POINTS: u64 =
    numbers_of(Phase::Operations) * PARTS as u64 + (numbers_of(Phase::Start) + numbers_of(Phase::Stop)) * 2;
/// Of the points one step of the proof apart, neighbours in the order of trying lie this far from each other, so that a run that is
/// cut short has looked everywhere. A prime, so that none is left out.
const STRIDE: u64 = 7_919;

/// What the service is at when a call fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    Start,
    Operations,
    Stop,
}

const PHASES: [Phase; 3] = [Phase::Start, Phase::Operations, Phase::Stop];

const fn numbers_of(phase: Phase) -> u64 {
    let [broken, full, unread] = NUMBERS[phase as usize];
    broken + full + unread
}

/// A part of the script: what stands before it, and what it answers and leaves where nothing fails.
struct Part {
    before: TempDir,
    first: usize,
    answers: Vec<Result<String, String>>,
    after: String,
    /// Calls of the system by phase.
    seen: [Seen; 3],
}

/// Which call fails, and how.
#[derive(Clone, Copy, Debug)]
struct Aim {
    phase: Phase,
    fault: Fault,
    number: u64,
}

/// Points that follow each other in their numbers.
struct Group<'a> {
    part: &'a Part,
    phase: Phase,
    fault: Fault,
    numbers: u64,
    /// How many of them are tried.
    tried: u64,
}

/// The script, run once without a fault.
pub struct Script {
    operations: Vec<Op>,
    parts: Vec<Part>,
    calls: Calls,
}

/// What some points came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Points tried.
    pub points: u64,
    /// Of them, those whose call did not come, as a run may make fewer than the one without a fault.
    pub missed: u64,
    /// Those at which the service did not start, or ended.
    pub ended: u64,
    /// Those at which a call was answered with an error, and the service went on.
    pub refused: u64,
    /// Those that nobody noticed, as what failed was tried again or not needed.
    pub unnoticed: u64,
    /// The calls that failed, by kind.
    pub failed: BTreeMap<String, u64>,
}

/// A refusal as text; the part of it that does not depend on the run.
fn told(status: &Status) -> String {
    format!("{:?}: {}", status.code(), status.message())
}

/// Where two texts part, with what stands around.
fn difference(one: &str, other: &str) -> String {
    const AROUND: usize = 300;
    let at = one.bytes().zip(other.bytes()).take_while(|(a, b)| a == b).count();
    let around = |text: &str| {
        let bytes = &text.as_bytes()[at.saturating_sub(AROUND)..text.len().min(at + AROUND)];
        String::from_utf8_lossy(bytes).into_owned()
    };
    format!("with the fault: {}\nwithout:        {}", around(one), around(other))
}

/// An answer is that of the run without a fault.
fn agree(operation: &Op, answer: &Result<String, String>, expect: &Result<String, String>, place: &str) {
    let text = |answer: &Result<String, String>| format!("{answer:?}");
    assert!(answer == expect, "{place}\n{operation:?}\n{}", difference(&text(answer), &text(expect)));
}

/// A folder for data, in memory where there is such a place: what a flush that fails loses is taken away by the disk of the test.
fn data_folder() -> TempDir {
    let mut builder = tempfile::Builder::new();
    let named = builder.prefix("fettler-");
    named.tempdir_in("/dev/shm").or_else(|_| named.tempdir()).expect("a folder")
}

fn copy_of(folder: &Path) -> TempDir {
    let copy = data_folder();
    copy_into(folder, copy.path());
    copy
}

fn copy_into(from: &Path, to: &Path) {
    for entry in fs::read_dir(from).expect("a folder") {
        let entry = entry.expect("an entry");
        let place = to.join(entry.file_name());
        if entry.file_type().expect("a type").is_dir() {
            fs::create_dir(&place).expect("a folder");
            copy_into(&entry.path(), &place);
        } else {
            fs::copy(entry.path(), &place).expect("a file");
        }
    }
}

impl Script {
    /// Runs the parts from the first on, as many as are wanted.
    pub async fn rehearse(seed: u64, parts: usize) -> Script {
        let mut all = Script { operations: script(seed), parts: Vec::new(), calls: Calls::make() };
        let mut folder = data_folder();
        for first in (0..OPERATIONS).step_by(PART).take(parts) {
            let before = copy_of(folder.path());
            all.calls.count();
            let mut service = all.start(folder).expect("it starts");
            let (mut answers, wire) = (Vec::new(), service.wire().await);
            let starting = all.calls.seen();
            all.calls.count();
            for place in first..first + PART {
                answers.push(all.operations[place].run(&wire, place).await.map_err(|status| told(&status)));
            }
            let operating = all.calls.seen();
            let after = look(&wire).await.expect("lists");
            all.calls.count();
            drop(wire);
            service.stop();
            let by_phase = [starting, operating, all.calls.seen()];
            folder = service.into_folder();
            all.parts.push(Part { before, first, answers, after, seen: by_phase });
        }
        all
    }

    /// A service on this folder whose calls are counted.
    fn start(&self, folder: TempDir) -> Result<Service, (TempDir, String)> {
        let environment = self.calls.environment(folder.path());
        Service::try_start(folder, &["--clock-at", CLOCK_AT], environment)
    }

    /// The points in the order of their numbers.
    fn groups(&self) -> Vec<Group<'_>> {
        let mut groups = Vec::new();
        for (place, part) in self.parts.iter().enumerate() {
            let is_whole = place == 0 || place + 1 == self.parts.len();
            for phase in PHASES.into_iter().filter(|&phase| is_whole || phase == Phase::Operations) {
                for fault in Fault::ALL {
                    let calls = part.seen[phase as usize].that_meet(fault);
                    let numbers = NUMBERS[phase as usize][fault as usize];
                    let tried = if calls == 0 { 0 } else { calls + MORE[fault as usize] };
                    assert!(tried <= numbers, "{phase:?}, {fault:?}: {tried} points have {numbers} numbers");
                    groups.push(Group { part, phase, fault, numbers, tried });
                }
            }
        }
        groups
    }

    /// How many points there are: each call that is tried with each error that it can meet.
    pub fn points(&self) -> u64 {
        self.groups().iter().map(|group| group.tried).sum()
    }

    /// How many calls the script makes, of which kinds.
    pub fn counted(&self) -> String {
        let told = PHASES.map(|phase| {
            let seen: Vec<Seen> = self.parts.iter().map(|part| part.seen[phase as usize]).collect();
            let kinds = KINDS.iter().enumerate();
            let kinds =
                kinds.map(|(kind, name)| (name, seen.iter().map(|seen| seen.kinds[kind]).sum::<u64>()));
            let kinds = kinds.filter(|&(_, calls)| calls > 0).map(|(name, calls)| format!("{name} {calls}"));
            let (kinds, all) =
                (kinds.collect::<Vec<_>>().join(", "), seen.iter().map(Seen::all).sum::<u64>());
            format!(
                "{all} calls {} ({kinds})",
                ["at starts", "within operations", "at stops"][phase as usize]
            )
        });
        told.join(", ")
    }

    /// The part, and which of its calls fails; none where this number is left over. Neighbours lie far apart.
    fn point(&self, number: u64) -> Option<(&Part, Aim)> {
        let groups = self.groups();
        let all: u64 = groups.iter().map(|group| group.numbers).sum();
        assert!(!all.is_multiple_of(STRIDE), "some would be left out");
        let mut place = number.checked_rem(all)? * STRIDE % all;
        let group = groups.into_iter().find(|group| {
            let is_here = place < group.numbers;
            place -= if is_here { 0 } else { group.numbers };
            is_here
        })?;
        let Group { part, phase, fault, tried, .. } = group;
        (place < tried).then_some((part, Aim { phase, fault, number: place + 1 }))
    }

    /// Tries the point with this number, if there is one.
    ///
    /// # Panics
    ///
    /// When something acknowledged is lost, an answer is another than without the fault, or what is left is not whole.
    pub async fn try_point(&self, number: u64, tally: &mut Tally) {
        if let Some((part, aim)) = self.point(number) {
            tally.points += 1;
            self.try_part(part, Some(aim), &format!("{aim:?}"), tally).await;
        }
    }

    /// Does the second part with a flush of the log that is answered as done, though it lost what it was to keep.
    ///
    /// # Panics
    ///
    /// As what was acknowledged is lost then.
    pub async fn try_lie(&self) {
        self.calls.lie_at_third_flush();
        self.try_part(&self.parts[1], None, "a flush that lies", &mut Tally::default()).await;
    }

    /// Lets the call fail that is aimed at, if it is one of this phase; the calls of another do not.
    fn enter(&self, phase: Phase, aim: Option<Aim>) {
        match aim {
            Some(aim) if aim.phase == phase => self.calls.fail_at(aim.number, aim.fault),
            _ => self.calls.pass(),
        }
    }

    /// Does a part with a fault, and goes on with it without.
    async fn try_part(&self, part: &Part, aim: Option<Aim>, fault: &str, tally: &mut Tally) {
        let place = || format!("operations from {}, {fault}: {}", part.first, self.calls.what());
        self.calls.count();
        self.enter(Phase::Start, aim);
        let (folder, went_well) = match self.start(copy_of(part.before.path())) {
            Ok(service) => self.with_fault(part, service, aim, tally, &place).await,
            Err((folder, said)) => {
                assert!(self.calls.has_failed(), "{}: no start, and nothing failed: {said}", place());
                tally.ended += 1;
                (folder, 0)
            }
        };
        let place = place();
        if let Some((kind, _)) = self.calls.what().split_once(' ') {
            *tally.failed.entry(kind.into()).or_default() += 1;
        }
        self.calls.count();
        let mut service = self.start(folder).unwrap_or_else(|(_, said)| panic!("{place}\nno start: {said}"));
        let wire = service.wire().await;
        for (place_in_part, expect) in part.answers.iter().enumerate().skip(went_well) {
            let operation = &self.operations[part.first + place_in_part];
            let answer =
                operation.run(&wire, part.first + place_in_part).await.map_err(|status| told(&status));
            if !operation.is_push() {
                agree(operation, &answer, expect, &place);
            }
        }
        let after = look(&wire).await.unwrap_or_else(|status| panic!("{place}\nno lists: {status}"));
        assert!(after == part.after, "{place}\n{}", difference(&after, &part.after));
        drop(wire);
        service.stop();
        is_whole(service.data());
    }

    /// The part with the fault; gives the folder, and how many operations were answered as they should be.
    async fn with_fault(
        &self,
        part: &Part,
        mut service: Service,
        aim: Option<Aim>,
        tally: &mut Tally,
        place: &impl Fn() -> String,
    ) -> (TempDir, usize) {
        let mut went_well = 0;
        let mut refused = false;
        if let Ok(wire) = service.try_wire().await {
            self.enter(Phase::Operations, aim);
            while went_well < PART {
                match self.again(part, went_well, &wire, &mut refused).await {
                    Ok(answer) => {
                        let operation = &self.operations[part.first + went_well];
                        let expect = &part.answers[went_well];
                        if !(refused && operation.is_push()) {
                            agree(operation, &answer, expect, &place());
                        }
                    }
                    Err(_) => break,
                }
                went_well += 1;
            }
        }
        self.enter(Phase::Stop, aim);
        let ended = service.stop_if_it_runs();
        match (self.calls.has_failed(), ended.success() && went_well == PART, refused) {
            (true, false, _) => tally.ended += 1,
            (true, true, true) => tally.refused += 1,
            (true, true, false) => tally.unnoticed += 1,
            (false, true, false) => tally.missed += 1,
            (false, ..) => panic!("{}: nothing failed, and it went otherwise: {ended}", place()),
        }
        (service.into_folder(), went_well)
    }

    /// Does an operation, and once more where it was answered with an error that a fault may have brought.
    async fn again(
        &self,
        part: &Part,
        place: usize,
        wire: &Wire,
        refused: &mut bool,
    ) -> Result<Result<String, String>, Status> {
        let operation = &self.operations[part.first + place];
        for _ in 0..2 {
            match operation.run(wire, part.first + place).await {
                Ok(answer) => return Ok(Ok(answer)),
                Err(status) if Err(told(&status)) == part.answers[place] => return Ok(Err(told(&status))),
                Err(_) if !*refused => *refused = true,
                Err(status) => return Err(status),
            }
        }
        Err(Status::unavailable("refused twice"))
    }
}
