//! `fettlerd check`.

use super::backup::notes_of;
use super::files::Draft;
use super::manifest::{self, CHECKPOINTS, DATABASE, JournalStands, MANIFEST, Manifest};
use super::{CheckArguments, Report, VaultError, location, site_keys, whose};
use crate::config::PlaceArguments;
use crate::notary::signer::verify;
use crate::notary::{Places, kept_files};
use fettler_store::contract::{Fault, KeptNote, Part, Store, StoreError};
use std::path::Path;
use std::sync::Arc;

/// What to do where a backup's manifest and its database do not fit.
const OTHER: &str = "take another backup";

/// Checks a data folder, a database or a backup, and changes nothing.
pub async fn check(arguments: &CheckArguments) -> Result<Report, VaultError> {
    let place = PlaceArguments { data: arguments.folder.clone(), database: arguments.database.clone() };
    let folder = place.folder()?;
    if arguments.folder.is_some() && folder.join(MANIFEST).is_file() {
        return check_backup(&folder).await;
    }
    let location = location(&folder, arguments.database.as_deref())?;
    let kept = arguments.checkpoints.clone().unwrap_or_else(|| Places::within(&folder).checkpoints);
    let failed = VaultError::store(&location);
    let checked = async {
        let store = fettler_store::look(&location).await?;
        whole(store, &notes_of(&kept_files(&kept)), None).await
    };
    let mut report = checked.await.map_err(failed)?;
    report.lines.insert(0, format!("checked {}", fettler_store::shown(&location)));
    Ok(report)
}

async fn check_backup(folder: &Path) -> Result<Report, VaultError> {
    let manifest = Manifest::read(folder)?;
    manifest::verify(folder, &manifest)?;
    let file = folder.join(DATABASE);
    let notes = notes_of(&kept_files(&folder.join(CHECKPOINTS)));
    let failed = VaultError::store(&file.display().to_string());
    let mut report = if manifest.schema == fettler_store::schema() {
        let checked =
            async { whole(fettler_store::look_at_file(&file).await?, &notes, Some(&manifest)).await };
        checked.await.map_err(failed)?
    } else {
        // One of an earlier schema is brought up to date in a copy, and checked there.
        let draft = Draft::unnamed()?;
        let copy = draft.path().join(DATABASE);
        super::files::copy(&file, &copy)?;
        let checked = async {
            whole(fettler_store::open(&copy.to_string_lossy()).await?, &notes, Some(&manifest)).await
        };
        checked.await.map_err(failed)?
    };
    report.lines.insert(
        0,
        format!(
            "checked the backup {} of {}: {} files as the manifest says",
            folder.display(),
            manifest.made_at(),
            manifest.files.len()
        ),
    );
    Ok(report)
}

/// Checks all of a store, and that it is what a manifest says.
pub(super) async fn whole(
    store: Arc<dyn Store>,
    notes: &[KeptNote],
    manifest: Option<&Manifest>,
) -> Result<Report, StoreError> {
    let keys = site_keys(&*store).await?;
    let mut parts = store.check(notes, verify).await?;
    if let Some(manifest) = manifest {
        parts.push(compare(&*store, manifest, &keys).await?);
    }
    store.shut().await;
    let mut report = Report::default();
    report.parts(&parts, &|site| whose(site, &keys));
    report.say(match report.faults {
        0 => "no fault found".to_owned(),
        1 => "1 fault found".to_owned(),
        many => format!("{many} faults found"),
    });
    Ok(report)
}

/// Whether a backup's database holds what its manifest says.
async fn compare(
    store: &dyn Store,
    manifest: &Manifest,
    keys: &std::collections::BTreeMap<u32, String>,
) -> Result<Part, StoreError> {
    let mut part = Part::new("manifest", None);
    if JournalStands::of_store(store, keys).await? != manifest.journals {
        let what = format!("{MANIFEST} tells of other journals than {DATABASE} holds");
        part.faults.push(Fault { what, remedy: OTHER });
    }
    if store.journal_key().await?.map(|key| key.installation) != manifest.installation {
        let what = format!("{MANIFEST} names another installation than {DATABASE}");
        part.faults.push(Fault { what, remedy: OTHER });
    }
    part.seen = format!("{} journals as it says", manifest.journals.len());
    Ok(part)
}
