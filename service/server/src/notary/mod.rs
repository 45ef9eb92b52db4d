//! Signs what the journals were: checkpoints at request and at each change of the shop day. Nothing is signed that does not go
//! on from what was signed before, in the database or in the files beside it.
//!
//! * [`signer`]: the key and its file.
//! * `files`: checkpoints outside the database.

mod files;
mod keep;
pub mod signer;

pub(crate) use files::kept_files;
pub use keep::{keep, once};

use crate::folder::write_new_secret;
use crate::status::Failure;
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::lineage::{FIRST, Fate, Lineages, Opening, Stand};
use fettler_domain::journal::note::{SignedNote, VerifierKey};
use fettler_domain::journal::proof::{Head, Span};
use fettler_domain::journal::{Hash, Kind};
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, EntryFilter, JournalKey, KeptCheckpoint, PageAsk, Store, StoreError};
use files::Named;
use signer::Signer;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Random bytes of an installation's name: enough that no two are alike.
const NAME_BYTES: usize = 8;
/// A key file larger than this is some other file.
const KEY_FILE_BYTES_MAX: u64 = 4_096;
/// Entries that open lineages, read at once.
const OPENINGS_AT_ONCE: u32 = 100;

/// Where the signing key lies and checkpoints are kept.
#[derive(Clone, Debug)]
pub struct Places {
    /// The file of the signing key.
    pub key: PathBuf,
    /// The folder of the checkpoints.
    pub checkpoints: PathBuf,
    /// Whether the key of that file, or a new one, is to take the place of the one that signed until now.
    pub replace: bool,
}

impl Places {
    /// Both in the data folder.
    pub fn within(folder: &Path) -> Places {
        Places { key: folder.join("journal.key"), checkpoints: folder.join("checkpoints"), replace: false }
    }
}

/// Why there is no key to sign with.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// The file cannot be read or written.
    #[error("cannot use the signing key {path}; see that its folder exists and is yours")]
    Io {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// The file holds no key.
    #[error("{0} holds no Ed25519 key in PKCS #8 PEM form; give another with --journal-key")]
    NotKey(PathBuf),
    /// Another key signs this installation's journals.
    #[error(
        "the key in {path} is not the one that signs this installation's journals: its public half is {found}, and \
         {known} is known; give that one with --journal-key, or let this one take its place with --replace-journal-key, \
         of which the journal will tell"
    )]
    Another {
        /// The file.
        path: PathBuf,
        /// The public half of its key, in hexadecimal.
        found: String,
        /// The public half of the key that is known.
        known: String,
    },
    /// No random bits.
    #[error("the system gives no random bits for a signing key")]
    Random,
    /// The store failed.
    #[error("the store does not take the signing key")]
    Store(#[from] StoreError),
}

/// Signs checkpoints, where it has a key.
pub struct Notary {
    signing: Option<Signing>,
}

struct Signing {
    signer: Signer,
    installation: String,
    folder: PathBuf,
}

/// A checkpoint with the note that was signed and the key by which it is checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signed {
    /// What was signed.
    pub checkpoint: Checkpoint,
    /// The checkpoint as it is kept.
    pub kept: KeptCheckpoint,
    /// The key.
    pub key: VerifierKey,
}

impl Notary {
    /// One without a key, which signs nothing.
    pub fn silent() -> Notary {
        Notary { signing: None }
    }

    /// Whether it has a key.
    pub fn signs(&self) -> bool {
        self.signing.is_some()
    }

    /// Takes the key of the installation. At the first start it is made; where the database knows a key whose file is not
    /// here, nothing is signed; where the file holds another key, that is an error.
    pub async fn open(store: &dyn Store, places: &Places, now: Ts) -> Result<Notary, KeyError> {
        let known = store.journal_key().await?;
        let own = read_key(&places.key)?;
        let signer = match (own, &known, places.replace) {
            (Some(signer), _, _) => signer,
            (None, Some(_), false) => {
                tracing::warn!(
                    path = %places.key.display(),
                    "the key that signs this installation's journals is not here; checkpoints are not signed by this service"
                );
                return Ok(Notary::silent());
            }
            (None, _, _) => make_key(&places.key)?,
        };
        let public = signer.public();
        let installation = match known {
            Some(known) if known.public == public => known.installation,
            Some(known) if !places.replace => {
                let (path, found) = (places.key.clone(), hex::encode(public));
                return Err(KeyError::Another { path, found, known: hex::encode(known.public) });
            }
            known => {
                let installation = match &known {
                    Some(known) => known.installation.clone(),
                    None => new_name()?,
                };
                let key = JournalKey { installation, public };
                match set_key(store, &key, known.as_ref(), now).await {
                    // Another service that starts with the same key was faster.
                    Err(StoreError::Conflict) => match store.journal_key().await? {
                        Some(known) if known.public == public => known.installation,
                        _ => return Err(StoreError::Conflict.into()),
                    },
                    // Whatever is not known of the database, the key's file stays: its public half may stand there.
                    Err(error) => return Err(error.into()),
                    Ok(()) => key.installation,
                }
            }
        };
        Ok(Notary { signing: Some(Signing { signer, installation, folder: places.checkpoints.clone() }) })
    }

    fn signing(&self) -> Result<&Signing, Error> {
        self.signing.as_ref().ok_or_else(|| Error::WrongState {
            reason: "NO_SIGNING_KEY",
            subject: "signing key".into(),
            text: "this service has no signing key; ask one that has, or give it the installation's with --journal-key"
                .into(),
        })
    }

    /// Signs a journal as it stands, or gives the checkpoint again that was made of it before.
    pub async fn checkpoint(&self, store: &dyn Store, site: SiteId, now: Ts) -> Result<Signed, Failure> {
        let signing = self.signing()?;
        let odd =
            || StoreError::Corrupt { table: "journal_key", column: "installation", row: site.to_string() };
        let journal = Origin::new(&signing.installation, site, FIRST).ok_or_else(odd)?;
        let page = store.checkpoints(site, PageAsk { after: None, limit: 1 }).await?;
        let last = page.rows.into_iter().next();
        let filed = signing.files_of(&journal).await?;
        // After what was signed, so that a journal that grows meanwhile does not look cut off.
        let stands = store.journal_head(site).await?;
        let lineages = lineages(store, site, stands.lineage).await?;
        let head = Head { size: stands.size, root: Hash(stands.root) };
        let checkpoint = Checkpoint { origin: journal.in_lineage(stands.lineage), head };
        let key = checkpoint.key(signing.signer.public()).map_err(|_| odd())?;
        let note = SignedNote::sign(&checkpoint.text(), &key, |text| signing.signer.sign(text));

        if lineages.now() != stands.lineage {
            let text = format!(
                "the journal is said to be of lineage {}, and its entries are of lineage {}; something was altered",
                stands.lineage,
                lineages.now()
            );
            return Err(altered(&checkpoint, &text));
        }
        if let Some(last) = &last {
            let before = Stand { lineage: last.lineage, head: last.head };
            goes_on(store, &checkpoint, before, (&lineages, "database")).await?;
        }
        for before in signing.read(to_compare(filed, &lineages)).await? {
            goes_on(store, &checkpoint, before.stand(), (&lineages, "files")).await?;
        }
        if let Some(kept) = last.filter(|last| last.note == note) {
            return Ok(Signed { checkpoint, kept, key });
        }
        signing.file(&checkpoint, &note).await?;
        let kept = KeptCheckpoint { lineage: stands.lineage, head, made_at: now, note };
        store.keep_checkpoint(site, &kept).await?;
        Ok(Signed { checkpoint, kept, key })
    }
}

/// Of the files of a journal's checkpoints those that it is held against: of each lineage the newest that it is to go on
/// from, and those of a lineage that it has not reached. What a restore left behind is told by its entry.
fn to_compare(filed: Vec<Named>, lineages: &Lineages) -> Vec<Named> {
    let mut newest: BTreeMap<u32, Named> = BTreeMap::new();
    for named in filed {
        match lineages.fate(named.lineage, named.size) {
            Fate::Gone(_) | Fate::LeftBehind(_) => {}
            Fate::Stands | Fate::Ahead(_) => {
                if newest.get(&named.lineage).is_none_or(|known| known.size < named.size) {
                    newest.insert(named.lineage, named);
                }
            }
        }
    }
    newest.into_values().collect()
}

/// The lineages of a journal, by the entries that opened them.
async fn lineages(store: &dyn Store, site: SiteId, now: u32) -> Result<Lineages, StoreError> {
    let mut openings = Vec::new();
    if now == FIRST {
        return Ok(Lineages::default());
    }
    let kind = Some(Kind::JournalRestored.word().to_owned());
    let filter = EntryFilter { from: Some(0), kind, subject: None };
    let mut page = Some(PageAsk { after: None, limit: OPENINGS_AT_ONCE });
    while let Some(ask) = page {
        let read = store.entries(site, &filter, ask).await?;
        for entry in read.rows {
            let number = entry.number;
            let odd =
                || StoreError::Corrupt { table: "journal_leaf", column: "bytes", row: number.to_string() };
            openings.push(Opening::read(&entry.leaf).ok_or_else(odd)?);
        }
        page = read.next.map(|after| PageAsk { after: Some(after), limit: OPENINGS_AT_ONCE });
    }
    Ok(Lineages::of(openings))
}

impl Signing {
    async fn files_of(&self, journal: &Origin) -> Result<Vec<Named>, StoreError> {
        let (folder, journal) = (self.folder.clone(), journal.clone());
        beside(move || files::of_journal(&folder, &journal)).await
    }

    async fn read(&self, named: Vec<Named>) -> Result<Vec<Checkpoint>, StoreError> {
        beside(move || named.iter().map(files::read).collect()).await
    }

    async fn file(&self, checkpoint: &Checkpoint, note: &str) -> Result<(), StoreError> {
        let (folder, checkpoint, note) = (self.folder.clone(), checkpoint.clone(), note.to_owned());
        beside(move || files::keep(&folder, &checkpoint, &note)).await
    }
}

/// Works on files away from the threads that answer calls.
async fn beside<T: Send + 'static>(
    work: impl FnOnce() -> std::io::Result<T> + Send + 'static,
) -> Result<T, StoreError> {
    let away =
        |error: String| StoreError::Unavailable(format!("checkpoints cannot be kept as files: {error}"));
    let done = tokio::task::spawn_blocking(work).await.map_err(|error| away(error.to_string()))?;
    done.map_err(|error| away(error.to_string()))
}

/// Whether a journal goes on from what was signed before.
async fn goes_on(
    store: &dyn Store,
    now: &Checkpoint,
    before: Stand,
    (lineages, place): (&Lineages, &str),
) -> Result<(), Failure> {
    let entries = before.head.size;
    let text = match lineages.fate(before.lineage, entries) {
        Fate::Gone(_) | Fate::LeftBehind(_) => return Ok(()),
        fate @ Fate::Ahead(_) => {
            format!("of a checkpoint in the {place}: {}", fate.words(before).unwrap_or_default())
        }
        Fate::Stands if entries > now.head.size => format!(
            "the journal has {} entries, and one of {entries} was signed before (in the {place}): it was set back or cut off",
            now.head.size
        ),
        Fate::Stands => {
            let spans = [Span::whole(entries), Span::whole(now.head.size)];
            if store.subtrees(now.origin.site, &spans).await? == [before.head.root, now.head.root] {
                return Ok(());
            }
            format!(
                "the journal is not the one of which {entries} entries were signed before (in the {place}); something was altered"
            )
        }
    };
    Err(altered(now, &text))
}

/// That nothing is signed of a journal, and why.
fn altered(now: &Checkpoint, text: &str) -> Failure {
    tracing::error!(journal = %now.origin, text, "nothing is signed");
    let text = format!("{text}; nothing is signed until that is settled, see docs/security.md");
    Error::WrongState { reason: "JOURNAL_ALTERED", subject: now.origin.to_string(), text }.into()
}

fn read_key(path: &Path) -> Result<Option<Signer>, KeyError> {
    let read = || {
        if std::fs::metadata(path)?.len() > KEY_FILE_BYTES_MAX {
            return Err(std::io::Error::other("it is too large to be a key"));
        }
        std::fs::read_to_string(path)
    };
    match read() {
        Ok(text) => Signer::from_pem(&text).ok_or_else(|| KeyError::NotKey(path.to_owned())).map(Some),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(KeyError::Io { path: path.to_owned(), source }),
    }
}

/// Makes a key and its file, or takes the key of another service that was faster at the same place.
fn make_key(path: &Path) -> Result<Signer, KeyError> {
    let (signer, text) = Signer::make().ok_or(KeyError::Random)?;
    match write_new_secret(path, &text) {
        Ok(()) => Ok(signer),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            read_key(path)?.ok_or_else(|| KeyError::NotKey(path.to_owned()))
        }
        Err(source) => Err(KeyError::Io { path: path.to_owned(), source }),
    }
}

fn new_name() -> Result<String, KeyError> {
    let mut bytes = [0; NAME_BYTES];
    getrandom::fill(&mut bytes).map_err(|_| KeyError::Random)?;
    Ok(hex::encode(bytes))
}

async fn set_key(
    store: &dyn Store,
    key: &JournalKey,
    instead_of: Option<&JournalKey>,
    now: Ts,
) -> Result<(), StoreError> {
    let caller = Caller { token: None, method: "Serve", request: None, now, person: None, as_manager: true };
    store.set_journal_key(&caller, key, instead_of).await
}
