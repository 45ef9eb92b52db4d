//! Checkpoints kept as files outside the database, so that a database that was set back or rewritten is found out: a file
//! for each, never written again under its name.

use crate::folder::sync_folder_of;
use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::note::SignedNote;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// What the names of files of checkpoints end with.
const ENDING: &str = ".txt";

/// The file of a checkpoint.
fn path_of(folder: &Path, origin: &Origin, size: i64) -> PathBuf {
    folder.join(format!("{}{size:016}{ENDING}", beginning(origin)))
}

/// What the names of a journal's files begin with.
fn beginning(origin: &Origin) -> String {
    // The installation as well: several may keep theirs in one folder.
    format!("{}.", origin.to_string().replace('/', "."))
}

/// All files of checkpoints in a folder, of whatever installation, in the order of their names; none where there is no such
/// folder.
pub(crate) fn kept_files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut paths: Vec<PathBuf> = match std::fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries?.map(|entry| Ok(entry?.path())).collect::<std::io::Result<_>>()?,
    };
    let is_checkpoint = |name: &str| name.starts_with("fettler.") && name.ends_with(ENDING);
    paths.retain(|path| path.file_name().and_then(|name| name.to_str()).is_some_and(is_checkpoint));
    paths.sort();
    Ok(paths)
}

/// A file of a checkpoint, by what its name says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Named {
    pub(super) lineage: u32,
    pub(super) size: i64,
    path: PathBuf,
}

/// The files of a journal's checkpoints, of all its lineages.
pub(super) fn of_journal(folder: &Path, journal: &Origin) -> std::io::Result<Vec<Named>> {
    let named = |path: PathBuf| {
        let (origin, size) = path.file_name()?.to_str()?.strip_suffix(ENDING)?.rsplit_once('.')?;
        let origin =
            Origin::parse(&origin.replace('.', "/")).filter(|origin| origin.is_of_the_journal(journal))?;
        Some(Named { lineage: origin.lineage, size: size.parse().ok()?, path })
    };
    Ok(kept_files(folder)?.into_iter().filter_map(named).collect())
}

/// Reads what was kept.
pub(super) fn read(named: &Named) -> std::io::Result<Checkpoint> {
    let note = std::fs::read_to_string(&named.path)?;
    let read = SignedNote::parse(&note).ok().and_then(|note| Checkpoint::parse(note.text()));
    let odd = || std::io::Error::other(format!("{} is not a checkpoint", named.path.display()));
    read.ok_or_else(odd)
}

/// Keeps a note under the name of its checkpoint, whole or not at all. A file that has that name already is left as it is.
pub(super) fn keep(folder: &Path, checkpoint: &Checkpoint, note: &str) -> std::io::Result<()> {
    let path = path_of(folder, &checkpoint.origin, checkpoint.head.size);
    if path.exists() {
        return Ok(());
    }
    std::fs::create_dir_all(folder)?;
    let mut draft = tempfile::NamedTempFile::new_in(folder)?;
    draft.write_all(note.as_bytes())?;
    draft.as_file().sync_all()?;
    match draft.persist_noclobber(&path) {
        // Another service was faster.
        Err(error) if error.error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(error) => Err(error.error),
        Ok(_) => sync_folder_of(&path),
    }
}
