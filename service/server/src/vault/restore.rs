//! `fettlerd restore`.

use super::backup::notes_of;
use super::check::whole;
use super::files::{self, Draft};
use super::manifest::{CHECKPOINTS, DATABASE, MANIFEST, Manifest, compare};
use super::{Report, RestoreArguments, VaultError, site_keys, whose};
use crate::folder::sync_folder;
use crate::notary::signer::verify;
use crate::notary::{Places, kept_files};
use fettler_domain::ids::SiteId;
use fettler_domain::journal::checkpoint::{Checkpoint, Origin};
use fettler_domain::journal::lineage::{self, Opening, Stand};
use fettler_domain::time::Ts;
use fettler_store::contract::{Caller, KeptNote, PageAsk, Restore, Store, StoreError};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The database while it is made ready.
const WORK: &str = "restoring.db";

/// Restores a backup to where nothing stands: what it holds is verified and checked first, each journal goes on in a lineage
/// of its own, and the place gets its name when all of that is done.
pub async fn restore(arguments: &RestoreArguments, now: Ts) -> Result<Report, VaultError> {
    let RestoreArguments { from, to, checkpoints } = arguments;
    if !from.join(MANIFEST).is_file() {
        return Err(VaultError::Nothing(from.join(MANIFEST)));
    }
    let manifest = Manifest::read(from)?;
    let is_database = to.contains("://");
    let draft = if is_database { Draft::unnamed()? } else { Draft::beside(Path::new(to))? };
    let kept = fetch(from, &manifest, checkpoints, draft.path())?;

    let work = draft.path().join(WORK);
    let failed = |error| VaultError::store(&from.display().to_string())(error);
    let store = fettler_store::open(&work.to_string_lossy()).await.map_err(failed)?;
    let notes = notes_of(&Ok(kept));
    let within = notes.iter().filter(|note| is_within(note, &manifest)).cloned().collect::<Vec<_>>();
    let mut report = whole(store, &within, Some(&manifest)).await.map_err(failed)?;
    if report.faults > 0 {
        report.say(format!("nothing was restored to {}; take an earlier backup", fettler_store::shown(to)));
        return Ok(report);
    }
    let opened = open_lineages(&work, &notes, &manifest, now).await.map_err(failed)?;
    if is_database {
        let copied = fettler_store::copy(&work.to_string_lossy(), to).await;
        copied.map_err(VaultError::store(to))?;
    } else {
        finish(&draft, &work).await?;
        draft.name(Path::new(to))?;
    }
    tell(&mut report, &manifest, to, &opened);
    Ok(report)
}

/// Copies a backup's files, each as its manifest says it is, and checkpoints that are kept elsewhere; gives where all
/// checkpoints are.
fn fetch(
    from: &Path,
    manifest: &Manifest,
    checkpoints: &[PathBuf],
    draft: &Path,
) -> Result<Vec<PathBuf>, VaultError> {
    let folder = draft.join(CHECKPOINTS);
    files::make_folder(&folder)?;
    for (path, said) in manifest.places(from) {
        if !path.is_file() {
            return Err(VaultError::Damaged { path, what: "is missing".to_owned() });
        }
        let to = if said.path == DATABASE { draft.join(WORK) } else { draft.join(&said.path) };
        compare(&path, said, &files::copy(&path, &to)?)?;
    }
    for kept in checkpoints {
        for path in kept_files(kept).map_err(VaultError::io(kept))? {
            let Some(name) = path.file_name() else { continue };
            let to = folder.join(name);
            if !to.exists() {
                files::copy(&path, &to)?;
            }
        }
    }
    sync_folder(&folder).map_err(VaultError::io(&folder))?;
    kept_files(&folder).map_err(VaultError::io(&folder))
}

/// Whether a checkpoint is of no more than what a backup holds, so that the backup must agree with it.
fn is_within(note: &KeptNote, manifest: &Manifest) -> bool {
    let Ok(checkpoint) = Checkpoint::told_by(&note.note) else { return true };
    let Origin { site, lineage, .. } = checkpoint.origin;
    let journal = manifest.journals.iter().find(|journal| journal.site == site.0);
    journal.is_some_and(|journal| {
        lineage < journal.lineage || (lineage == journal.lineage && checkpoint.head.size <= journal.size)
    })
}

/// Opens a lineage in each journal that no checkpoint knows.
async fn open_lineages(
    work: &Path,
    notes: &[KeptNote],
    manifest: &Manifest,
    now: Ts,
) -> Result<Vec<(String, Opening)>, StoreError> {
    let store = fettler_store::open(&work.to_string_lossy()).await?;
    let mut known: Vec<u32> = manifest.journals.iter().map(|journal| journal.lineage).collect();
    let mut cites: BTreeMap<SiteId, Stand> = BTreeMap::new();
    for (site, stand) in stands(&*store, notes).await? {
        known.push(stand.lineage);
        let newest = cites.entry(site).or_insert(stand);
        if (stand.lineage, stand.head.size) > (newest.lineage, newest.head.size) {
            *newest = stand;
        }
    }
    let restore = Restore { lineage: lineage::next(known, now), made_at: manifest.made_at(), cites };
    let caller =
        Caller { token: None, method: "Restore", request: None, now, person: None, as_manager: true };
    let opened = store.open_lineages(&caller, &restore).await?;
    let keys = site_keys(&*store).await?;
    store.shut().await;
    Ok(opened.into_iter().map(|(site, opening)| (whose(site, &keys), opening)).collect())
}

/// What is known to have been signed of this installation's journals: in the database, and of the notes those that its key
/// has signed.
async fn stands(store: &dyn Store, notes: &[KeptNote]) -> Result<Vec<(SiteId, Stand)>, StoreError> {
    let Some(key) = store.journal_key().await? else { return Ok(Vec::new()) };
    let mut all = Vec::new();
    for (site, _) in store.journal_heads().await? {
        let newest = store.checkpoints(site, PageAsk { after: None, limit: 1 }).await?.rows.pop();
        all.extend(newest.map(|kept| (site, Stand { lineage: kept.lineage, head: kept.head })));
    }
    for note in notes {
        let ours = [(key.installation.as_str(), key.public)];
        if let Ok(Some(checkpoint)) = Checkpoint::of_ours(&note.note, ours, verify) {
            all.push((checkpoint.origin.site, checkpoint.stand()));
        }
    }
    Ok(all)
}

/// Makes of the database one file that is whole by itself, under the name by which it is served.
async fn finish(draft: &Draft, work: &Path) -> Result<(), VaultError> {
    let (from, file) = (work.display().to_string(), draft.path().join(DATABASE));
    fettler_store::backup(&from, &file).await.map_err(VaultError::store(&from))?;
    files::settle(&file)?;
    for ending in ["", "-wal", "-shm"] {
        let path = PathBuf::from(format!("{from}{ending}"));
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(VaultError::io(&path)(error));
            }
            _ => {}
        }
    }
    Ok(())
}

fn tell(report: &mut Report, manifest: &Manifest, to: &str, opened: &[(String, Opening)]) {
    report.say(format!("restored the backup of {} to {}", manifest.made_at(), fettler_store::shown(to)));
    for (whose, opening) in opened {
        report.say(format!("journal of {whose}: {}", opening.words()));
    }
    let key = if to.contains("://") {
        "say where it is when serving: --journal-key FILE".to_owned()
    } else {
        format!(
            "copy it to {}, or say where it is when serving: --journal-key FILE",
            Places::within(Path::new(to)).key.display()
        )
    };
    report.say(format!("the signing key is not in a backup: {key}"));
    report.say(format!(
        "tokens that were taken back after {} are valid again: look with `fettlerd token list`, and take them back again before serving",
        manifest.made_at()
    ));
    report.say(format!(
        "what was recorded after {} is gone: let each source push its reports since then again, and enter the rest again",
        manifest.made_at()
    ));
}
