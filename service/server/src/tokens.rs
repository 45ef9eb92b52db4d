//! `fettlerd token`: makes, lists and takes back tokens, in the database itself, so that whoever can read the data folder needs
//! no token for it. A service that runs on it notices within a second.

use crate::auth::{hash, hash_of_certificate, new_token};
use crate::certificate::CertificateName;
use crate::config::PlaceArguments;
use crate::wire::people::Names;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, NaiveDate, Utc};
use clap::{Args, Subcommand};
use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::ids::{PersonId, SiteId, TokenId};
use fettler_domain::text::Name;
use fettler_domain::time::{MICROS_PER_DAY, Ts};
use fettler_store::contract::{Caller, NewToken, PageAsk, Store, StoreError, TokenRecord};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Tokens of a page of the list.
const PAGE: u32 = 1_000;
/// The longest time a token may last when it is said in days.
const DAYS_MAX: i64 = 36_500;

/// What to do with tokens.
#[derive(Debug, Subcommand)]
pub enum TokenCommand {
    /// Make a token, and print it this once.
    Add(AddArguments),
    /// List the tokens; what they are is known to their holders only.
    List(PlaceArguments),
    /// Take a token back; within a second no service takes it any more.
    Revoke(RevokeArguments),
}

impl TokenCommand {
    /// Where the data is.
    pub fn place(&self) -> &PlaceArguments {
        match self {
            TokenCommand::Add(add) => &add.place,
            TokenCommand::List(place) => place,
            TokenCommand::Revoke(revoke) => &revoke.place,
        }
    }
}

/// Which token to make.
#[derive(Debug, Args)]
pub struct AddArguments {
    /// Where the data is.
    #[command(flatten)]
    pub place: PlaceArguments,
    /// What it is for: "tablet in hall A", "ERP".
    #[arg(value_name = "NAME", value_parser = name)]
    pub name: String,
    /// What it may do: reporter, technician, planner, manager or admin; several may be given.
    #[arg(long = "role", value_name = "ROLE", required = true, value_parser = role)]
    pub roles: Vec<Role>,
    /// The key of a site that it is for; several may be given. Default: the whole installation.
    #[arg(long = "site", value_name = "KEY")]
    pub sites: Vec<String>,
    /// Until when it is taken: 90d, 2027-06-30 (that day not included, UTC) or an instant. Default: for ever.
    #[arg(long, value_name = "WHEN", value_parser = expiry)]
    pub expires: Option<Expiry>,
    /// Whose own it is: a person's name. What comes by it in that person's name is known to be theirs.
    #[arg(long, value_name = "NAME", value_parser = person)]
    pub person: Option<Name>,
    /// A caller's certificate, PEM, that stands in a token's place: nothing is printed. The service must be given its
    /// authority by --tls-client-ca.
    #[arg(long, value_name = "FILE", conflicts_with = "certificate_name")]
    pub certificate: Option<PathBuf>,
    /// A name in callers' certificates that stands in a token's place: DNS:cell-7.example, URI:spiffe://shop/erp or CN:cell 7.
    /// Any certificate of the authority with that name is taken, so that one that is renewed is.
    #[arg(long, value_name = "NAME")]
    pub certificate_name: Option<CertificateName>,
}

/// Which token to take back.
#[derive(Debug, Args)]
pub struct RevokeArguments {
    /// Where the data is.
    #[command(flatten)]
    pub place: PlaceArguments,
    /// Its number, as `fettlerd token list` shows it.
    #[arg(value_name = "NUMBER", value_parser = clap::value_parser!(i64).range(1..))]
    pub number: i64,
}

/// Until when a token is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Expiry {
    /// So many days from now.
    Days(i64),
    /// Until an instant.
    At(Ts),
}

impl Expiry {
    fn at(self, now: Ts) -> Ts {
        match self {
            Expiry::Days(days) => now.plus_micros(days * MICROS_PER_DAY),
            Expiry::At(at) => at,
        }
    }
}

fn name(text: &str) -> Result<String, String> {
    Name::new(text).map(|name| name.to_string()).map_err(|error| error.to_string())
}

fn person(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|error| error.to_string())
}

fn role(text: &str) -> Result<Role, String> {
    let words = Role::ALL.map(Role::word).join(", ");
    Role::from_word(text).ok_or_else(|| format!("is no role; give one of {words}"))
}

fn expiry(text: &str) -> Result<Expiry, String> {
    let days = text.strip_suffix('d').and_then(|days| days.parse().ok());
    if let Some(days) = days.filter(|days| (1..=DAYS_MAX).contains(days)) {
        return Ok(Expiry::Days(days));
    }
    let day = text.parse::<NaiveDate>().ok().and_then(|day| day.and_hms_opt(0, 0, 0)).map(|at| at.and_utc());
    let at = day.or_else(|| text.parse::<DateTime<Utc>>().ok());
    let at = at.map(Ts::from_utc).ok_or("is no time; write 90d, 2027-06-30 or 2027-06-30T12:00:00Z")?;
    Ok(Expiry::At(at))
}

/// Why a token command cannot be done.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// There is no such site.
    #[error("there is no site `{0}`; load a shop that declares it first")]
    NoSite(String),
    /// It could do nothing.
    #[error("a token without a role could do nothing; give --role")]
    NoRole,
    /// It would never be taken.
    #[error("--expires {0} is past; give a time to come")]
    Past(Ts),
    /// The certificate's file cannot be read.
    #[error("cannot read {path}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// The file holds no certificate.
    #[error("{0} holds no certificate in PEM form")]
    NoCertificate(PathBuf),
    /// No random bits.
    #[error("the system gives no random bits for a token: {0}")]
    Random(getrandom::Error),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What a command has to say: to programs, and to people.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Said {
    /// For stdout.
    pub data: String,
    /// For stderr.
    pub note: String,
}

/// Does what was typed.
pub async fn run(store: &dyn Store, command: &TokenCommand, now: Ts) -> Result<Said, TokenError> {
    let caller = Caller { token: None, method: "Token", request: None, now, person: None, as_manager: true };
    match command {
        TokenCommand::Add(wanted) => add(store, &caller, wanted).await,
        TokenCommand::List(_) => list(store, now).await,
        TokenCommand::Revoke(wanted) => {
            let record = store.revoke_token(&caller, TokenId(wanted.number)).await?;
            let note = format!("token {}, {}, is not taken any more", record.token, record.name);
            Ok(Said { note, ..Said::default() })
        }
    }
}

async fn add(store: &dyn Store, caller: &Caller, wanted: &AddArguments) -> Result<Said, TokenError> {
    let mut sites = BTreeSet::new();
    for key in &wanted.sites {
        let site = store.site(key).await?.ok_or_else(|| TokenError::NoSite(key.clone()))?;
        sites.insert(site.site);
    }
    let scope = if sites.is_empty() { Scope::Installation } else { Scope::Sites(sites) };
    let expires_at = wanted.expires.map(|expiry| expiry.at(caller.now));
    if let Some(past) = expires_at.filter(|at| *at <= caller.now) {
        return Err(TokenError::Past(past));
    }
    let token = new_token().map_err(TokenError::Random)?;
    let hash = match (&wanted.certificate, &wanted.certificate_name) {
        (Some(path), _) => hash_of_certificate(&der_in(path)?),
        (None, Some(name)) => name.hash(),
        (None, None) => hash(&token),
    };
    let identity = wanted.certificate_name.as_ref().map(ToString::to_string);
    let person = match &wanted.person {
        Some(name) => Some(store.known_person("--person", name).await?),
        None => None,
    };
    let access = Access::new(wanted.roles.iter().copied(), scope).ok_or(TokenError::NoRole)?;
    let new = NewToken { name: wanted.name.clone(), hash, access, expires_at, person, identity };
    let record = store.add_token(caller, &new).await?;
    if wanted.certificate.is_some() || wanted.certificate_name.is_some() {
        let note = format!("token {}, {}: calls with that certificate", record.token, record.name);
        return Ok(Said { note, ..Said::default() });
    }
    let note = format!(
        "token {}, {}: it is shown this once; keep it where its holder alone reads it",
        record.token, record.name
    );
    Ok(Said { data: token, note })
}

/// The first certificate of a PEM file, in DER.
fn der_in(path: &Path) -> Result<Vec<u8>, TokenError> {
    let text = std::fs::read_to_string(path);
    let text = text.map_err(|source| TokenError::Io { path: path.to_owned(), source })?;
    let body = text
        .split_once("-----BEGIN CERTIFICATE-----")
        .and_then(|(_, rest)| rest.split_once("-----END CERTIFICATE-----"));
    let der = body.and_then(|(body, _)| STANDARD.decode(body.split_whitespace().collect::<String>()).ok());
    der.ok_or_else(|| TokenError::NoCertificate(path.to_owned()))
}

async fn list(store: &dyn Store, now: Ts) -> Result<Said, TokenError> {
    let keys: BTreeMap<SiteId, String> =
        store.sites().await?.into_iter().map(|site| (site.site, site.card.key.to_string())).collect();
    let mut rows = vec![
        ["number", "name", "known by", "roles", "sites", "made", "last used", "state"].map(str::to_owned),
    ];
    let mut after = None;
    loop {
        let page = store.tokens(PageAsk { after, limit: PAGE }).await?;
        let people: Vec<PersonId> = page.rows.iter().filter_map(|record| record.person).collect();
        let names = Names::new(store.person_names(&people).await?);
        rows.extend(page.rows.iter().map(|record| row(record, &keys, &names, now)));
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    Ok(Said { data: aligned(&rows), note: String::new() })
}

fn day(at: Ts) -> String {
    at.to_utc().date_naive().to_string()
}

fn row(record: &TokenRecord, keys: &BTreeMap<SiteId, String>, names: &Names, now: Ts) -> [String; 8] {
    let roles: Vec<&str> = record.access.roles().map(Role::word).collect();
    let sites = match &record.access.scope {
        Scope::Installation => "all".to_owned(),
        Scope::Sites(sites) => {
            sites.iter().filter_map(|site| keys.get(site).map(String::as_str)).collect::<Vec<_>>().join(",")
        }
    };
    let state = match (record.revoked_at, record.expires_at) {
        (Some(at), _) => format!("taken back {}", day(at)),
        (None, Some(at)) if at <= now => format!("expired {}", day(at)),
        (None, Some(at)) => format!("in use until {}", day(at)),
        (None, None) => "in use".to_owned(),
    };
    let used = record.used_at.map_or_else(|| "never".to_owned(), day);
    let kind = record.identity.clone().unwrap_or_else(|| "token".to_owned());
    let known_by = match record.person {
        Some(person) => format!("{kind}, own of {}", names.of(person)),
        None => kind,
    };
    [
        record.token.to_string(),
        record.name.clone(),
        known_by,
        roles.join(","),
        sites,
        day(record.made_at),
        used,
        state,
    ]
}

/// Rows in columns as wide as they must be.
fn aligned(rows: &[[String; 8]]) -> String {
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..8).map(width).collect();
    let lines = rows.iter().map(|row| {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            // Writing to a string cannot fail.
            let _ = write!(line, "{cell:width$}  ");
        }
        line.trim_end().to_owned()
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_they_are_written() {
        assert_eq!(expiry("90d"), Ok(Expiry::Days(90)));
        let day = "2027-06-30T00:00:00Z".parse::<DateTime<Utc>>().map(Ts::from_utc).unwrap();
        assert_eq!(expiry("2027-06-30"), Ok(Expiry::At(day)));
        assert_eq!(expiry("2027-06-30T02:00:00+02:00"), Ok(Expiry::At(day)));
        for bad in ["", "d", "0d", "-1d", "90", "36501d", "tomorrow", "2027-13-01"] {
            assert!(expiry(bad).is_err(), "{bad}");
        }
        assert!(role("technician").is_ok() && role("Technician").is_err());
    }
}
