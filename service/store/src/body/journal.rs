//! Appending leaves: gathered in memory while a transaction runs, written in bulk before it commits.

use super::Conn;
use super::bulk::Bulk;
use super::head::Head;
use crate::contract::{Caller, Result, StoreError};
use fettler_domain::ids::{PersonId, SiteId};
use fettler_domain::journal::leaf::{hash_of, state_digest};
use fettler_domain::journal::tree::Node;
use fettler_domain::journal::{Canonical, Frontier, Hash, Kind, Leaf, Sealed};
use fettler_domain::pin::Known;
use serde_json::Value;

static LEAVES: Bulk = Bulk::new(
    "INSERT INTO journal_leaf (site, number, at, kind, subject, person, bytes, hash) VALUES",
    1,
    7,
    "",
);
static NODES: Bulk = Bulk::new("INSERT INTO journal_node (site, level, position, hash) VALUES", 1, 3, "");
static NOTES: Bulk = Bulk::new("INSERT INTO sealed_note (site, leaf, salt, text) VALUES", 1, 3, "");

#[cfg(test)]
pub(super) fn all_sql() -> [&'static str; 3] {
    [LEAVES.sample(), NODES.sample(), NOTES.sample()]
}

/// A fact to be recorded.
pub(super) struct Fact {
    /// What kind of fact.
    pub(super) kind: Kind,
    /// What it is about, as a path inside the site.
    pub(super) subject: String,
    /// Who said it.
    pub(super) person: Option<PersonId>,
    /// The whole state after it: an object, or null.
    pub(super) after: Value,
    /// The state before it, where there was one.
    pub(super) before: Option<Hash>,
    /// A text that may be erased later: the field of `after` that is to hold its digest, and the text.
    pub(super) sealed: Option<(&'static str, String)>,
}

/// The digest of a state before.
pub(super) fn digest_of(state: &Value) -> Result<Hash> {
    state_digest(state).map_err(|error| unfit(&error))
}

pub(super) fn unfit(error: &impl ToString) -> StoreError {
    StoreError::Unavailable(format!("a fact has no canonical form: {}", error.to_string()))
}

/// The field of `after` that says how the person was known who said it. It is no part of the state, so that no digest of a state
/// before holds it, and it is missing where they were only named.
const KNOWN: &str = "known";

fn also_known(after: &Canonical, known: Known) -> Result<Canonical> {
    let mut after: Value = serde_json::from_str(after.as_str()).map_err(|error| unfit(&error))?;
    after[KNOWN] = known.word().into();
    Canonical::of(&after).map_err(|error| unfit(&error))
}

/// Where a leaf will stand.
#[derive(Clone, Copy)]
struct Place {
    site: SiteId,
    lineage: u32,
    number: i64,
}

impl Place {
    /// The place of the next leaf of a site's tree.
    fn of(head: &Head) -> Place {
        Place { site: head.site, lineage: head.lineage, number: head.frontier.size() }
    }
}

fn leaf(place: &Place, caller: &Caller, kind: Kind, subject: String, after: Canonical) -> Leaf {
    Leaf {
        site: place.site,
        lineage: place.lineage,
        number: place.number,
        at: caller.now,
        person: None,
        token: caller.token,
        request: caller.request.as_ref().map(|request| request.id.clone()),
        kind,
        subject,
        after,
        before: None,
    }
}

struct LeafRow {
    number: i64,
    at: i64,
    kind: &'static str,
    subject: String,
    person: Option<i64>,
    bytes: Vec<u8>,
    hash: [u8; 32],
}

impl LeafRow {
    /// Puts a leaf into the tree.
    fn of(leaf: Leaf, frontier: &mut Frontier, nodes: &mut Vec<Node>) -> Result<LeafRow> {
        let bytes = leaf.to_bytes().map_err(|error| unfit(&error))?;
        let hash = hash_of(&bytes);
        frontier.push(hash, |node| nodes.push(node));
        let Leaf { number, at, kind, person, subject, .. } = leaf;
        let (kind, person) = (kind.word(), person.map(|p| p.0));
        Ok(LeafRow { number, at: at.0, kind, subject, person, bytes, hash: hash.0 })
    }
}

/// A tree to which the arrivals of reports are appended away from its transaction, so that bytes are hashed while the
/// database works.
pub(super) struct Made {
    place: Place,
    frontier: Frontier,
    leaves: Vec<LeafRow>,
    nodes: Vec<Node>,
}

impl Made {
    /// Begins at the right edge of a site's tree.
    pub(super) fn after(head: &Head) -> Made {
        let (leaves, nodes) = (Vec::new(), Vec::new());
        Made { place: Place::of(head), frontier: head.frontier.clone(), leaves, nodes }
    }

    /// The number of the next leaf.
    pub(super) fn next(&self) -> i64 {
        self.frontier.size()
    }

    /// Appends the arrival of a report.
    pub(super) fn arrival(&mut self, caller: &Caller, subject: String, after: Canonical) -> Result<()> {
        let place = Place { number: self.frontier.size(), ..self.place };
        let person = caller.person.map(|speaker| speaker.person);
        let after = match caller.person.and_then(|speaker| speaker.known) {
            Some(known) => also_known(&after, known)?,
            None => after,
        };
        let leaf = Leaf { person, ..leaf(&place, caller, Kind::ReportArrived, subject, after) };
        self.leaves.push(LeafRow::of(leaf, &mut self.frontier, &mut self.nodes)?);
        Ok(())
    }
}

/// Leaves of one site that are not written yet.
#[derive(Default)]
pub(super) struct Pending {
    leaves: Vec<LeafRow>,
    nodes: Vec<Node>,
    notes: Vec<(i64, Sealed)>,
}

impl Pending {
    /// Appends a fact to the site's tree; gives the leaf's number.
    pub(super) fn append(&mut self, head: &mut Head, caller: &Caller, fact: Fact) -> Result<i64> {
        let number = head.frontier.size();
        let Fact { kind, subject, person, mut after, before, sealed } = fact;
        if let Some((field, text)) = sealed {
            let mut salt = [0; 16];
            getrandom::fill(&mut salt)
                .map_err(|error| StoreError::Unavailable(format!("no random bytes: {error}")))?;
            let sealed = Sealed { salt, text };
            if let Value::Object(fields) = &mut after {
                fields.insert(field.to_owned(), Value::String(sealed.digest().to_hex()));
            }
            self.notes.push((number, sealed));
        }
        if let Some(known) = person.and_then(|person| caller.known(person))
            && let Value::Object(fields) = &mut after
        {
            fields.insert(KNOWN.to_owned(), known.word().into());
        }
        let after = Canonical::of(&after).map_err(|error| unfit(&error))?;
        self.record(head, Leaf { person, before, ..leaf(&Place::of(head), caller, kind, subject, after) })
    }

    /// Takes leaves that were made beside, and says how many; the tree has not grown since.
    pub(super) fn take(&mut self, head: &mut Head, made: Made) -> i64 {
        let taken = made.frontier.size() - head.frontier.size();
        head.frontier = made.frontier;
        self.leaves.extend(made.leaves);
        self.nodes.extend(made.nodes);
        taken
    }

    fn record(&mut self, head: &mut Head, leaf: Leaf) -> Result<i64> {
        let number = leaf.number;
        self.leaves.push(LeafRow::of(leaf, &mut head.frontier, &mut self.nodes)?);
        Ok(number)
    }

    /// Writes what was appended.
    pub(super) async fn flush(&mut self, conn: &mut Conn, head: &Head) -> Result<()> {
        let site = i64::from(head.site.0);
        LEAVES
            .run(
                conn,
                &self.leaves,
                |q| q.bind(site),
                |q, leaf| {
                    q.bind(leaf.number)
                        .bind(leaf.at)
                        .bind(leaf.kind)
                        .bind(leaf.subject.as_str())
                        .bind(leaf.person)
                        .bind(leaf.bytes.as_slice())
                        .bind(leaf.hash.as_slice())
                },
            )
            .await?;
        NODES
            .run(
                conn,
                &self.nodes,
                |q| q.bind(site),
                |q, node| q.bind(i64::from(node.level)).bind(node.index).bind(node.hash.0.to_vec()),
            )
            .await?;
        NOTES
            .run(
                conn,
                &self.notes,
                |q| q.bind(site),
                |q, (leaf, sealed)| q.bind(leaf).bind(sealed.salt.as_slice()).bind(sealed.text.as_str()),
            )
            .await?;
        self.leaves.clear();
        self.nodes.clear();
        self.notes.clear();
        Ok(())
    }
}
