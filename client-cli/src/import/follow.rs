//! One turn of following an agent: what is asked next, and what an answer means after the one before.
//!
//! Counters are absolute, so values that the agent no longer has cost no hours: only the moments between are not known.

use super::{
    agent::Agent,
    counters::{Counters, Delivery, Plan},
    facts::{Fact, Facts},
    state::State,
    streams::{self, Following, Read, Unread},
};
use crate::exit::{Complaint, Failure};
use chrono::{DateTime, Utc};

/// The standard's word for a number that the agent no longer has, or does not have yet.
const OUT_OF_RANGE: &str = "OUT_OF_RANGE";

/// What a turn came to.
#[derive(Debug)]
pub(crate) struct Turn {
    /// What is to be sent.
    pub(crate) delivery: Delivery,
    /// How far the agent is followed once that is sent.
    pub(crate) state: State,
    /// Whether the agent has more already.
    pub(crate) has_more: bool,
}

/// Asks the agent for what comes next after `state`.
pub(crate) async fn turn(
    agent: &Agent,
    plan: &Plan,
    state: &State,
    facts: &mut Facts,
) -> Result<Turn, Failure> {
    let Some((run, next)) = &state.at else {
        return answered(agent, plan, state, &agent.current().await?, facts);
    };
    let bytes = agent.sample(*next).await?;
    // Looked at first without counting: an answer of another run is no continuation.
    let looked = look(agent, plan, &bytes)?;
    let is_gone = looked.refusals.iter().any(|(code, _)| code == OUT_OF_RANGE);
    let is_other = looked.header.run.as_ref().is_some_and(|now| now != run);
    if is_gone || is_other {
        return answered(agent, plan, state, &agent.current().await?, facts);
    }
    answered(agent, plan, state, &bytes, facts)
}

fn look(agent: &Agent, plan: &Plan, bytes: &[u8]) -> Result<Read, Failure> {
    streams::read(&agent.address, bytes, &mut Counters::new(plan), &mut Facts::default())
        .map_err(|unread| failure(agent, unread))
}

fn failure(agent: &Agent, unread: Unread) -> Failure {
    match unread {
        Unread::Failed(failure) => failure,
        Unread::Fault(fault) => Failure::Refused(
            Complaint::new(format!(
                "what the agent {} says, line {}: {}",
                agent.address, fault.line, fault.why
            ))
            .hint("nothing of it was taken; the state stays as it is"),
        ),
    }
}

/// Takes an answer as what follows on the state.
fn answered(
    agent: &Agent,
    plan: &Plan,
    state: &State,
    bytes: &[u8],
    facts: &mut Facts,
) -> Result<Turn, Failure> {
    let mut counters = Counters::new(plan);
    counters.go_on(&state.last);
    let read = streams::read(&agent.address, bytes, &mut counters, facts)
        .map_err(|unread| failure(agent, unread))?;
    let refused =
        |why: String| Failure::Refused(Complaint::new(format!("the agent {} {why}", agent.address)));
    if let Some((code, text)) = read.refusals.first() {
        return Err(refused(format!("refused: {code}: {text}")));
    }
    let (Some(run), Some(next)) = (read.header.run.clone(), read.header.next) else {
        return Err(refused(
            "says no instanceId or no nextSequence, so that nothing can be asked for next".to_owned(),
        )
        .with_hint("save what it says in files and import these"));
    };
    let mut following = match &state.at {
        Some((run, next)) => Following::from(run.clone(), *next),
        None => Following::default(),
    };
    following.take(&agent.address, &continued(&read), facts);
    let has_more = read.header.last.is_some_and(|last| next <= last);
    // Of a stretch that is not read to its end nothing is kept yet, nor where the agent does not say the time.
    let known_to: DateTime<Utc> =
        if has_more { DateTime::UNIX_EPOCH } else { read.header.said_at.unwrap_or(DateTime::UNIX_EPOCH) };
    let mut delivery = counters.deliver(Some(known_to), facts);
    let last = std::mem::take(&mut delivery.last);
    let state = state.after(run, next, last);
    Ok(Turn { delivery, state, has_more })
}

/// What an agent says under `/sample` are all values of its devices, or a device's: numbers between them are of others,
/// and no gap. Only what the agent itself no longer has is one.
fn continued(read: &Read) -> Read {
    Read { numbers: None, ..read.clone() }
}

/// Whether anything was met that a person wants to know of.
pub(crate) fn is_worth_telling(facts: &Facts, settled: u64) -> bool {
    settled > 0
        || [Fact::Gap, Fact::Restarted, Fact::Fall, Fact::Reset, Fact::Replaced]
            .iter()
            .any(|fact| facts.of(*fact) > 0)
}
