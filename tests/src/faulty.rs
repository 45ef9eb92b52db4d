//! One call of the system fails while a service does part of a script of 200 operations: whatever was answered as done is there
//! after the next start, and what is answered is what a run without a fault answers.

use crate::calls::{Calls, EIO, ENOSPC};
use crate::disk::is_whole;
use crate::script::{CLOCK_AT, OPERATIONS, Op, look, script};
use crate::service::Service;
use crate::wire::Wire;
use std::fs;
use std::path::Path;
use tempfile::TempDir;
use tonic::Status;

/// Parts of the script.
pub const PARTS: usize = OPERATIONS / PART;
/// Points of the proof: as many as there are in a run, or some more, which are left out.
pub const POINTS: u64 = 45_000;

/// Operations of a part: each part begins with a start of the service and ends with its stop.
const PART: usize = 10;
/// Of the points one step of the proof apart, neighbours in the order of trying lie this far from each other, so that a run that is
/// cut short has looked everywhere. A prime, so that none is left out.
const STRIDE: u64 = 7_919;

/// A part of the script: what stands before it, and what it answers and leaves where nothing fails.
struct Part {
    before: TempDir,
    first: usize,
    answers: Vec<Result<String, String>>,
    after: String,
    /// Calls of the system from start to stop.
    calls: u64,
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
    /// Points tried: each a call that failed.
    pub points: u64,
    /// Of them, those at which the service did not start, or ended.
    pub ended: u64,
    /// Those at which a call was answered with an error, and the service went on.
    pub refused: u64,
    /// Those that nobody noticed, as what failed was tried again or not needed.
    pub unnoticed: u64,
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

fn copy_of(folder: &Path) -> TempDir {
    let copy = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder");
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
        let mut folder = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder");
        for first in (0..OPERATIONS).step_by(PART).take(parts) {
            let before = copy_of(folder.path());
            all.calls.fail_at(0, EIO);
            let mut service = all.start(folder).expect("it starts");
            let (mut answers, wire) = (Vec::new(), service.wire().await);
            for place in first..first + PART {
                answers.push(all.operations[place].run(&wire, place).await.map_err(|status| told(&status)));
            }
            let after = look(&wire).await.expect("lists");
            service.stop();
            let calls = all.calls.seen();
            folder = service.into_folder();
            all.parts.push(Part { before, first, answers, after, calls });
        }
        all
    }

    /// A service on this folder whose calls are counted.
    fn start(&self, folder: TempDir) -> Result<Service, (TempDir, String)> {
        let environment = self.calls.environment(folder.path());
        Service::try_start(folder, &["--clock-at", CLOCK_AT], environment)
    }

    /// How many points there are: each call of each part, with each of the two errors.
    pub fn points(&self) -> u64 {
        self.parts.iter().map(|part| part.calls).sum::<u64>() * 2
    }

    /// The part, the call and the error of a point. Neighbours lie far apart.
    fn point(&self, number: u64) -> (&Part, u64, u64) {
        let points = self.points();
        // One more or less changes the stride into a divisor's multiple only where it is the prime itself.
        let spread = number * STRIDE % points;
        let mut place = spread / 2;
        for part in &self.parts {
            if place < part.calls {
                return (part, place + 1, [EIO, ENOSPC][usize::from(spread % 2 == 1)]);
            }
            place -= part.calls;
        }
        unreachable!("point {number} of {points}")
    }

    /// Tries a point.
    ///
    /// # Panics
    ///
    /// When something acknowledged is lost, an answer is another than without the fault, or what is left is not whole.
    pub async fn try_point(&self, number: u64, tally: &mut Tally) {
        if number >= self.points() {
            return;
        }
        let (part, call, error) = self.point(number);
        self.calls.fail_at(call, error);
        tally.points += 1;
        self.try_part(part, &format!("call {call}, error {error}"), tally).await;
    }

    /// Does the second part with a flush of the log that is answered as done, though it lost what it was to keep.
    ///
    /// # Panics
    ///
    /// As what was acknowledged is lost then.
    pub async fn try_lie(&self) {
        self.calls.fail_at(0, EIO);
        self.calls.lie_at_third_flush();
        self.try_part(&self.parts[1], "a flush that lies", &mut Tally::default()).await;
    }

    /// Does a part with the fault that is set, and goes on with it without.
    async fn try_part(&self, part: &Part, fault: &str, tally: &mut Tally) {
        let place = || format!("operations from {}, {fault}: {}", part.first, self.calls.what());
        let (folder, went_well) = match self.start(copy_of(part.before.path())) {
            Ok(service) => self.with_fault(part, service, tally, &place).await,
            Err((folder, _)) => {
                tally.ended += 1;
                (folder, 0)
            }
        };
        let place = place();
        self.calls.fail_at(0, EIO);
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
        service.stop();
        is_whole(service.data());
    }

    /// The part with the fault; gives the folder, and how many operations were answered as they should be.
    async fn with_fault(
        &self,
        part: &Part,
        mut service: Service,
        tally: &mut Tally,
        place: &impl Fn() -> String,
    ) -> (TempDir, usize) {
        let mut went_well = 0;
        let mut refused = false;
        if let Ok(wire) = service.try_wire().await {
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
        let ended = service.stop_if_it_runs();
        match (self.calls.has_failed(), ended.success() && went_well == PART, refused) {
            (_, false, _) => tally.ended += 1,
            (true, true, true) => tally.refused += 1,
            (_, true, _) => tally.unnoticed += 1,
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
