//! Files of a backup: read with their digests, written durably and closed to others, and never over something.

use super::VaultError;
use crate::folder::{close_to_others, folder_of, sync_folder, sync_folder_of};
use sha2::{Digest as _, Sha256};
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::Path;
use tempfile::TempDir;

/// The mode of a folder: its owner's alone.
const FOLDER_MODE: u32 = 0o700;
/// The mode of a file.
const FILE_MODE: u32 = 0o600;
/// Bytes that are read at once.
const PIECE: usize = 1 << 20;

/// How large a file is, and its SHA-256 in hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Seal {
    pub(super) bytes: u64,
    pub(super) sha256: String,
}

/// Reads a file to its end, and hands each piece on.
fn read(path: &Path, mut piece: impl FnMut(&[u8]) -> std::io::Result<()>) -> std::io::Result<Seal> {
    let mut file = File::open(path)?;
    let (mut sha, mut bytes) = (Sha256::new(), 0);
    let mut buffer = vec![0; PIECE];
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok(Seal { bytes, sha256: hex::encode(sha.finalize()) });
        }
        sha.update(&buffer[..count]);
        piece(&buffer[..count])?;
        bytes += count as u64;
    }
}

/// What a file is.
pub(super) fn seal(path: &Path) -> Result<Seal, VaultError> {
    read(path, |_| Ok(())).map_err(VaultError::io(path))
}

/// Copies a file to where nothing stands, closed to others and flushed; gives what was read.
pub(super) fn copy(from: &Path, to: &Path) -> Result<Seal, VaultError> {
    let mut file = File::create_new(to).map_err(VaultError::io(to))?;
    close_to_others(to, FILE_MODE).map_err(VaultError::io(to))?;
    let seal = read(from, |piece| file.write_all(piece)).map_err(VaultError::io(from))?;
    file.sync_all().map_err(VaultError::io(to))?;
    Ok(seal)
}

/// Writes a file to where nothing stands, closed to others and flushed.
pub(super) fn write(path: &Path, text: &str) -> Result<(), VaultError> {
    let written = || {
        let mut file = File::create_new(path)?;
        close_to_others(path, FILE_MODE)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    written().map_err(VaultError::io(path))
}

/// Closes to others and flushes a file that somebody else has written.
pub(super) fn settle(path: &Path) -> Result<(), VaultError> {
    let settled = || {
        close_to_others(path, FILE_MODE)?;
        File::options().write(true).open(path)?.sync_all()
    };
    settled().map_err(VaultError::io(path))
}

/// Makes a folder that is its owner's alone.
pub(super) fn make_folder(path: &Path) -> Result<(), VaultError> {
    let made = || {
        std::fs::create_dir(path)?;
        close_to_others(path, FOLDER_MODE)
    };
    made().map_err(VaultError::io(path))
}

/// Whether nothing stands at a path, or a folder with nothing in it.
pub(super) fn is_free(path: &Path) -> Result<bool, VaultError> {
    match std::fs::read_dir(path) {
        Ok(mut entries) => Ok(entries.next().is_none()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(true),
        Err(error) if error.kind() == std::io::ErrorKind::NotADirectory => Ok(false),
        Err(error) => Err(VaultError::io(path)(error)),
    }
}

/// A folder beside the one that is to be, in which it is made ready: it gets its name when it is whole.
pub(super) struct Draft {
    folder: TempDir,
}

impl Draft {
    /// Begins one for a path at which nothing stands.
    pub(super) fn beside(to: &Path) -> Result<Draft, VaultError> {
        if !is_free(to)? {
            return Err(VaultError::NotEmpty(to.to_owned()));
        }
        let parent = folder_of(to);
        std::fs::create_dir_all(parent).map_err(VaultError::io(parent))?;
        let folder = tempfile::Builder::new().prefix(".fettler-draft-").tempdir_in(parent);
        let folder = folder.map_err(VaultError::io(parent))?;
        close_to_others(folder.path(), FOLDER_MODE).map_err(VaultError::io(folder.path()))?;
        Ok(Draft { folder })
    }

    /// One that never gets a name, for what is needed meanwhile.
    pub(super) fn unnamed() -> Result<Draft, VaultError> {
        let folder = tempfile::Builder::new().prefix("fettler-draft-").tempdir();
        Ok(Draft { folder: folder.map_err(VaultError::io(&std::env::temp_dir()))? })
    }

    /// Where it is made ready.
    pub(super) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Flushes the folder and gives it its name, if still nothing stands there.
    pub(super) fn name(self, to: &Path) -> Result<(), VaultError> {
        sync_folder(self.path()).map_err(VaultError::io(self.path()))?;
        if !is_free(to)? {
            return Err(VaultError::NotEmpty(to.to_owned()));
        }
        // An empty folder there is replaced, and one that is not refuses.
        std::fs::rename(self.path(), to).map_err(VaultError::io(to))?;
        // What would be removed has gone to its name.
        let _ = self.folder.keep();
        sync_folder_of(to).map_err(VaultError::io(folder_of(to)))
    }
}
