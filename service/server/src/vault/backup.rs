//! `fettlerd backup`.

use super::files::{self, Draft};
use super::manifest::{CHECKPOINTS, DATABASE, FileIs, JournalStands, MANIFEST, Manifest, Stated};
use super::{BackupArguments, Report, VaultError, location, site_keys, whose};
use crate::folder::sync_folder;
use crate::notary::signer::verify;
use crate::notary::{Places, kept_files};
use fettler_domain::time::Ts;
use fettler_store::contract::{KeptNote, StoreError};
use std::path::Path;

/// Makes a backup while others read and write: a folder that is whole, checked and flushed before it has its name.
pub async fn backup(arguments: &BackupArguments, now: Ts) -> Result<Report, VaultError> {
    let folder = arguments.place.folder()?;
    let database = arguments.place.database.as_deref();
    let from = location(&folder, database)?;
    let kept = arguments.checkpoints.clone().unwrap_or_else(|| Places::within(&folder).checkpoints);
    let draft = Draft::beside(&arguments.to)?;

    // The checkpoints before the database, so that none is of entries that the database has not.
    let mut all = copy_checkpoints(&kept, draft.path())?;
    let file = draft.path().join(DATABASE);
    fettler_store::backup(&from, &file).await.map_err(VaultError::store(&from))?;
    files::settle(&file)?;
    all.insert(0, FileIs::new(DATABASE, files::seal(&file)?));

    let notes = notes_of(&kept_files(&draft.path().join(CHECKPOINTS)));
    let (stated, mut report) = look(&file, &notes).await.map_err(VaultError::store(DATABASE))?;
    let engine = if database.is_some() { "postgres" } else { "sqlite" };
    let manifest = Manifest::of(Stated { made_at: now, engine, files: all, ..stated });
    files::write(&draft.path().join(MANIFEST), &manifest.text())?;
    draft.name(&arguments.to)?;

    let bytes: u64 = manifest.files.iter().map(|file| file.bytes).sum();
    let (from, to, count) = (fettler_store::shown(&from), arguments.to.display(), manifest.files.len());
    report
        .lines
        .insert(0, format!("backup of {from} in {to}: {count} files with {bytes} bytes, and {MANIFEST}"));
    report.say(format!(
        "the signing key is not in it: keep a copy of {} apart from it. Of tokens it holds names, roles and hashes, none that lets anybody in",
        Places::within(&folder).key.display()
    ));
    Ok(report)
}

/// Copies the checkpoints that are kept outside the database into a backup.
fn copy_checkpoints(kept: &Path, draft: &Path) -> Result<Vec<FileIs>, VaultError> {
    let folder = draft.join(CHECKPOINTS);
    files::make_folder(&folder)?;
    let mut all = Vec::new();
    for path in kept_files(kept).map_err(VaultError::io(kept))? {
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else { continue };
        all.push(FileIs::new(format!("{CHECKPOINTS}/{name}"), files::copy(&path, &folder.join(name))?));
    }
    sync_folder(&folder).map_err(VaultError::io(&folder))?;
    Ok(all)
}

/// The notes in files of checkpoints. What cannot be read is told as a note that is none.
pub(super) fn notes_of(paths: &std::io::Result<Vec<std::path::PathBuf>>) -> Vec<KeptNote> {
    let read = |path: &std::path::PathBuf| {
        let note = std::fs::read_to_string(path).unwrap_or_default();
        KeptNote { place: path.display().to_string(), note }
    };
    paths.iter().flatten().map(read).collect()
}

/// What a backup's file holds, and what checking it found.
async fn look(file: &Path, notes: &[KeptNote]) -> Result<(Stated, Report), StoreError> {
    let store = fettler_store::look_at_file(file).await?;
    let keys = site_keys(&*store).await?;
    let installation = store.journal_key().await?.map(|key| key.installation);
    let journals = JournalStands::of_store(&*store, &keys).await?;
    let mut report = Report::default();
    report.parts(&store.check(notes, verify).await?, &|site| whose(site, &keys));
    store.shut().await;
    let (made_at, engine, files) = (Ts::MIN, "", Vec::new());
    Ok((Stated { made_at, engine, installation, journals, files }, report))
}
