//! The data folder: whose it is, that one service at a time has it, and the administrator's token in it.

use crate::auth::{hash, new_token};
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, NewToken, Store};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// The file that holds the administrator's token.
pub const TOKEN_FILE: &str = "admin.token";
/// The database file.
const DATABASE_FILE: &str = "fettler.db";
/// The file that the running service holds a lock on.
const LOCK_FILE: &str = "fettlerd.lock";

/// Why a data folder cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// Another service runs on it.
    #[error("another fettlerd runs on {0}; stop it, or give another folder with --data")]
    Taken(PathBuf),
    /// A file in it cannot be made or written.
    #[error("cannot use {path}; see that the folder exists and is yours")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// No random bits.
    #[error("the system gives no random bits for a token: {0}")]
    Random(getrandom::Error),
    /// The store failed.
    #[error("the store does not take the token")]
    Store(#[from] fettler_store::contract::StoreError),
}

/// The database file of a data folder.
pub fn database_file(folder: &Path) -> PathBuf {
    folder.join(DATABASE_FILE)
}

/// A data folder that this process holds until it ends.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    /// Unlocked by the system when the process ends, however it ends.
    _lock: File,
}

impl Folder {
    /// Makes the folder if it is not there, closes it to others, and takes its lock.
    pub fn take(path: &Path) -> Result<Folder, FolderError> {
        let io = |path: &Path| {
            let path = path.to_owned();
            move |source| FolderError::Io { path, source }
        };
        std::fs::create_dir_all(path).map_err(io(path))?;
        close_to_others(path, 0o700).map_err(io(path))?;
        let lock_path = path.join(LOCK_FILE);
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&lock_path);
        let lock = lock.map_err(io(&lock_path))?;
        match lock.try_lock() {
            Ok(()) => Ok(Folder { path: path.to_owned(), _lock: lock }),
            Err(TryLockError::WouldBlock) => Err(FolderError::Taken(path.to_owned())),
            Err(TryLockError::Error(source)) => Err(FolderError::Io { path: lock_path, source }),
        }
    }

    /// The folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where the store is: the database that was named, or else a file in the folder.
    pub fn store_location(&self, database: Option<&str>) -> String {
        database.map_or_else(|| format!("sqlite:{}", database_file(&self.path).display()), str::to_owned)
    }

    /// Where the administrator's token stands.
    pub fn token_path(&self) -> PathBuf {
        self.path.join(TOKEN_FILE)
    }

    /// On the first start: makes the administrator's token.
    ///
    /// The file is written before the store knows the token: a start that breaks off between the two makes another
    /// token next time, while the reverse would leave a service that nobody can enter.
    pub async fn first_token(&self, store: &dyn Store, now: Ts) -> Result<(), FolderError> {
        if store.has_tokens().await? {
            return Ok(());
        }
        let token = new_token().map_err(FolderError::Random)?;
        let path = self.token_path();
        write_secret(&path, &token).map_err(|source| FolderError::Io { path, source })?;
        let caller =
            Caller { token: None, method: "FirstStart", request: None, now, person: None, as_manager: true };
        store.add_token(&caller, &NewToken::admin("admin", hash(&token))).await?;
        Ok(())
    }
}

/// Writes a secret that only its owner can read, whole or not at all.
fn write_secret(path: &Path, secret: &str) -> std::io::Result<()> {
    draft_of(path, secret)?.persist(path)?;
    sync_folder_of(path)
}

/// The same where nothing has that name; what has it is left as it is.
pub(crate) fn write_new_secret(path: &Path, secret: &str) -> std::io::Result<()> {
    draft_of(path, secret)?.persist_noclobber(path)?;
    sync_folder_of(path)
}

/// A file beside the place that a secret is to have, readable by its owner alone, as such files are made.
fn draft_of(path: &Path, secret: &str) -> std::io::Result<tempfile::NamedTempFile> {
    let mut draft = tempfile::NamedTempFile::new_in(folder_of(path))?;
    writeln!(draft, "{secret}")?;
    draft.as_file().sync_all()?;
    Ok(draft)
}

/// The folder in which a path stands.
pub(crate) fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Makes a new name durable.
pub(crate) fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    sync_folder(folder_of(path))
}

/// Makes the names in a folder durable.
pub(crate) fn sync_folder(folder: &Path) -> std::io::Result<()> {
    // Elsewhere a folder cannot be opened.
    if cfg!(unix) { std::fs::File::open(folder)?.sync_all() } else { Ok(()) }
}

/// Takes a file's or folder's other users' rights away.
#[cfg(unix)]
pub(crate) fn close_to_others(path: &Path, mode: u32) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))
}

/// Takes a file's or folder's other users' rights away.
#[cfg(not(unix))]
pub(crate) fn close_to_others(_: &Path, _: u32) -> std::io::Result<()> {
    // Elsewhere a user's data folder is closed to others by default.
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_service_at_a_time_has_a_folder_and_it_is_closed_to_others() {
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join("new/data");
        let folder = Folder::take(&path).unwrap();
        assert!(matches!(Folder::take(&path), Err(FolderError::Taken(taken)) if taken == path));
        write_secret(&folder.token_path(), "first").unwrap();
        write_secret(&folder.token_path(), "second").unwrap();
        assert_eq!(std::fs::read_to_string(folder.token_path()).unwrap(), "second\n");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
            assert_eq!(mode(&path), 0o700);
            assert_eq!(mode(&folder.token_path()), 0o600);
        }
        drop(folder);
        Folder::take(&path).unwrap();
    }
}
