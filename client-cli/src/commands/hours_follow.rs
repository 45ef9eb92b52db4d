//! `hours follow`: what an agent's counters show since the last turn.

use super::hours_import::Sending;
use crate::{
    args::{OutputForm, import::FollowArgs},
    exit::{Answer, Failure},
    import::{
        agent::Agent,
        counters::Plan,
        facts::Facts,
        follow,
        mapping::{self, Mapping},
        state::{self, Kept, State},
    },
    push::row::Columns,
    session::Session,
};

/// How many documents one turn takes, so that an agent that says more than can be taken is told of.
const DOCUMENTS_MAX: usize = 10_000;

/// Follows an agent. The answer is no when any row was held or refused, or the agent no longer had everything.
pub(super) async fn run(session: &Session, args: FollowArgs) -> Result<Answer, Failure> {
    if args.every.is_some() && session.settings.output == OutputForm::Csv {
        return Err(Failure::usage("--every tells turn after turn, and a table of CSV has one header")
            .with_hint("take --output json, or one turn at a time"));
    }
    let agent = Agent::of(&args.agent)?;
    let Mapping::Streams(plan) = mapping::open(&args.mapping)? else {
        return Err(Failure::usage(format!(
            "an agent says MTConnect documents; {} is of another form",
            args.mapping
        ))
        .with_hint("write form = \"mtconnect\""));
    };
    let (kept, mut state) = state::take(&args.state, &agent.address, &plan.source)?;
    let follower = Follower { session, agent, plan, kept, args };
    if follower.args.every.is_some() {
        session.out.straight()?;
    }
    loop {
        let turned = follower.turn(&mut state).await;
        let Some(pause) = follower.args.every else { return turned };
        match turned {
            // The service, if it does not answer now, may answer at the next turn; nothing is lost meanwhile.
            Err(Failure::NotReachable(complaint)) => session.out.note(&complaint.text()),
            turned => {
                turned?;
            }
        }
        session.out.flush()?;
        tokio::time::sleep(pause).await;
    }
}

struct Follower<'a> {
    session: &'a Session,
    agent: Agent,
    plan: Plan,
    kept: Kept,
    args: FollowArgs,
}

impl Follower<'_> {
    /// Takes what the agent has said since the last turn, document by document: each is sent and settled before the
    /// state says that it was.
    async fn turn(&self, state: &mut State) -> Result<Answer, Failure> {
        let is_dry = self.args.dry_run;
        let mut sending =
            Sending::begin(self.session, Columns::default(), &self.plan.source, is_dry, self.args.all)?;
        let mut facts = Facts::default();
        let taken = self.documents(state, &mut sending, &mut facts).await;
        if self.args.every.is_none() || follow::is_worth_telling(&facts, sending.settled()) {
            let answer = sending.finish(&facts)?;
            taken?;
            return Ok(answer);
        }
        taken.map(|()| Answer::Done)
    }

    async fn documents(
        &self,
        state: &mut State,
        sending: &mut Sending<'_>,
        facts: &mut Facts,
    ) -> Result<(), Failure> {
        for _ in 0..DOCUMENTS_MAX {
            let turn = match follow::turn(&self.agent, &self.plan, state, facts).await {
                Ok(turn) => turn,
                Err(failure) => return self.passed_over(failure),
            };
            sending.deliver(&self.plan, turn.delivery).await?;
            // An agent that says it has more and gives nothing would be asked for ever.
            let goes_on = turn.has_more && turn.state.at != state.at;
            *state = turn.state;
            if !self.args.dry_run {
                self.kept.write(state)?;
            }
            if !goes_on {
                return Ok(());
            }
        }
        Ok(())
    }

    /// What the agent does not say now it may say at the next turn, which asks from the same place: where there is one, its
    /// fault is told and ends nothing.
    fn passed_over(&self, failure: Failure) -> Result<(), Failure> {
        if let Failure::Refused(complaint) | Failure::NotReachable(complaint) = &failure
            && self.args.every.is_some()
        {
            self.session.out.note(&complaint.text());
            return Ok(());
        }
        Err(failure)
    }
}
