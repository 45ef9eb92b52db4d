//! Signs what the journals were: checkpoints at request and at each change of the shop day. Nothing is signed that does not go
//! on from what was signed before, in the database or in the files beside it.
//!
//! * [`signer`]: the key and its file.
//! * `files`: checkpoints outside the database.

mod files;
mod keep;
pub mod signer;

pub use keep::{keep, once};

use crate::folder::write_secret;
use crate::status::Failure;
use fettler_domain::error::Error;
use fettler_domain::ids::SiteId;
use fettler_domain::journal::Hash;
use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::note::{SignedNote, VerifierKey};
use fettler_domain::journal::proof::{Head, Span};
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, JournalKey, KeptCheckpoint, PageAsk, Store, StoreError};
use signer::Signer;
use std::path::{Path, PathBuf};

/// Random bytes of an installation's name: enough that no two are alike.
const NAME_BYTES: usize = 8;
/// A key file larger than this is some other file.
const KEY_FILE_BYTES_MAX: u64 = 4_096;

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
        let (signer, is_new) = match (own, &known, places.replace) {
            (Some(signer), _, _) => (signer, false),
            (None, Some(_), false) => {
                tracing::warn!(
                    path = %places.key.display(),
                    "the key that signs this installation's journals is not here; checkpoints are not signed by this service"
                );
                return Ok(Notary::silent());
            }
            (None, _, _) => (make_key(&places.key)?, true),
        };
        let public = signer.public();
        let installation = match &known {
            Some(known) => known.installation.clone(),
            None => new_name()?,
        };
        match &known {
            Some(known) if known.public == public => {}
            Some(known) if !places.replace => {
                let (path, found) = (places.key.clone(), hex::encode(public));
                return Err(KeyError::Another { path, found, known: hex::encode(known.public) });
            }
            _ => {
                let key = JournalKey { installation: installation.clone(), public };
                if let Err(error) = set_key(store, &key, known.as_ref(), now).await {
                    // Another service that starts on the same database was faster.
                    if is_new {
                        let _ = std::fs::remove_file(&places.key);
                    }
                    return Err(error.into());
                }
            }
        }
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
        let stands = store.journal_head(site).await?;
        let head = Head { size: stands.size, root: Hash(stands.root) };
        let odd =
            || StoreError::Corrupt { table: "journal_key", column: "installation", row: site.to_string() };
        let origin = Origin::new(&signing.installation, site, stands.lineage).ok_or_else(odd)?;
        let checkpoint = Checkpoint { origin, head };
        let key = checkpoint.key(signing.signer.public()).map_err(|_| odd())?;
        let note = SignedNote::sign(&checkpoint.text(), &key, |text| signing.signer.sign(text));

        let page = store.checkpoints(site, PageAsk { after: None, limit: 1 }).await?;
        let last = page.rows.into_iter().next().filter(|kept| kept.lineage == stands.lineage);
        if let Some(last) = last.as_ref().filter(|last| last.note == note) {
            return Ok(Signed { checkpoint, kept: last.clone(), key });
        }
        let filed = signing.newest_file(&checkpoint.origin).await?;
        for (before, place) in [(last.map(|last| last.head), "database"), (filed, "files")] {
            if let Some(before) = before {
                goes_on(store, &checkpoint, before, place).await?;
            }
        }
        signing.file(&checkpoint, &note).await?;
        let kept = KeptCheckpoint { lineage: stands.lineage, head, made_at: now, note };
        store.keep_checkpoint(site, &kept).await?;
        Ok(Signed { checkpoint, kept, key })
    }
}

impl Signing {
    async fn newest_file(&self, origin: &Origin) -> Result<Option<Head>, StoreError> {
        let (folder, origin) = (self.folder.clone(), origin.clone());
        let found = beside(move || files::newest(&folder, &origin)).await?;
        Ok(found.map(|checkpoint| checkpoint.head))
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
async fn goes_on(store: &dyn Store, now: &Checkpoint, before: Head, place: &str) -> Result<(), Failure> {
    let site = now.origin.site;
    let text = if before.size > now.head.size {
        format!(
            "the journal has {} entries, and one of {} was signed before (in the {place}): it was set back or cut off",
            now.head.size, before.size
        )
    } else {
        let spans = [Span::whole(before.size), Span::whole(now.head.size)];
        if store.subtrees(site, &spans).await? == [before.root, now.head.root] {
            return Ok(());
        }
        format!(
            "the journal is not the one of which {} entries were signed before (in the {place}); something was altered",
            before.size
        )
    };
    tracing::error!(journal = %now.origin, text, "nothing is signed");
    let text = format!("{text}; nothing is signed until that is settled, see docs/security.md");
    Err(Error::WrongState { reason: "JOURNAL_ALTERED", subject: now.origin.to_string(), text }.into())
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

fn make_key(path: &Path) -> Result<Signer, KeyError> {
    let (signer, text) = Signer::make().ok_or(KeyError::Random)?;
    write_secret(path, &text).map_err(|source| KeyError::Io { path: path.to_owned(), source })?;
    Ok(signer)
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
