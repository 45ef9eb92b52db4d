//! What may have been meant where the service knows no such name: the names there are, asked for once, and compared here.

use super::{machine, person, stock};
use crate::{
    exit::{Answer, Failure},
    session::Session,
};
use fettler_domain::near;
use fettler_proto::v1 as pb;
use std::collections::BTreeSet;

/// The result, with the names that are near where a name was not found. A caller who may not list them gets none.
pub(super) async fn with_names(
    session: &Session,
    result: Result<Answer, Failure>,
) -> Result<Answer, Failure> {
    let Err(Failure::Refused(complaint)) = &result else { return result };
    let missing = complaint.missing.as_deref().map(|missing| (missing.kind.clone(), missing.name.clone()));
    let person = || unknown_person(&complaint.fields).map(|name| ("person".to_owned(), name));
    let Some((kind, name)) = missing.or_else(person) else { return result };
    // The service says by itself what is near, where it has the names at hand.
    if complaint.message.contains("did you mean") {
        return result;
    }
    let Ok(names) = names(session, &kind).await else { return result };
    match near::question(&name, names.iter().map(String::as_str)) {
        Some(question) => result.map_err(|failure| failure.with_hint(question)),
        None => result,
    }
}

/// What stands behind the name of a person whom the service does not know: it tells that as a field that is wrong.
const UNKNOWN_PERSON: &str = "` is not known; `fettler person add`";

fn unknown_person(fields: &[(String, String)]) -> Option<String> {
    let quoted = fields.iter().find_map(|(_, problem)| problem.split_once(UNKNOWN_PERSON))?.0;
    quoted.strip_prefix('`').map(str::to_owned)
}

async fn names(session: &Session, kind: &str) -> Result<BTreeSet<String>, Failure> {
    Ok(match kind {
        "machine" => machine::all(session, String::new()).await?.into_iter().map(|m| m.tag).collect(),
        "area" => machine::all(session, String::new()).await?.into_iter().map(|m| m.area).collect(),
        "person" => person::people(session).await?.into_iter().collect(),
        "item" => items(session).await?,
        "site" => sites(session).await?,
        _ => BTreeSet::new(),
    })
}

async fn sites(session: &Session) -> Result<BTreeSet<String>, Failure> {
    let request = pb::ListSitesRequest {};
    let answer =
        session.ask(&request, |link, request| async move { link.shop().list_sites(request).await }).await?;
    Ok(answer.sites.into_iter().map(|site| site.key).collect())
}

async fn items(session: &Session) -> Result<BTreeSet<String>, Failure> {
    let all = stock::all(session).await?;
    Ok(all.into_iter().filter_map(|item| Some(item.card?.name)).collect())
}
