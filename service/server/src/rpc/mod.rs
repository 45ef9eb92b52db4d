//! The calls. Each decodes its request, asks the store, and encodes the answer; what is common to them stands here.

mod ahead;
mod audit;
mod changing;
mod due;
mod due_calendar;
mod figures;
mod fluid;
mod installation;
mod journal;
mod machine;
mod order;
mod outbound;
mod person;
mod planned;
mod proof;
mod push;
mod read_since;
mod reading;
mod review;
mod round;
mod run_hours;
mod shop;
mod stock;
mod watch;

use crate::auth::Pass;
use crate::clock::Clock;
use crate::line::Note;
use crate::meters::Meters;
use crate::notary::Notary;
use crate::pins::{Digits, PIN, PinDesk};
use crate::status::Failure;
use crate::wire::fields::Fields;
use crate::wire::page::PAGE_BYTES_MAX;
use crate::wire::people::Names;
use fettler_domain::error::Error;
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, PageAsk, RequestKey, SiteRecord, Store, TokenRecord, seen_on};
use prost::Message;
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;
use std::future::Future;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tonic::{Request, Response, Status};

use changing::Changing;

pub use watch::Watches;

/// The answer of a call.
pub type Answer<T> = Result<Response<T>, Status>;

/// Takes the calls.
#[derive(Clone)]
pub struct Desk {
    /// Where everything is kept.
    pub store: Arc<dyn Store>,
    /// What time it is.
    pub clock: Arc<dyn Clock>,
    /// What signs checkpoints.
    pub notary: Arc<Notary>,
    /// Work that must finish, whoever leaves.
    pub tasks: TaskTracker,
    /// Set when the service stops.
    pub stopping: CancellationToken,
    /// Where PINs are compared.
    pub pins: Arc<PinDesk>,
    /// The due lists that are watched.
    pub watches: Arc<Watches>,
    /// What operators watch.
    pub meters: Arc<Meters>,
}

/// One call under way.
#[derive(Clone)]
pub struct Call {
    store: Arc<dyn Store>,
    notary: Arc<Notary>,
    caller: Caller,
    /// The caller's token; without one nothing is the caller's.
    record: Option<Arc<TokenRecord>>,
    meters: Arc<Meters>,
    /// What is told of the call when it has ended.
    note: Arc<Note>,
}

impl Desk {
    /// Answers a call that changes nothing.
    async fn read<R, A, F>(&self, request: Request<R>, work: impl FnOnce(Call, R) -> F) -> Answer<A>
    where
        F: Future<Output = Result<A, Failure>>,
    {
        let call = self.call("", &request, None);
        Ok(Response::new(work(call, request.into_inner()).await?))
    }

    /// Answers a call that changes something. The work goes on when the caller leaves.
    async fn change<R, A, F>(
        &self,
        method: &'static str,
        request: Request<R>,
        work: impl FnOnce(Call, R) -> F + Send + 'static,
    ) -> Answer<A>
    where
        R: Changing + Send + 'static,
        A: Send + 'static,
        F: Future<Output = Result<A, Failure>> + Send + 'static,
    {
        let key = request_key(request.get_ref())?;
        let call = self.call(method, &request, key);
        let (pins, pin) = (self.pins.clone(), Digits::of(request.metadata(), PIN));
        // A wrong PIN is counted, whoever leaves.
        let work = self.tasks.spawn(seen_on(async move {
            let ask = request.into_inner();
            let call = call.spoken(&pins, ask.speaker(), pin).await?;
            work(call, ask).await
        }));
        let done = work.await.map_err(|error| {
            tracing::error!(method, %error, "a call broke off");
            Failure::Broken
        })?;
        Ok(Response::new(done?))
    }

    fn call<R>(&self, method: &'static str, request: &Request<R>, key: Option<RequestKey>) -> Call {
        let record = request.extensions().get::<Pass>().map(|pass| pass.record.clone());
        let token = record.as_ref().map(|record| record.token);
        let as_manager = record.as_ref().is_some_and(|record| record.access.decides());
        let caller = Caller { token, method, request: key, now: self.clock.now(), person: None, as_manager };
        let note = request.extensions().get::<Arc<Note>>().cloned().unwrap_or_default();
        if let Some(key) = &caller.request {
            note.request_id(&key.id);
        }
        let (store, notary, meters) = (self.store.clone(), self.notary.clone(), self.meters.clone());
        Call { store, notary, caller, record, meters, note }
    }
}

/// Calls in which somebody tells of a danger, or of work: a PIN that is not heard keeps nobody from it.
const ALWAYS_HEARD: [&str; 2] = ["ForbidMachine", "RaiseOrder"];

/// The caller's request id with the digest of the request, where an id was given.
fn request_key<R: Changing>(request: &R) -> Result<Option<RequestKey>, Failure> {
    let mut fields = Fields::new();
    let id = fields.request_id("request_id", request.request_id());
    let id = fields.finish(id)?;
    Ok(id.map(|id| RequestKey { id, digest: Sha256::digest(request.encode_to_vec()).into() }))
}

impl Call {
    /// The call with the person in whose name it is, when they are known by more than their name.
    async fn spoken(
        mut self,
        pins: &PinDesk,
        speaker: (&'static str, &str),
        pin: Option<Digits>,
    ) -> Result<Call, Failure> {
        let own = self.record.as_ref().and_then(|record| record.person);
        self.caller.person = match pins.speaker(&*self.store, speaker, own, pin, self.now()).await {
            Err(Failure::Refused(_)) if ALWAYS_HEARD.contains(&self.caller.method) => None,
            said => said?,
        };
        Ok(self)
    }

    /// The moment of the call.
    fn now(&self) -> Ts {
        self.caller.now
    }

    /// Whether a site, or the installation, is the caller's.
    fn holds(&self, site: SiteId) -> bool {
        self.record.as_ref().is_some_and(|record| record.access.scope.holds(site))
    }

    /// The sites that are the caller's, by key.
    async fn sites(&self) -> Result<Vec<SiteRecord>, Failure> {
        let mut sites = self.store.sites().await?;
        sites.retain(|site| self.holds(site.site));
        Ok(sites)
    }

    /// The site with this key, or the only one that is the caller's. Whether there is another is nobody's business who has
    /// no part in it.
    async fn site(&self, key: &str) -> Result<SiteRecord, Failure> {
        let site = self.found_site(key).await?;
        self.note.site(&site.card.key);
        Ok(site)
    }

    async fn found_site(&self, key: &str) -> Result<SiteRecord, Failure> {
        if !key.is_empty() {
            let found = self.store.site(key).await?;
            if !self.holds(found.as_ref().map_or(SiteId::INSTALLATION, |site| site.site)) {
                return Err(not_yours(key).into());
            }
            let remedy = "list the sites, or load a shop that declares it".to_owned();
            let missing = || Error::NotFound { kind: "site", name: key.chars().take(60).collect(), remedy };
            return Ok(found.ok_or_else(missing)?);
        }
        let mut sites = self.sites().await?;
        match (sites.pop(), sites.is_empty()) {
            (Some(only), true) => Ok(only),
            (Some(last), false) => {
                let keys: Vec<String> =
                    sites.iter().chain([&last]).map(|site| site.card.key.to_string()).collect();
                let text = format!(
                    "is missing, and there are {} sites; give one of {}",
                    keys.len(),
                    keys.join(", ")
                );
                Err(Error::invalid("site", text).into())
            }
            (None, _) => {
                let remedy = "`fettler shop load FILE` declares one".to_owned();
                Err(Error::NotFound { kind: "site", name: String::new(), remedy }.into())
            }
        }
    }

    /// The site whose journal is meant: a shop's, or the installation's own.
    async fn journal_of(&self, key: &str) -> Result<SiteId, Failure> {
        if key != "installation" {
            return Ok(self.site(key).await?.site);
        }
        if self.holds(SiteId::INSTALLATION) { Ok(SiteId::INSTALLATION) } else { Err(not_yours(key).into()) }
    }

    /// Refuses to declare a site that is not the caller's. New sites are declared by whom the whole installation is trusted to.
    async fn may_declare(&self, key: &str) -> Result<(), Failure> {
        let found = self.store.site(key).await?;
        if let Some(site) = &found {
            self.note.site(&site.card.key);
        }
        let found = found.map_or(SiteId::INSTALLATION, |site| site.site);
        if self.holds(found) { Ok(()) } else { Err(not_yours(key).into()) }
    }

    /// The names of people.
    async fn names(&self, people: impl IntoIterator<Item = PersonId>) -> Result<Names, Failure> {
        let mut people: Vec<PersonId> = people.into_iter().collect();
        people.sort_unstable();
        people.dedup();
        if people.is_empty() {
            return Ok(Names::new(BTreeMap::new()));
        }
        Ok(Names::new(self.store.person_names(&people).await?))
    }

    /// A page that is not too large to send: asked for again with half as many rows as long as it is.
    async fn fit<K, A, F>(&self, page: PageAsk<K>, ask: impl Fn(PageAsk<K>) -> F) -> Result<A, Failure>
    where
        K: Clone,
        A: Message,
        F: Future<Output = Result<A, Failure>>,
    {
        let mut limit = page.limit;
        loop {
            let answer = ask(PageAsk { after: page.after.clone(), limit }).await?;
            if answer.encoded_len() <= PAGE_BYTES_MAX || limit <= 1 {
                return Ok(answer);
            }
            limit /= 2;
        }
    }
}

/// That a site is not the caller's.
fn not_yours(key: &str) -> Error {
    let key: String = key.chars().take(60).collect();
    let text = format!("the token is not for site `{key}`; ask the administrator for one that is");
    Error::NotAllowed { reason: "SITE_NOT_YOURS", subject: format!("site {key}"), text }
}
