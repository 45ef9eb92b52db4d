//! What the store knows of whoever shows a token of the identity provider: a row in a token's place, made when they first come, by
//! whose number the journal names them, and which can be taken back. Roles and sites are those of what was shown.

use crate::oidc::claims::Claims;
use crate::oidc::{Provider, Refused};
use crate::status::Failure;
use fettler_domain::access::{Access, Scope};
use fettler_domain::text::Name;
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, NewToken, Store, StoreError, TokenRecord};
use std::collections::BTreeSet;

/// The most characters of a subject that stand in a row's name.
const SHOWN: usize = 60;

/// The record of whom claims are about.
pub async fn record(
    store: &dyn Store,
    provider: &Provider,
    claims: &Claims,
    now: Ts,
) -> Result<TokenRecord, Failure> {
    let access = access(store, claims).await?;
    let hash = provider.hash(&claims.subject);
    let row = match store.token(&hash).await? {
        Some(row) => row,
        None => made(store, hash, claims, access.clone(), now).await?,
    };
    let person = match claims.person.as_ref().and_then(|name| Name::new(name).ok()) {
        Some(name) => store.pin(&name).await?.map(|known| known.person),
        None => None,
    };
    Ok(TokenRecord { access, person, expires_at: Some(claims.until), ..row })
}

async fn made(
    store: &dyn Store,
    hash: [u8; 32],
    claims: &Claims,
    access: Access,
    now: Ts,
) -> Result<TokenRecord, Failure> {
    let shown: String = claims.subject.chars().take(SHOWN).collect();
    let name = claims.person.clone().filter(|name| Name::new(name).is_ok()).unwrap_or_else(|| shown.clone());
    let new = NewToken {
        name,
        hash,
        access,
        expires_at: None,
        person: None,
        identity: Some(format!("OIDC:{shown}")),
    };
    let caller =
        Caller { token: None, method: "Identity", request: None, now, person: None, as_manager: true };
    match store.add_token(&caller, &new).await {
        // Another service, or another call, was faster.
        Err(StoreError::Refused(why)) => Ok(store.token(&hash).await?.ok_or(why)?),
        made => Ok(made?),
    }
}

async fn access(store: &dyn Store, claims: &Claims) -> Result<Access, Failure> {
    let scope = match &claims.sites {
        None => Scope::Installation,
        Some(keys) => {
            let mut sites = BTreeSet::new();
            for key in keys {
                let site = store.site(key).await?.ok_or(Failure::IdentityRefused(Refused::NoSite))?;
                sites.insert(site.site);
            }
            Scope::Sites(sites)
        }
    };
    let roles = claims.roles.iter().copied();
    Access::new(roles, scope).ok_or(Failure::IdentityRefused(Refused::NoRole))
}
