//! How a command ends: the exit codes, and the failures that lead to them with all that a person needs to go on.

use crate::out::Out;
use fettler_domain::error::{ASKED_BACK, MEANT};
use fettler_domain::near;
use fettler_proto::code_name;
use std::{collections::HashMap, error::Error as _, fmt::Write as _, io, process::ExitCode};
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

/// What a command that worked has to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    /// Done.
    Done,
    /// The answer is no: something was found that needs a look.
    No,
}

/// Why a command did not work.
#[derive(Debug)]
pub(crate) enum Failure {
    /// What was typed, or a file that was named, cannot be used.
    Usage(Complaint),
    /// The service said no.
    Refused(Complaint),
    /// The service did not answer; trying again is safe.
    NotReachable(Complaint),
    /// The person stopped it.
    Interrupted,
    /// Whoever read the output has enough.
    BrokenPipe,
}

/// A failure in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Complaint {
    /// What went wrong, with the value.
    pub(crate) message: String,
    /// Fields that cannot be taken, each with what is wrong and what to do.
    pub(crate) fields: Vec<(String, String)>,
    /// What to do next.
    pub(crate) hints: Vec<String>,
    /// The gRPC code's name and the service's reason, where the service spoke.
    pub(crate) code: Option<String>,
    /// What the service does not know.
    pub(crate) missing: Option<Box<Missing>>,
    /// Where it only asks back: what looks like a slip.
    pub(crate) asked: Option<Box<AskedBack>>,
}

/// The fields that the service asks back. In a box of its own, since hardly any complaint has them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct AskedBack(Vec<Asked>);

/// A field that the service asks back.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Asked {
    /// The field, as the call names it.
    pub(crate) field: String,
    /// What may be meant, the nearest first.
    pub(crate) meant: Vec<String>,
}

/// A thing that the service does not know.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Missing {
    /// The kind of thing.
    pub(crate) kind: String,
    /// Its name as it was said.
    pub(crate) name: String,
}

impl Complaint {
    /// A complaint of one sentence.
    pub(crate) fn new(message: impl Into<String>) -> Complaint {
        Complaint { message: message.into(), ..Complaint::default() }
    }

    /// The same with a hint.
    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Complaint {
        self.hints.push(hint.into());
        self
    }

    /// What the service asks back; nothing where anything else is wrong.
    pub(crate) fn asked(&self) -> &[Asked] {
        self.asked.as_ref().map_or(&[], |asked| &asked.0)
    }

    /// It in one line, without hints.
    pub(crate) fn line(&self) -> String {
        let fields = self.fields.iter().map(told);
        std::iter::once(self.message.clone()).chain(fields).collect::<Vec<_>>().join("; ")
    }

    /// The lines for stderr.
    pub(crate) fn text(&self) -> String {
        let mut text = format!("fettler: {}\n", self.message);
        for field in &self.fields {
            let _ = writeln!(text, "  {}", told(field));
        }
        for hint in &self.hints {
            let _ = writeln!(text, "hint: {hint}");
        }
        if let Some(code) = &self.code {
            let _ = writeln!(text, "code: {code}");
        }
        text
    }
}

/// What is wrong with a field, or with none of them.
fn told((field, problem): &(String, String)) -> String {
    if field.is_empty() { problem.clone() } else { format!("{field}: {problem}") }
}

impl Failure {
    /// A usage failure of one sentence.
    pub(crate) fn usage(message: impl Into<String>) -> Failure {
        Failure::Usage(Complaint::new(message))
    }

    /// The failure with the names that are near to what was typed, where there are any.
    pub(crate) fn with_near(self, typed: &str, names: &[&str]) -> Failure {
        match near::question(typed, names.iter().copied()) {
            Some(question) => self.with_hint(question),
            None => self,
        }
    }

    /// The failure with one more hint.
    pub(crate) fn with_hint(self, hint: impl Into<String>) -> Failure {
        match self {
            Failure::Usage(complaint) => Failure::Usage(complaint.hint(hint)),
            Failure::Refused(complaint) => Failure::Refused(complaint.hint(hint)),
            Failure::NotReachable(complaint) => Failure::NotReachable(complaint.hint(hint)),
            Failure::Interrupted => Failure::Interrupted,
            Failure::BrokenPipe => Failure::BrokenPipe,
        }
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Failure {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Failure::BrokenPipe
        } else {
            Failure::usage(format!("cannot write the answer: {error}"))
        }
    }
}

impl From<Status> for Failure {
    fn from(status: Status) -> Failure {
        let complaint = complaint_of(&status);
        if is_unreachable(&status) { Failure::NotReachable(complaint) } else { Failure::Refused(complaint) }
    }
}

/// Whether the service did not answer, so that the same call may be made again.
///
/// A status with a source was made on this side by a broken connection; the service's own have none. A deadline that
/// passes on this side is told as `CANCELLED`.
pub(crate) fn is_unreachable(status: &Status) -> bool {
    let code = status.code();
    code == Code::Unavailable
        || code == Code::DeadlineExceeded
        || timed_out_here(status)
        || (status.source().is_some()
            && (code == Code::Unknown || code == Code::Internal || code == Code::Cancelled))
}

/// With which number something answered over HTTP that takes no calls. It has no code of its own: the transport tells it in words.
pub(crate) fn answered_by_another(status: &Status) -> Option<u16> {
    let (what, answer) = status.message().split_once("while receiving response with status: ")?;
    let number = answer.split_whitespace().next()?.parse().ok()?;
    (status.code() == Code::Internal && what.contains("invalid compression flag")).then_some(number)
}

fn timed_out_here(status: &Status) -> bool {
    status.code() == Code::Cancelled && status.message() == "Timeout expired"
}

/// What stands above fields that the service cannot take.
const FIELDS_WRONG: &str = "the service cannot take what was said";
/// What stands above fields that it asks back.
const SLIPS: &str = "what was said looks like a slip";

/// What a status says, in the words of a complaint.
pub(crate) fn complaint_of(status: &Status) -> Complaint {
    let details = status.get_error_details();
    let mut complaint = Complaint::new(message_of(status));
    if let Some(bad) = details.bad_request() {
        let fields = bad.field_violations.iter().map(|v| (v.field.clone(), v.description.clone()));
        complaint.fields.extend(fields);
        // The service says its fields in the message too, for callers who read nothing else; here each is shown once.
        if !complaint.fields.is_empty()
            && complaint.fields.iter().all(|(_, problem)| complaint.message.contains(problem.as_str()))
        {
            let is_asked = details.error_info().is_some_and(|info| info.reason == ASKED_BACK);
            (if is_asked { SLIPS } else { FIELDS_WRONG }).clone_into(&mut complaint.message);
        }
    }
    complaint.asked = asked(&details);
    if let Some(failed) = details.precondition_failure() {
        let violations = failed.violations.iter().map(|v| (v.subject.clone(), v.description.clone()));
        let told = violations.filter(|(_, problem)| !complaint.message.contains(problem.as_str()));
        complaint.fields.extend(told.collect::<Vec<_>>());
    }
    if let Some(help) = details.help() {
        complaint.hints.extend(help.links.iter().map(|link| match link.url.as_str() {
            "" => link.description.clone(),
            url => format!("{} ({url})", link.description),
        }));
    }
    if let Some(hint) = own_hint(status.code()) {
        complaint.hints.push(hint.to_owned());
    }
    complaint.missing = details.error_info().filter(|_| status.code() == Code::NotFound).and_then(|info| {
        let (kind, name) = (info.metadata.get("kind")?, info.metadata.get("name")?);
        Some(Box::new(Missing { kind: kind.clone(), name: name.clone() }))
    });
    if details.error_info().is_some_and(|info| info.reason.starts_with("PIN_")) {
        complaint.message = by_flags(&complaint.message);
    }
    let name = code_name(status.code());
    complaint.code = Some(match details.error_info() {
        Some(info) if !info.reason.is_empty() => format!("{name}, {}", info.reason),
        Some(_) | None => name.to_owned(),
    });
    complaint
}

/// What a status asks back; nothing where anything else is wrong.
fn asked(details: &ErrorDetails) -> Option<Box<AskedBack>> {
    let info = details.error_info().filter(|info| info.reason == ASKED_BACK)?;
    let meant = info.metadata.get(MEANT).and_then(|text| serde_json::from_str(text).ok());
    let mut meant: HashMap<String, Vec<String>> = meant.unwrap_or_default();
    let fields = details.bad_request()?.field_violations.iter().map(|violation| violation.field.clone());
    // The last may tell how many more there are, and is about no field.
    let fields = fields.filter(|field| !field.is_empty());
    let asked = fields.map(|field| Asked { meant: meant.remove(&field).unwrap_or_default(), field });
    Some(Box::new(AskedBack(asked.collect())))
}

/// How a call names a person, and how a command does.
const NAMED_BY: [(&str, &str); 5] = [
    ("`said.by`", "`--by`"),
    ("`entered_by`", "`--entered-by`"),
    ("`done_by`", "`--by`"),
    ("`by`", "`--by`"),
    ("`name`", "`NAME`"),
];

/// A sentence about a field that names a person, as who typed the command knows it.
fn by_flags(message: &str) -> String {
    NAMED_BY.iter().fold(message.to_owned(), |text, (field, flag)| text.replace(field, flag))
}

fn message_of(status: &Status) -> String {
    if timed_out_here(status) {
        return "no answer within 30 seconds".to_owned();
    }
    let mut message = status.message().to_owned();
    // The transport's outermost words ("transport error") say nothing; the innermost cause does.
    let mut cause = status.source();
    let mut innermost = None;
    while let Some(error) = cause {
        innermost = Some(error.to_string());
        cause = error.source();
    }
    if let Some(innermost) = innermost.filter(|text| !message.contains(text.as_str())) {
        if !message.is_empty() {
            message.push_str(": ");
        }
        message.push_str(&innermost);
    }
    if message.is_empty() { "no message was given".to_owned() } else { message }
}

fn own_hint(code: Code) -> Option<&'static str> {
    if code == Code::Unauthenticated {
        Some("give the token with --token-file FILE, or in FETTLER_TOKEN or FETTLER_TOKEN_FILE")
    } else if code == Code::Unimplemented {
        Some("the service is older than this client; upgrade `fettlerd`")
    } else {
        None
    }
}

/// The exit code of a result.
pub(crate) const fn code(result: &Result<Answer, Failure>) -> u8 {
    match result {
        Ok(Answer::Done) | Err(Failure::BrokenPipe) => 0,
        Ok(Answer::No) => 1,
        Err(Failure::Usage(_)) => 2,
        Err(Failure::Refused(_)) => 3,
        Err(Failure::NotReachable(_)) => 4,
        Err(Failure::Interrupted) => 130,
    }
}

/// Prints what is left to say and gives the exit code.
pub(crate) fn finish(out: &Out, result: Result<Answer, Failure>) -> ExitCode {
    let flushed = out.flush().map_err(Failure::from);
    let result = match (result, flushed) {
        (Ok(_), Err(failure)) => Err(failure),
        (result, _) => result,
    };
    match &result {
        Err(Failure::Usage(c) | Failure::Refused(c) | Failure::NotReachable(c)) => out.note(&c.text()),
        Err(Failure::Interrupted) => out.note("fettler: interrupted\n"),
        Ok(_) | Err(Failure::BrokenPipe) => {}
    }
    ExitCode::from(code(&result))
}

/// Shows clap's help or its complaint; help is success.
pub(crate) fn from_clap(error: &clap::Error) -> ExitCode {
    // A reader that went away while help is printed has seen what it wanted.
    let _ = error.print();
    ExitCode::from(if error.use_stderr() { 2 } else { 0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use tonic_types::FieldViolation;

    #[test]
    fn a_refusal_for_a_pin_names_the_flag_that_was_typed() {
        let told = |reason: &str, text: &str| {
            let details = tonic_types::ErrorDetails::with_error_info(reason, "fettler.v1", HashMap::new());
            complaint_of(&Status::with_error_details(Code::PermissionDenied, text, details)).message
        };
        assert_eq!(told("PIN_NEEDED", "`said.by` names a person"), "`--by` names a person");
        assert_eq!(
            told("PIN_WRONG", "not that of the person in `done_by`"),
            "not that of the person in `--by`"
        );
        assert_eq!(told("PIN_PAUSED", "for the person in `entered_by`"), "for the person in `--entered-by`");
        assert_eq!(told("MANAGER_ONLY", "`by` stays"), "`by` stays");
    }

    #[test]
    fn what_is_asked_back_is_known_by_its_reason_alone() {
        let of = |reason: &str| {
            let mut details = ErrorDetails::new();
            let fields = [("used[0].item", "which?"), ("done_at", "when?"), ("", "3 more are wrong")];
            details.set_bad_request(fields.map(|(field, text)| FieldViolation::new(field, text)).to_vec());
            let meant = r#"{"used[0].item":["way oil","way oil 2"]}"#.to_owned();
            details.set_error_info(reason, "fettler.v1", HashMap::from([(MEANT.to_owned(), meant)]));
            let text = "used[0].item: which?; done_at: when?; 3 more are wrong";
            complaint_of(&Status::with_error_details(Code::InvalidArgument, text, details))
        };
        let asked = of(ASKED_BACK);
        assert_eq!(asked.message, SLIPS);
        let fields: Vec<_> = asked.asked().iter().map(|of| (of.field.as_str(), of.meant.len())).collect();
        assert_eq!(fields, [("used[0].item", 2), ("done_at", 0)]);
        assert!(
            asked
                .text()
                .ends_with("\n  done_at: when?\n  3 more are wrong\ncode: INVALID_ARGUMENT, ASKED_BACK\n")
        );
        assert!(asked.line().ends_with("; 3 more are wrong"), "{}", asked.line());
        let wrong = of("FIELDS_INVALID");
        assert!(wrong.asked().is_empty() && wrong.message == FIELDS_WRONG);
    }

    #[test]
    fn every_code_of_the_service_has_its_exit_code() {
        let table = [
            (Code::Cancelled, 3),
            (Code::Unknown, 3),
            (Code::InvalidArgument, 3),
            (Code::DeadlineExceeded, 4),
            (Code::NotFound, 3),
            (Code::AlreadyExists, 3),
            (Code::PermissionDenied, 3),
            (Code::ResourceExhausted, 3),
            (Code::FailedPrecondition, 3),
            (Code::Aborted, 3),
            (Code::OutOfRange, 3),
            (Code::Unimplemented, 3),
            (Code::Internal, 3),
            (Code::Unavailable, 4),
            (Code::DataLoss, 3),
            (Code::Unauthenticated, 3),
        ];
        for (from, expected) in table {
            let result = Err(Failure::from(Status::new(from, "said so")));
            assert_eq!(code(&result), expected, "{from:?}");
        }
    }

    #[test]
    fn results_have_their_exit_codes() {
        assert_eq!(code(&Ok(Answer::Done)), 0);
        assert_eq!(code(&Ok(Answer::No)), 1);
        assert_eq!(code(&Err(Failure::usage("x"))), 2);
        assert_eq!(code(&Err(Failure::Interrupted)), 130);
        assert_eq!(code(&Err(Failure::from(io::Error::from(io::ErrorKind::BrokenPipe)))), 0);
        assert_eq!(code(&Err(Failure::from(io::Error::from(io::ErrorKind::StorageFull)))), 2);
    }

    #[test]
    fn a_broken_connection_is_not_a_refusal() {
        let mut status = Status::unknown("transport error");
        assert!(!is_unreachable(&status), "the service itself may say UNKNOWN");
        status.set_source(Arc::new(io::Error::from(io::ErrorKind::ConnectionReset)));
        assert!(is_unreachable(&status));
        assert!(is_unreachable(&Status::cancelled("Timeout expired")));
        assert!(!is_unreachable(&Status::cancelled("the caller left")));
    }

    #[test]
    fn a_refusal_shows_fields_hint_code_and_reason() {
        let mut details = ErrorDetails::new();
        details
            .set_bad_request(vec![FieldViolation::new("done_at", "`2026-11-26` is ahead; give a past time")]);
        details.set_error_info("DONE_IN_FUTURE", "fettler", HashMap::new());
        details.add_help_link("look at the order first: fettler why 1042", "");
        let status =
            Status::with_error_details(Code::InvalidArgument, "the closing cannot be taken", details);
        assert_eq!(
            complaint_of(&status).text(),
            "fettler: the closing cannot be taken\n  done_at: `2026-11-26` is ahead; give a past time\n\
             hint: look at the order first: fettler why 1042\ncode: INVALID_ARGUMENT, DONE_IN_FUTURE\n"
        );
    }
}
