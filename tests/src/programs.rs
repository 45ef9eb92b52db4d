//! Where the built programs are.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::SystemTime;

/// Programs that were found to be newer than their sources: looked at once, as some tests start a service thousands of times.
static FRESH: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// The project's folder.
pub fn root() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// The program of this name, built in the profile of the running test.
pub fn program(name: &str) -> PathBuf {
    let own = std::env::current_exe().expect("the running test has a path");
    let folder = own.parent().expect("a file lies in a folder");
    // Test programs lie in `deps`, beside which the programs lie.
    let folder = if folder.ends_with("deps") { folder.parent().unwrap_or(folder) } else { folder };
    let path = folder.join(name);
    let is_fresh = || FRESH.lock().expect("nobody panics with it");
    if is_fresh().contains(&path) {
        return path;
    }
    let remedy = "build it with `cargo build --workspace --all-targets` (./tests/run does so)";
    let built = fs::metadata(&path).and_then(|meta| meta.modified());
    let built = built.unwrap_or_else(|e| panic!("{} is not there ({e}); {remedy}", path.display()));
    let sources: &[&str] = match name {
        "fettler" => &["client-cli/src", "proto/fettler"],
        _ => {
            &["service/domain/src", "service/store/src", "service/server/src", "proto/fettler", "migrations"]
        }
    };
    for source in sources {
        let newest = newest(&root().join(source));
        assert!(newest <= built, "{} is older than {source}; {remedy}", path.display());
    }
    is_fresh().insert(path.clone());
    path
}

/// When the newest file below a folder was changed.
fn newest(folder: &Path) -> SystemTime {
    let Ok(entries) = fs::read_dir(folder) else { return SystemTime::UNIX_EPOCH };
    let times = entries.filter_map(Result::ok).map(|entry| match entry.metadata() {
        Ok(meta) if meta.is_dir() => newest(&entry.path()),
        Ok(meta) => meta.modified().unwrap_or(SystemTime::UNIX_EPOCH),
        Err(_) => SystemTime::UNIX_EPOCH,
    });
    times.max().unwrap_or(SystemTime::UNIX_EPOCH)
}
