//! What a backup says of itself: of what it was made, the journals in it, and each file with its digest.

use super::VaultError;
use super::files::{self, Seal};
use fettler_domain::ids::SiteId;
use fettler_domain::journal::Canonical;
use fettler_domain::time::Ts;
use fettler_store::contract::{JournalHead, Store, StoreError};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The file of a backup's manifest.
pub const MANIFEST: &str = "manifest.json";
/// The file of a backup's database, whichever engine it came from.
pub(super) const DATABASE: &str = "fettler.db";
/// The folder of the checkpoints in a backup.
pub(super) const CHECKPOINTS: &str = "checkpoints";

/// The form that a manifest names.
const FORM: &str = "fettler backup";
/// Its version.
const FORM_VERSION: u32 = 1;
/// A manifest larger than this is some other file: room for some 100,000 checkpoints.
const BYTES_MAX: u64 = 32 << 20;

/// A manifest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// What kind of file this is.
    form: String,
    /// The version of that.
    v: u32,
    /// The program that made it.
    pub by: String,
    /// When it was begun, in microseconds since 1970.
    pub made_at: i64,
    /// Of which engine: `sqlite` or `postgres`. Its database is an SQLite file either way.
    pub engine: String,
    /// The last step of the schema.
    pub schema: i64,
    /// The name of the installation in checkpoints, where it has one.
    pub installation: Option<String>,
    /// The journals.
    pub journals: Vec<JournalStands>,
    /// The files beside this one.
    pub files: Vec<FileIs>,
    /// SHA-256 over the canonical form (RFC 8785) of all the rest.
    sha256: String,
}

/// A journal as it stood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalStands {
    /// The site's number; 0 is the installation.
    pub site: u32,
    /// The site's key; `installation` for that of the installation.
    pub key: String,
    /// The lineage.
    pub lineage: u32,
    /// How many entries.
    pub size: i64,
    /// The RFC 6962 root, in hexadecimal.
    pub root: String,
}

impl JournalStands {
    /// The journals of a store, with the keys of its sites.
    pub(super) async fn of_store(
        store: &dyn Store,
        keys: &BTreeMap<u32, String>,
    ) -> Result<Vec<JournalStands>, StoreError> {
        let key = |site: SiteId| match keys.get(&site.0) {
            _ if site == SiteId::INSTALLATION => "installation".to_owned(),
            Some(key) => key.clone(),
            None => site.to_string(),
        };
        let stands = |(site, head): (SiteId, JournalHead)| JournalStands {
            site: site.0,
            key: key(site),
            lineage: head.lineage,
            size: head.size,
            root: hex::encode(head.root),
        };
        Ok(store.journal_heads().await?.into_iter().map(stands).collect())
    }
}

/// A file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileIs {
    /// Its path in the backup.
    pub path: String,
    /// Its size.
    pub bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
}

impl FileIs {
    pub(super) fn new(path: impl Into<String>, Seal { bytes, sha256 }: Seal) -> FileIs {
        FileIs { path: path.into(), bytes, sha256 }
    }
}

/// What a manifest is made of.
pub(super) struct Stated {
    pub(super) made_at: Ts,
    pub(super) engine: &'static str,
    pub(super) installation: Option<String>,
    pub(super) journals: Vec<JournalStands>,
    pub(super) files: Vec<FileIs>,
}

impl Manifest {
    pub(super) fn of(stated: Stated) -> Manifest {
        let Stated { made_at, engine, installation, journals, files } = stated;
        let manifest = Manifest {
            form: FORM.to_owned(),
            v: FORM_VERSION,
            by: format!("fettlerd {}", env!("CARGO_PKG_VERSION")),
            made_at: made_at.0,
            engine: engine.to_owned(),
            schema: fettler_store::schema(),
            installation,
            journals,
            files,
            sha256: String::new(),
        };
        Manifest { sha256: manifest.digest(), ..manifest }
    }

    /// When the backup was begun.
    pub fn made_at(&self) -> Ts {
        Ts(self.made_at)
    }

    /// The digest of all but itself.
    fn digest(&self) -> String {
        let mut value = serde_json::to_value(self).unwrap_or_default();
        if let Value::Object(fields) = &mut value {
            fields.remove("sha256");
        }
        let canonical = Canonical::of(&value).map(|canonical| canonical.as_str().to_owned());
        hex::encode(Sha256::digest(canonical.unwrap_or_default()))
    }

    /// The text of its file.
    pub(super) fn text(&self) -> String {
        let text = serde_json::to_string_pretty(self).unwrap_or_default();
        format!("{text}\n")
    }

    /// Reads the manifest of a backup; it is as it was written.
    pub fn read(folder: &Path) -> Result<Manifest, VaultError> {
        let path = folder.join(MANIFEST);
        let length = std::fs::metadata(&path).map_err(VaultError::io(&path))?.len();
        let damaged = |what: &str| VaultError::Damaged { path: path.clone(), what: what.to_owned() };
        if length > BYTES_MAX {
            return Err(damaged("is too large to be a manifest"));
        }
        let text = std::fs::read_to_string(&path).map_err(VaultError::io(&path))?;
        let manifest: Manifest = serde_json::from_str(&text)
            .map_err(|_| damaged("is not the manifest of a backup, or was altered"))?;
        if manifest.form != FORM || manifest.v != FORM_VERSION {
            return Err(damaged("is of a form that this program does not know"));
        }
        if manifest.digest() != manifest.sha256 {
            return Err(damaged("was altered: it does not give its own digest"));
        }
        if let Some(odd) = manifest.files.iter().find(|file| !is_plain(&file.path)) {
            return Err(damaged(&format!("names a file that no backup has: {:?}", odd.path)));
        }
        if !manifest.files.iter().any(|file| file.path == DATABASE) {
            return Err(damaged("names no database"));
        }
        Ok(manifest)
    }

    /// Its files, each with its place in a folder.
    pub(super) fn places(&self, folder: &Path) -> Vec<(PathBuf, &FileIs)> {
        self.files.iter().map(|file| (folder.join(&file.path), file)).collect()
    }
}

/// Whether a path is one of a backup's own.
fn is_plain(path: &str) -> bool {
    let name = match path.split_once('/') {
        Some((CHECKPOINTS, name)) => name,
        Some(_) => return false,
        None => return path == DATABASE,
    };
    !name.is_empty() && name != "." && name != ".." && !name.contains(['/', '\\', '\0'])
}

/// Refuses a file that is not what the manifest says.
pub(super) fn compare(path: &Path, said: &FileIs, found: &Seal) -> Result<(), VaultError> {
    let what = if found.bytes != said.bytes {
        format!("has {} bytes and should have {}", found.bytes, said.bytes)
    } else if found.sha256 != said.sha256 {
        "is not what was written: its bytes do not give the digest in the manifest".to_owned()
    } else {
        return Ok(());
    };
    Err(VaultError::Damaged { path: path.to_owned(), what })
}

/// Reads each file of a backup and compares it with the manifest.
pub(super) fn verify(folder: &Path, manifest: &Manifest) -> Result<(), VaultError> {
    for (path, said) in manifest.places(folder) {
        if !path.is_file() {
            return Err(VaultError::Damaged { path, what: "is missing".to_owned() });
        }
        compare(&path, said, &files::seal(&path)?)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(folder: &Path) -> Manifest {
        std::fs::write(folder.join(DATABASE), "rows").unwrap();
        let files = vec![FileIs::new(DATABASE, files::seal(&folder.join(DATABASE)).unwrap())];
        let journals = vec![JournalStands {
            site: 0,
            key: "installation".into(),
            lineage: 1,
            size: 3,
            root: "ab".repeat(32),
        }];
        let stated = Stated { made_at: Ts(7), engine: "sqlite", installation: None, journals, files };
        Manifest::of(stated)
    }

    #[test]
    fn a_manifest_is_read_as_it_was_written_and_not_otherwise() {
        let folder = tempfile::tempdir().unwrap();
        let manifest = made(folder.path());
        let path = folder.path().join(MANIFEST);
        std::fs::write(&path, manifest.text()).unwrap();
        assert_eq!(Manifest::read(folder.path()).unwrap(), manifest);
        verify(folder.path(), &manifest).unwrap();
        // Every byte of it counts but the spaces between its parts.
        let text = manifest.text();
        for at in (0..text.len()).filter(|at| !text.as_bytes()[*at].is_ascii_whitespace()) {
            let mut bent = text.clone().into_bytes();
            bent[at] ^= 1;
            std::fs::write(&path, bent).unwrap();
            let refused = Manifest::read(folder.path()).unwrap_err().to_string();
            assert!(refused.contains(MANIFEST), "byte {at}: {refused}");
        }
    }

    #[test]
    fn a_file_that_is_not_as_written_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let manifest = made(folder.path());
        let database = folder.path().join(DATABASE);
        for (text, says) in [("rowz", "do not give the digest"), ("row", "has 3 bytes and should have 4")] {
            std::fs::write(&database, text).unwrap();
            let refused = verify(folder.path(), &manifest).unwrap_err().to_string();
            assert!(refused.contains(says) && refused.contains(DATABASE), "{refused}");
        }
        std::fs::remove_file(&database).unwrap();
        assert!(verify(folder.path(), &manifest).unwrap_err().to_string().contains("is missing"));
    }

    #[test]
    fn a_path_leads_nowhere_else() {
        for fine in [DATABASE, "checkpoints/fettler.a.site-1.lineage-1.0000000000000003.txt"] {
            assert!(is_plain(fine), "{fine}");
        }
        for odd in [
            "",
            "/etc/passwd",
            "../fettler.db",
            "checkpoints/../x",
            "checkpoints/",
            "checkpoints/..",
            "other",
            "x/y",
        ] {
            assert!(!is_plain(odd), "{odd}");
        }
    }
}
