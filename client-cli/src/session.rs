//! One run of the client: its settings, its connection, its output, and the calls with their bounded repeats.

use crate::{
    again::Again,
    args::OutputForm,
    clock,
    config::Settings,
    csvout,
    exit::{self, Complaint, Failure},
    json::{self, Named},
    link::{CALL_DEADLINE, Link},
    out::Out,
    pin,
    render::table::Table,
    times, trust,
};
use chrono_tz::Tz;
use fettler_proto::v1 as pb;
use prost::Message;
use std::future::Future;
use tokio::sync::OnceCell;
use tonic::{Code, Request, Response, Status};
use uuid::Uuid;

/// How often one call is made at most.
const ATTEMPTS_MAX: u32 = 4;

/// One run of the client.
pub(crate) struct Session {
    /// What was resolved.
    pub(crate) settings: Settings,
    /// Where output goes.
    pub(crate) out: Out,
    /// The connection.
    pub(crate) link: Link,
    zone: OnceCell<Tz>,
}

impl Session {
    /// Opens a session; nothing is sent yet.
    pub(crate) fn new(settings: Settings, out: Out) -> Session {
        let link = Link::new(&settings);
        Session { settings, out, link, zone: OnceCell::new() }
    }

    /// The site's key as typed; empty means the only one.
    pub(crate) fn site(&self) -> String {
        self.settings.site.clone()
    }

    /// Asks something that changes nothing.
    pub(crate) async fn ask<Q, A, F, T>(&self, request: &Q, send: F) -> Result<A, Failure>
    where
        Q: Clone,
        F: Fn(Link, Request<Q>) -> T,
        T: Future<Output = Result<Response<A>, Status>>,
    {
        self.call(request, None, send).await
    }

    /// Says something that a repeat must say in the same words, with what makes it so.
    pub(crate) async fn say<Q, A, F, T>(&self, request: &Q, again: Again, send: F) -> Result<A, Failure>
    where
        Q: Clone,
        F: Fn(Link, Request<Q>) -> T,
        T: Future<Output = Result<Response<A>, Status>>,
    {
        self.call(request, Some(again), send).await
    }

    /// Says something that changes the shop, under a request id that makes a repeat harmless.
    pub(crate) async fn change<Q, A, F, T>(&self, request: &Q, id: Uuid, send: F) -> Result<A, Failure>
    where
        Q: Clone,
        F: Fn(Link, Request<Q>) -> T,
        T: Future<Output = Result<Response<A>, Status>>,
    {
        self.call(request, Some(Again::of(id)), send).await
    }

    async fn call<Q, A, F, T>(&self, request: &Q, again: Option<Again>, send: F) -> Result<A, Failure>
    where
        Q: Clone,
        F: Fn(Link, Request<Q>) -> T,
        T: Future<Output = Result<Response<A>, Status>>,
    {
        let (mut attempt, mut asked, mut person) = (1, 0, None);
        loop {
            let mut wrapped = Request::new(request.clone());
            wrapped.set_timeout(CALL_DEADLINE);
            if again.is_some() {
                self.settings.pins.attach(&mut wrapped, person.as_deref());
            }
            let status = match send(self.link.clone(), wrapped).await {
                Ok(response) => return Ok(response.into_inner()),
                Err(status) => status,
            };
            if let Some((name, wrong)) = pin::wanted(&status) {
                if asked == pin::ASKED_MAX || !self.has_pin(&name, wrong)? {
                    return Err(pin::told(Failure::from(status)));
                }
                (asked, person) = (asked + 1, Some(name));
                continue;
            }
            if let Some(number) = exit::answered_by_another(&status) {
                return Err(self.is_another(number, again.as_ref()));
            }
            if !exit::is_unreachable(&status) {
                let of_token = status.code() == Code::Unauthenticated;
                let failure = Failure::from(status);
                return Err(match &self.settings.token_told {
                    Some(told) if of_token => failure.with_hint(told.as_str()),
                    Some(_) | None => failure,
                });
            }
            if attempt == ATTEMPTS_MAX {
                return Err(self.gave_up(&status, again.as_ref()));
            }
            attempt += 1;
            if let Some(id) = again.as_ref().and_then(Again::id) {
                let why = exit::complaint_of(&status).message;
                self.out.note(&format!("no answer ({why}); trying again with request id {id}\n"));
            }
            tokio::time::sleep(clock::backoff(attempt)).await;
        }
    }

    /// Whether there is a PIN for a person that was not wrong, once they were asked for it at the terminal.
    pub(crate) fn has_pin(&self, name: &str, wrong: bool) -> Result<bool, Failure> {
        let pins = &self.settings.pins;
        if wrong {
            pins.was_wrong(name);
            self.out.note("that is not the PIN\n");
        }
        if pins.has(name) {
            return Ok(true);
        }
        let Some(typed) = pin::typed(&self.out, &pin::prompt(name))? else { return Ok(false) };
        pins.take(name, &typed)?;
        Ok(true)
    }

    /// Something else answered than a service that takes calls.
    fn is_another(&self, number: u16, again: Option<&Again>) -> Failure {
        let server = &self.settings.server;
        let told = Complaint::new(format!("{server} takes no calls of `fettler`: it answered with HTTP status {number}"))
            .hint(
                "`fettlerd` takes calls on port 7133 unless told otherwise; the port after it is for browsers and JSON",
            );
        Failure::NotReachable(match again {
            Some(again) => {
                told.hint(format!("where the service is behind it, repeat:\n  {}", again.command()))
            }
            None => told,
        })
    }

    fn gave_up(&self, status: &Status, again: Option<&Again>) -> Failure {
        let told = exit::complaint_of(status);
        let server = &self.settings.server;
        let mut complaint = Complaint {
            message: format!("{server} did not answer: {}", told.message),
            code: told.code,
            ..Complaint::default()
        };
        complaint = match again {
            Some(again) => complaint.hint(format!(
                "it may or may not have been taken; this command is safe to repeat:\n  {}",
                again.command()
            )),
            None => complaint.hint("is `fettlerd serve` running there? name another with --server URL"),
        };
        // The encryption does not mend itself, so what it says goes before the advice to repeat.
        if let Some(hint) = trust::hint(&told.message, server.scheme_str() == Some("https")) {
            complaint.hints.insert(0, hint.to_owned());
        }
        Failure::NotReachable(complaint)
    }

    /// The site's time zone, asked for once.
    pub(crate) async fn zone(&self) -> Result<Tz, Failure> {
        self.zone.get_or_try_init(|| self.ask_zone()).await.copied()
    }

    async fn ask_zone(&self) -> Result<Tz, Failure> {
        times::zone(&self.ask_site().await?.zone)
    }

    /// The site as it is declared.
    pub(crate) async fn ask_site(&self) -> Result<pb::Site, Failure> {
        let request = pb::ListSitesRequest {};
        let answer =
            self.ask(&request, |link, request| async move { link.shop().list_sites(request).await }).await?;
        let keys: Vec<&str> = answer.sites.iter().map(|site| site.key.as_str()).collect();
        let known =
            if keys.is_empty() { "none is".to_owned() } else { format!("known: {}", keys.join(", ")) };
        let wanted = self.settings.site.as_str();
        Ok(match answer.sites.as_slice() {
            [only] if wanted.is_empty() => only.clone(),
            sites if wanted.is_empty() => {
                let problem =
                    if sites.is_empty() { "no site is declared" } else { "there are several sites" };
                return Err(Failure::usage(format!("{problem}; say which with --site ({known})"))
                    .with_hint("a shop is declared with `fettler shop load FILE`"));
            }
            sites => sites.iter().find(|site| site.key == wanted).cloned().ok_or_else(|| {
                Failure::usage(format!("--site `{wanted}` is not a site of this service; {known}"))
                    .with_near(wanted, &keys)
            })?,
        })
    }

    /// Shows an answer in the form that was asked for.
    pub(crate) fn show<A: Message + Named>(
        &self,
        answer: &A,
        text: impl FnOnce() -> String,
        rows: impl FnOnce() -> Table,
    ) -> Result<(), Failure> {
        let shown = match self.settings.output {
            OutputForm::Json => json::text(answer),
            OutputForm::Csv => csvout::text(&rows()),
            OutputForm::Table => text(),
        };
        Ok(self.out.data(&shown)?)
    }

    /// Shows the answers of calls that one command made: one as itself, several as a line of JSON each.
    pub(crate) fn show_each<A: Message + Named>(
        &self,
        answers: &[A],
        text: impl FnOnce() -> String,
        rows: impl FnOnce() -> Table,
    ) -> Result<(), Failure> {
        let shown = match (self.settings.output, answers) {
            (OutputForm::Json, [answer]) => json::text(answer),
            (OutputForm::Json, answers) => answers.iter().map(json::line).collect(),
            (OutputForm::Csv, _) => csvout::text(&rows()),
            (OutputForm::Table, _) => text(),
        };
        Ok(self.out.data(&shown)?)
    }

    /// Shows an answer that is a list: the same rows as table and as CSV, with a line for an empty one.
    pub(crate) fn show_list<A: Message + Named>(
        &self,
        answer: &A,
        empty: &str,
        rows: impl Fn() -> Table,
    ) -> Result<(), Failure> {
        let text = || {
            let table = rows();
            if table.rows.is_empty() {
                format!("{empty}\n")
            } else {
                table.text(self.settings.width, self.out.style())
            }
        };
        self.show(answer, text, &rows)
    }
}
