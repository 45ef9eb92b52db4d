//! Checkpoints kept as files outside the database, so that a database that was set back or rewritten is found out: a file
//! for each, never written again under its name.

use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::note::SignedNote;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// The file of a checkpoint.
fn path_of(folder: &Path, origin: &Origin, size: i64) -> PathBuf {
    folder.join(format!("{}{size:016}.txt", beginning(origin)))
}

/// What the names of a journal's files begin with.
fn beginning(origin: &Origin) -> String {
    format!("site-{}.lineage-{}.", origin.site, origin.lineage)
}

/// The newest checkpoint of a journal that was kept; none when none was.
pub(super) fn newest(folder: &Path, origin: &Origin) -> std::io::Result<Option<Checkpoint>> {
    let beginning = beginning(origin);
    let names = match std::fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        entries => entries?.map(|entry| Ok(entry?.file_name())).collect::<std::io::Result<Vec<_>>>()?,
    };
    let size = |name: &str| name.strip_prefix(&beginning)?.strip_suffix(".txt")?.parse::<i64>().ok();
    let sized = names.into_iter().filter_map(|name| Some((size(name.to_str()?)?, name)));
    let Some((_, name)) = sized.max() else { return Ok(None) };
    let path = folder.join(name);
    let note = std::fs::read_to_string(&path)?;
    let read = SignedNote::parse(&note).ok().and_then(|note| Checkpoint::parse(note.text()));
    let odd = || std::io::Error::other(format!("{} is not a checkpoint", path.display()));
    read.ok_or_else(odd).map(Some)
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
        Ok(_) => Ok(()),
    }
}
