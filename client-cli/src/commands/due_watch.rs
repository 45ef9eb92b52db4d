//! `due --watch`: the list, then each change of it as it comes, until somebody stops it.

use super::board_in;
use crate::{
    args::OutputForm,
    clock,
    ended::Ended,
    exit::{Answer, Complaint, Failure},
    json,
    render::{due::Shown, due_watch as show},
    session::Session,
    times,
};
use fettler_proto::v1 as pb;
use std::time::Duration;

/// How often it is tried to begin before anything was told.
const ATTEMPTS_MAX: u32 = 4;
/// The service tells every 30 seconds that nothing has changed. When nothing comes for so long, it is asked again.
const SILENCE_MAX: Duration = Duration::from_mins(2);

/// What was told so far.
struct Watch<'w> {
    session: &'w Session,
    ask: pb::WatchDueRequest,
    /// The parts of a telling that is not at its end.
    parts: Option<pb::WatchDueResponse>,
    /// What headed the list when it was told last; none before it was.
    head: Option<pb::DueHead>,
    /// Attempts since something was told.
    attempts: u32,
}

/// Watches the list that a request asks for.
pub(super) async fn run(session: &Session, list: pb::ListDueRequest) -> Result<Answer, Failure> {
    if session.settings.output == OutputForm::Csv {
        return Err(Failure::usage(
            "--watch tells its changes as lines of text, or with --output json as JSON; CSV has no form for them",
        ));
    }
    session.out.straight()?;
    let ask = pb::WatchDueRequest {
        site: list.site,
        until: list.until,
        while_stopped: list.while_stopped,
        machine: list.machine,
        area: list.area,
        sure: list.sure,
        resume_token: String::new(),
    };
    let mut watch = Watch { session, ask, parts: None, head: None, attempts: 0 };
    loop {
        watch.attempts += 1;
        let why = match watch.connection().await {
            Ended::Failed(failure) => return Err(failure),
            Ended::Broken(why) => why,
        };
        watch.parts = None;
        if watch.head.is_none() && watch.attempts >= ATTEMPTS_MAX {
            let message = format!("{} did not answer: {why}", session.settings.server);
            return Err(Failure::NotReachable(Complaint::new(message)));
        }
        // Told once for each break, however long the service is away.
        if watch.attempts == 0 {
            session.out.note(&format!("the watch broke off ({why}); watching again as soon as it can be\n"));
        }
        tokio::time::sleep(clock::backoff(watch.attempts + 1)).await;
    }
}

impl Watch<'_> {
    /// Tells what comes through one connection, until that ends.
    async fn connection(&mut self) -> Ended {
        match self.follow().await {
            Ok(()) => Ended::Broken("the service closed the stream".to_owned()),
            Err(ended) => ended,
        }
    }

    async fn follow(&mut self) -> Result<(), Ended> {
        let mut stream = self.session.link.due().watch_due(self.ask.clone()).await?.into_inner();
        let mut is_again = self.head.is_some();
        loop {
            let message = tokio::time::timeout(SILENCE_MAX, stream.message())
                .await
                .map_err(|_| Ended::Broken(format!("nothing was told for {} s", SILENCE_MAX.as_secs())))??;
            let Some(message) = message else { return Ok(()) };
            self.attempts = 0;
            if std::mem::take(&mut is_again) {
                self.session.out.note(show::again(&message));
            }
            self.take(message)?;
        }
    }

    /// Shows a message, or keeps it until the rest of its telling has come.
    fn take(&mut self, message: pb::WatchDueResponse) -> Result<(), Failure> {
        if self.session.settings.output == OutputForm::Json {
            self.session.out.data(&json::line(&message))?;
            self.session.out.flush()?;
        }
        let told = match self.parts.take() {
            Some(parts) => show::joined(parts, message),
            None => message,
        };
        if told.goes_on {
            self.parts = Some(told);
            return Ok(());
        }
        if self.session.settings.output != OutputForm::Json {
            self.show(&told)?;
        }
        self.head = told.head.or_else(|| self.head.take()).or_else(|| Some(pb::DueHead::default()));
        self.ask.resume_token = told.resume_token;
        Ok(())
    }

    fn show(&self, told: &pb::WatchDueResponse) -> Result<(), Failure> {
        let now = told.as_of.as_ref().and_then(times::from_wire).unwrap_or_else(clock::now);
        let board = board_in(self.session, times::zone(&told.zone)?, now);
        let until = Some(self.ask.until.as_str()).filter(|until| !until.is_empty());
        let shown = Shown { until, sure: self.ask.sure };
        let text = match told.told() {
            pb::WatchTold::List => show::list(told, shown, board),
            pb::WatchTold::Changes => show::changes(told, self.head.as_ref(), board),
            pb::WatchTold::Unchanged | pb::WatchTold::Unspecified => return Ok(()),
        };
        self.session.out.data(&text)?;
        Ok(self.session.out.flush()?)
    }
}
