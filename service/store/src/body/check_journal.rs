//! Whether a journal is whole: every entry hashed again, every stored hash and the root compared, and every checkpoint held
//! against it.

use super::decode::Reading;
use super::store::SqlStore;
use super::{Conn, DbRow, head, tx};
use crate::contract::{KeptNote, Part, Result};
use fettler_domain::ids::SiteId;
use fettler_domain::journal::checkpoint::Checkpoint;
use fettler_domain::journal::export::EntryRead;
use fettler_domain::journal::leaf::hash_of;
use fettler_domain::journal::lineage::{Fate, Lineages};
use fettler_domain::journal::note::{NoteError, Verify};
use fettler_domain::journal::proof::Head;
use fettler_domain::journal::{Frontier, Hash, Kind, Sealed};
use std::collections::BTreeMap;

const ENTRIES: &str = "SELECT j.number, j.at, j.kind, j.subject, j.bytes, j.hash, n.salt, n.text FROM journal_leaf j \
    LEFT JOIN sealed_note n ON n.site = j.site AND n.leaf = j.number \
    WHERE j.site = $1 AND j.number >= $2 AND j.number < $3 ORDER BY j.number";
const NODES: &str = "SELECT level, position, hash FROM journal_node WHERE site = $1 ORDER BY level, position";
const CHECKPOINTS: &str =
    "SELECT lineage, size, root, note FROM checkpoint WHERE site = $1 ORDER BY lineage, size";
const KEYS: &str = "SELECT installation, public FROM journal_key ORDER BY number";

#[cfg(test)]
pub(super) const ALL_SQL: &[&str] = &[ENTRIES, NODES, CHECKPOINTS, KEYS];

/// Entries that are read at once.
const ENTRIES_AT_ONCE: i64 = 2_000;

/// What to do where what was recorded is not what is there.
const ALTERED: &str = "stop the service, keep database and checkpoints as they are, and compare with a backup or an export: \
    docs/security.md, `JOURNAL_ALTERED`";
/// What to do where something is wrong that only follows from the entries.
const DERIVED: &str = "the entries are whole and this follows from them: restore a backup that `fettlerd check` finds whole, or \
    export the journal and keep that";

/// What was found of a journal.
pub(super) struct Checked {
    pub(super) part: Part,
    /// How many entries were looked at.
    pub(super) size: i64,
    /// How many of them are arrivals of reports.
    pub(super) arrivals: u64,
}

/// A checkpoint that the journal is held against.
struct Kept {
    place: String,
    checkpoint: Checkpoint,
    /// The root that the journal has at its size.
    found: Option<Hash>,
}

/// The journal while it is read from its first entry on.
struct Walk {
    part: Part,
    site: SiteId,
    frontier: Frontier,
    nodes: BTreeMap<(u32, i64), Hash>,
    lineages: Lineages,
    kept: Vec<Kept>,
    arrivals: u64,
}

/// Checks a site's journal, as far as it reaches now.
pub(super) async fn check(
    store: &SqlStore,
    site: SiteId,
    notes: &[KeptNote],
    verify: Verify,
) -> Result<Checked> {
    let mut walk = Walk {
        part: Part::new("journal", Some(site)),
        site,
        frontier: Frontier::new(),
        nodes: BTreeMap::new(),
        lineages: Lineages::default(),
        kept: Vec::new(),
        arrivals: 0,
    };
    // Before the head is read, so that none is of a size that the head has not reached.
    walk.take_kept(&mut *store.read().await?, notes, verify).await?;
    let (lineage, stored) = head_of(&mut *store.read().await?, site).await?;
    walk.pass_kept();
    while walk.frontier.size() < stored.size() {
        let from = walk.frontier.size();
        let upto = stored.size().min(from + ENTRIES_AT_ONCE);
        let query = sqlx::query(ENTRIES).bind(i64::from(site.0)).bind(from).bind(upto);
        let rows = query.fetch_all(&mut *store.read().await?).await?;
        for row in &rows {
            if !walk.take(row)? {
                break;
            }
        }
        if walk.frontier.size() < upto {
            let missing = walk.frontier.size();
            walk.part.fault(format!("entry {missing} is missing"), ALTERED);
            break;
        }
    }
    let entries = walk.frontier.size();
    if entries == stored.size() {
        walk.end(lineage, &stored);
        walk.compare_nodes(&mut *store.read().await?).await?;
    }
    walk.part.seen = format!(
        "{entries} entries hashed, {} stored hashes and {} checkpoints compared, root {}",
        walk.nodes.len(),
        walk.kept.len(),
        walk.frontier.root().to_hex()
    );
    Ok(Checked { part: walk.part, size: entries, arrivals: walk.arrivals })
}

async fn head_of(conn: &mut Conn, site: SiteId) -> Result<(u32, Frontier)> {
    let row = sqlx::query(head::READ).bind(i64::from(site.0)).fetch_optional(conn).await?;
    let row = row.ok_or_else(|| tx::no_site(site))?;
    let mut row = Reading::new(&row, "site_head");
    Ok((row.number("lineage")?, head::frontier(&mut row)?))
}

impl Walk {
    /// Takes the checkpoints that are kept in the database and outside it.
    async fn take_kept(&mut self, conn: &mut Conn, notes: &[KeptNote], verify: Verify) -> Result<()> {
        let mut keys = Vec::new();
        for row in &sqlx::query(KEYS).fetch_all(&mut *conn).await? {
            let mut row = Reading::new(row, "journal_key");
            keys.push((row.next::<String>()?, row.hash("public")?));
        }
        let rows = sqlx::query(CHECKPOINTS).bind(i64::from(self.site.0)).fetch_all(conn).await?;
        for row in &rows {
            let mut row = Reading::new(row, "checkpoint");
            let (lineage, size, root) = (row.number("lineage")?, row.next()?, Hash(row.hash("root")?));
            let place = format!("the checkpoint of {size} entries in the database");
            let note: String = row.next()?;
            match read_note(&note, &keys, self.site, verify) {
                Ok(Some(checkpoint)) => {
                    let said = (checkpoint.origin.lineage, checkpoint.head);
                    if said != (lineage, Head { size, root }) {
                        self.part.fault(format!("{place} is not what its note says"), ALTERED);
                    }
                    self.kept.push(Kept { place, checkpoint, found: None });
                }
                Ok(None) => self.part.fault(format!("{place} is of another journal"), ALTERED),
                Err(why) => self.part.fault(format!("{place} {why}"), ALTERED),
            }
        }
        for KeptNote { place, note } in notes {
            match read_note(note, &keys, self.site, verify) {
                Ok(Some(checkpoint)) => {
                    self.kept.push(Kept { place: place.clone(), checkpoint, found: None });
                }
                Ok(None) => {}
                Err(why) => self.part.fault(format!("{place} {why}"), ALTERED),
            }
        }
        Ok(())
    }

    fn pass_kept(&mut self) {
        let size = self.frontier.size();
        for kept in self.kept.iter_mut().filter(|kept| kept.checkpoint.head.size == size) {
            kept.found = Some(self.frontier.root());
        }
    }

    /// Takes the next entry; false where it is missing.
    fn take(&mut self, row: &DbRow) -> Result<bool> {
        let mut row = Reading::new(row, "journal_leaf");
        let (number, at): (i64, i64) = (row.next()?, row.next()?);
        let (kind, subject): (String, String) = (row.next()?, row.next()?);
        let (bytes, hash): (Vec<u8>, &[u8]) = (row.next()?, row.next()?);
        let (salt, text): (Option<Vec<u8>>, Option<String>) = (row.next()?, row.next()?);
        if number != self.frontier.size() {
            return Ok(false);
        }
        let mut odd = Vec::new();
        let own = hash_of(&bytes);
        if own.0 != *hash {
            odd.push("its bytes do not give its hash".to_owned());
        }
        match EntryRead::of(&bytes) {
            Err(why) => odd.push(why.to_owned()),
            Ok(read) => {
                let before = || Head { size: number, root: self.frontier.root() };
                let opens = read.opens_lineage().then(|| (before(), &bytes[..]));
                odd.extend(self.lineages.take(read.lineage, opens).err());
                let said = (read.site, read.number, read.at, read.kind, read.subject);
                if said != (i64::from(self.site.0), number, at, kind.clone(), subject) {
                    odd.push("what it is listed by is not what its bytes say".to_owned());
                }
            }
        }
        if let (Some(salt), Some(text)) = (salt, text) {
            let digest = salt.try_into().ok().map(|salt| Sealed { salt, text }.digest().to_hex());
            let holds = |digest: String| bytes.windows(digest.len()).any(|part| part == digest.as_bytes());
            if !digest.is_some_and(holds) {
                odd.push("the text kept beside it is not the one of which it holds the digest".to_owned());
            }
        }
        for what in odd {
            self.part.fault(format!("entry {number}: {what}"), ALTERED);
        }
        self.arrivals += u64::from(kind == Kind::ReportArrived.word());
        let nodes = &mut self.nodes;
        self.frontier.push(own, |node| {
            nodes.insert((node.level, node.index), node.hash);
        });
        self.pass_kept();
        Ok(true)
    }

    /// Compares what the entries come to with what is stored and with what was signed.
    fn end(&mut self, lineage: u32, stored: &Frontier) {
        if self.frontier != *stored {
            self.part.fault("the entries do not give the stored root", ALTERED);
        }
        if self.lineages.now() != lineage {
            let text = format!(
                "the journal is of lineage {lineage}, and its entries are of lineage {}",
                self.lineages.now()
            );
            self.part.fault(text, ALTERED);
        }
        let size = self.frontier.size();
        for Kept { place, checkpoint, found } in std::mem::take(&mut self.kept) {
            let fate = self.lineages.fate(checkpoint.origin.lineage, checkpoint.head.size);
            let fault = match (fate, found) {
                (Fate::Stands, Some(root)) if root != checkpoint.head.root => {
                    Some(format!("{place} was signed of other entries than these"))
                }
                // What a restore left behind is told by its entry, and nothing here is wrong.
                (Fate::Stands, Some(_)) | (Fate::Gone(_) | Fate::LeftBehind(_), _) => None,
                (Fate::Stands, None) => Some(format!(
                    "{place} knows {} entries, and the journal has {size}: it was cut off",
                    checkpoint.head.size
                )),
                (Fate::Ahead(_), _) => {
                    Some(format!("{place}: {}", fate.words(checkpoint.stand()).unwrap_or_default()))
                }
            };
            if let Some(fault) = fault {
                self.part.fault(fault, ALTERED);
            }
            self.kept.push(Kept { place, checkpoint, found });
        }
    }

    /// Compares the stored hashes of full subtrees.
    async fn compare_nodes(&mut self, conn: &mut Conn) -> Result<()> {
        let rows = sqlx::query(NODES).bind(i64::from(self.site.0)).fetch_all(conn).await?;
        let mut missing = self.nodes.clone();
        for row in &rows {
            let mut row = Reading::new(row, "journal_node");
            let (level, position): (u32, i64) = (row.number("level")?, row.next()?);
            let hash = Hash(row.hash("hash")?);
            // Others may have written on meanwhile.
            let is_later =
                position.saturating_add(1).saturating_mul(1 << level.min(62)) > self.frontier.size();
            if missing.remove(&(level, position)) != Some(hash) && !is_later {
                let text = format!("the stored hash {position} of level {level} is not that of its entries");
                self.part.fault(text, DERIVED);
            }
        }
        for (level, position) in missing.keys() {
            self.part.fault(format!("the stored hash {position} of level {level} is missing"), DERIVED);
        }
        Ok(())
    }
}

/// The checkpoint of a note, where it is of this journal; the error says why it is none that is to be heeded.
fn read_note(
    note: &str,
    keys: &[(String, [u8; 32])],
    site: SiteId,
    verify: Verify,
) -> std::result::Result<Option<Checkpoint>, NoteError> {
    if Checkpoint::told_by(note)?.origin.site != site {
        return Ok(None);
    }
    let keys = keys.iter().map(|(installation, public)| (installation.as_str(), *public));
    Checkpoint::of_ours(note, keys, verify)
}
