//! Checkpoints: what a journal was at a size, in the published form of C2SP (c2sp.org/tlog-checkpoint). Signed, and kept
//! elsewhere, one shows later that nothing before it was changed.

use super::lineage::Stand;
use super::note::{NoteError, SignedNote, VerifierKey, Verify};
use super::proof::Head;
use super::tree::Hash;
use crate::ids::SiteId;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use std::fmt;

/// Which journal: the installation, the site's number, and the lineage. It is the first line of a checkpoint, and the name
/// under which the installation's key signs it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Origin {
    installation: String,
    /// The site whose journal it is; 0 is the installation's own.
    pub site: SiteId,
    /// The lineage.
    pub lineage: u32,
}

impl Origin {
    /// The origin of a journal; an installation is named by lower-case letters and digits.
    pub fn new(installation: &str, site: SiteId, lineage: u32) -> Option<Origin> {
        let is_plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
        let fits = !installation.is_empty() && installation.bytes().all(is_plain);
        fits.then(|| Origin { installation: installation.to_owned(), site, lineage })
    }

    /// Reads `fettler/INSTALLATION/site-N/lineage-N`.
    pub fn parse(text: &str) -> Option<Origin> {
        let mut parts = text.split('/');
        let (head, installation) = (parts.next()?, parts.next()?);
        let site = parts.next()?.strip_prefix("site-")?.parse().ok()?;
        let lineage = parts.next()?.strip_prefix("lineage-")?.parse().ok()?;
        let origin = Origin::new(installation, SiteId(site), lineage)?;
        (head == "fettler" && origin.to_string() == text).then_some(origin)
    }

    /// The same journal in another lineage.
    #[must_use]
    pub fn in_lineage(&self, lineage: u32) -> Origin {
        Origin { lineage, ..self.clone() }
    }

    /// Whether it is the same journal, of whatever lineage.
    pub fn is_of_the_journal(&self, other: &Origin) -> bool {
        self.in_lineage(other.lineage) == *other
    }
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "fettler/{}/site-{}/lineage-{}", self.installation, self.site, self.lineage)
    }
}

/// A journal at a size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// Which journal.
    pub origin: Origin,
    /// Its size and root.
    pub head: Head,
}

impl Checkpoint {
    /// The text that is signed.
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.head.size, STANDARD.encode(self.head.root.0))
    }

    /// Reads the text of a checkpoint; lines beyond the third are passed over, as the published form wants it.
    pub fn parse(text: &str) -> Option<Checkpoint> {
        let mut lines = text.strip_suffix('\n')?.split('\n');
        let origin = Origin::parse(lines.next()?)?;
        let written = lines.next()?;
        let size: i64 = written.parse().ok()?;
        let root = STANDARD.decode(lines.next()?).ok()?.try_into().ok()?;
        let fits = size >= 0 && size.to_string() == written && lines.all(|line| !line.is_empty());
        fits.then_some(Checkpoint { origin, head: Head { size, root: Hash(root) } })
    }

    /// The key that signs this journal's checkpoints, by its public half.
    pub fn key(&self, public: [u8; 32]) -> Result<VerifierKey, NoteError> {
        VerifierKey::new(self.origin.to_string(), public)
    }

    /// The checkpoint of a note that this key has signed. A key is named by a journal and one lineage of it, and stands for
    /// the others as well: after a restore the same key signs on under another name.
    pub fn of_note(note: &str, key: &VerifierKey, verify: Verify) -> Result<Checkpoint, NoteError> {
        let note = SignedNote::parse(note)?;
        let origin = note.text().lines().next().and_then(Origin::parse);
        let signer = match (origin, Origin::parse(key.name())) {
            (Some(origin), Some(named)) if origin.is_of_the_journal(&named) => {
                &VerifierKey::new(origin.to_string(), *key.public())?
            }
            _ => key,
        };
        note.proven_by(signer, verify)?;
        let checkpoint = Checkpoint::parse(note.text());
        let checkpoint = checkpoint.ok_or(NoteError::NotNote("its text is not a checkpoint of a journal"))?;
        if checkpoint.origin.to_string() == signer.name() {
            Ok(checkpoint)
        } else {
            Err(NoteError::NotNote("it is of another journal than its key"))
        }
    }

    /// The checkpoint of a note that one of these keys has signed, several where one took another's place. The error is that of
    /// a signature that does not fit, where there is one, else that of the last key.
    pub fn of_any(note: &str, keys: &[VerifierKey], verify: Verify) -> Result<Checkpoint, NoteError> {
        let mut fault = NoteError::NotKey;
        for key in keys {
            match (Checkpoint::of_note(note, key, verify), &fault) {
                (Ok(checkpoint), _) => return Ok(checkpoint),
                (Err(_), NoteError::Altered(_)) => {}
                (Err(error), _) => fault = error,
            }
        }
        Err(fault)
    }

    /// What a note says; whether it is to be believed is another question.
    pub fn told_by(note: &str) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::parse(SignedNote::parse(note)?.text());
        checkpoint.ok_or(NoteError::NotNote("its text is not a checkpoint of a journal"))
    }

    /// The checkpoint of a note that an installation has signed, one of those whose keys these are, by name and public half;
    /// none where it is of another. The error says why one that claims to be theirs is not.
    pub fn of_ours<'k>(
        note: &str,
        keys: impl IntoIterator<Item = (&'k str, [u8; 32])>,
        verify: Verify,
    ) -> Result<Option<Checkpoint>, NoteError> {
        let told = Checkpoint::told_by(note)?;
        let mut fault = None;
        for (_, public) in keys.into_iter().filter(|(name, _)| *name == told.origin.installation) {
            match Checkpoint::of_note(note, &told.key(public)?, verify) {
                Ok(checkpoint) => return Ok(Some(checkpoint)),
                Err(error) => fault = Some(error),
            }
        }
        fault.map_or(Ok(None), Err)
    }

    /// What it says of its journal.
    pub fn stand(&self) -> Stand {
        Stand { lineage: self.origin.lineage, head: self.head }
    }
}
