//! What was said and is not yet known to be with the service: one file for each, readable by its owner only, written through
//! to the disk before anybody goes on. A file goes when the service has answered.

use crate::{clock, exit::Failure, times};
use chrono::{DateTime, Utc};
use etcetera::BaseStrategy as _;
use fettler_proto::v1 as pb;
use serde::{Deserialize, Serialize};
use std::{
    collections::BTreeSet,
    env, fs,
    io::{self, Write as _},
    path::{Path, PathBuf},
};

/// The folder's name below the state folder.
const FOLDER: &str = "fettler/round";
/// What a file of an entry ends with.
const ENTRY: &str = "json";
/// What a file ends with that the service refused.
const REFUSED: &str = "refused";
/// A file larger than this is none of ours.
const BYTES_MAX: u64 = 64 * 1024;

/// Something said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Entry {
    /// To which service.
    pub(crate) server: String,
    /// The site's key as typed.
    pub(crate) site: String,
    /// Its request id, the same at every try.
    pub(crate) id: String,
    /// When it was said.
    pub(crate) at: DateTime<Utc>,
    /// Who said it.
    pub(crate) by: String,
    /// What.
    pub(crate) said: Said,
}

/// What was said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Said {
    /// What was seen at a check.
    Answer {
        /// The shift's first instant.
        shift: DateTime<Utc>,
        /// The machine.
        machine: String,
        /// The check.
        check: String,
        /// The value.
        value: String,
        /// Its unit.
        unit: String,
        /// What is wrong.
        finding: String,
        /// That the value is so.
        confirmed: bool,
    },
    /// That the round ends.
    End {
        /// The shift's first instant.
        shift: DateTime<Utc>,
        /// What the next shift should know.
        note: String,
    },
    /// That a handover was read.
    Acknowledge {
        /// Its number.
        handover: i64,
    },
}

impl Entry {
    /// What was seen, as a call; none for what else was said.
    pub(crate) fn answer(&self) -> Option<pb::RecordChecksRequest> {
        let Said::Answer { shift, machine, check, value, unit, finding, confirmed } = &self.said else {
            return None;
        };
        let answer = pb::CheckSaid {
            check: check.clone(),
            at: Some(times::to_wire(self.at)),
            value: value.clone(),
            unit: unit.clone(),
            finding: finding.clone(),
            confirmed: *confirmed,
        };
        Some(pb::RecordChecksRequest {
            site: self.site.clone(),
            request_id: self.id.clone(),
            machine: machine.clone(),
            shift_start: Some(times::to_wire(*shift)),
            by: self.by.clone(),
            answers: vec![answer],
        })
    }

    /// Who said it.
    pub(crate) fn by(&self) -> &str {
        &self.by
    }

    /// What it is, for a person.
    pub(crate) fn words(&self) -> String {
        match &self.said {
            Said::Answer { machine, check, .. } => format!("{machine} {check}"),
            Said::End { .. } => "the end of the round".to_owned(),
            Said::Acknowledge { handover } => format!("handover {handover} read"),
        }
    }
}

/// The folder of entries.
#[derive(Clone, Debug)]
pub(crate) struct Outbox {
    folder: PathBuf,
}

impl Outbox {
    /// Opens the outbox of this person on this computer: below FETTLER_STATE, else below the XDG state folder.
    pub(crate) fn open() -> Result<Outbox, Failure> {
        let base = if let Some(folder) = env::var_os("FETTLER_STATE") {
            PathBuf::from(folder)
        } else {
            let home = etcetera::choose_base_strategy().map_err(|error| {
                Failure::usage(format!("there is no home folder to keep answers in: {error}"))
                    .with_hint("name a folder in FETTLER_STATE")
            })?;
            home.state_dir().unwrap_or_else(|| home.data_dir())
        };
        let folder = base.join(FOLDER);
        make_folder(&folder).map_err(|error| cannot(&folder, "make", &error))?;
        Ok(Outbox { folder })
    }

    /// Where it is.
    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Keeps an entry: when this returns, it is on the disk.
    pub(crate) fn keep(&self, entry: &Entry) -> Result<(), Failure> {
        let text = serde_json::to_vec(entry).map_err(|error| Failure::usage(error.to_string()))?;
        let path = self.path(entry, ENTRY);
        write_through(&self.folder, &path, &text).map_err(|error| cannot(&path, "write", &error))
    }

    /// Forgets an entry: the service has it.
    pub(crate) fn forget(&self, entry: &Entry) {
        // Another walk on this computer may have been faster; what is sent twice is taken once.
        let _ = fs::remove_file(self.path(entry, ENTRY));
    }

    /// Puts an entry aside that the service refused; gives where it lies.
    pub(crate) fn put_aside(&self, entry: &Entry) -> PathBuf {
        let aside = self.path(entry, REFUSED);
        let _ = fs::rename(self.path(entry, ENTRY), &aside);
        aside
    }

    /// The entries for a service and a site, in the order in which they were said. What cannot be read is named.
    pub(crate) fn entries(&self, server: &str, site: &str) -> Result<(Vec<Entry>, Vec<PathBuf>), Failure> {
        let (mut entries, unreadable) = self.all()?;
        entries.retain(|entry| entry.server == server && entry.site == site);
        Ok((entries, unreadable))
    }

    /// Which other services and sites have entries here, each once.
    pub(crate) fn elsewhere(&self, server: &str, site: &str) -> Result<BTreeSet<(String, String)>, Failure> {
        let (entries, _) = self.all()?;
        let others = entries.into_iter().filter(|entry| entry.server != server || entry.site != site);
        Ok(others.map(|entry| (entry.server, entry.site)).collect())
    }

    fn all(&self) -> Result<(Vec<Entry>, Vec<PathBuf>), Failure> {
        let listed = fs::read_dir(&self.folder).map_err(|error| cannot(&self.folder, "read", &error))?;
        let mut paths: Vec<PathBuf> = listed
            .filter_map(|found| Some(found.ok()?.path()))
            .filter(|path| path.extension().is_some_and(|end| end == ENTRY))
            .collect();
        paths.sort();
        let (mut entries, mut unreadable) = (Vec::new(), Vec::new());
        for path in paths {
            match read(&path) {
                Some(entry) => entries.push(entry),
                None => unreadable.push(path),
            }
        }
        Ok((entries, unreadable))
    }

    fn path(&self, entry: &Entry, end: &str) -> PathBuf {
        self.folder.join(format!("{:020}-{}.{end}", entry.at.timestamp_micros(), entry.id))
    }

    /// Keeps a round as it was last seen.
    pub(crate) fn keep_round(&self, name: &str, bytes: &[u8]) -> Result<(), Failure> {
        let path = self.folder.join(name);
        write_through(&self.folder, &path, bytes).map_err(|error| cannot(&path, "write", &error))
    }

    /// A round as it was last seen.
    pub(crate) fn round(&self, name: &str) -> Option<Vec<u8>> {
        fs::read(self.folder.join(name)).ok()
    }
}

fn cannot(path: &Path, what: &str, error: &io::Error) -> Failure {
    Failure::usage(format!("cannot {what} {}: {error}", path.display())).with_hint(
        "answers are kept there until the service has them; another folder is named by FETTLER_STATE",
    )
}

fn read(path: &Path) -> Option<Entry> {
    let small = fs::metadata(path).ok()?.len() <= BYTES_MAX;
    if small { serde_json::from_slice(&fs::read(path).ok()?).ok() } else { None }
}

fn make_folder(folder: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt as _;
        builder.mode(0o700);
    }
    builder.create(folder)
}

/// Writes a file whole or not at all, readable by its owner only, and through to the disk.
fn write_through(folder: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let beside = path.with_extension(format!("{}.new", clock::request_id()));
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    let mut file = options.open(&beside)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&beside, path)?;
    #[cfg(unix)]
    fs::File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(second: i64) -> Entry {
        let shift = DateTime::from_timestamp(1_795_597_200, 0).unwrap();
        Entry {
            server: "http://a/".into(),
            site: String::new(),
            id: format!("6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d{second:02}"),
            at: DateTime::from_timestamp(1_795_597_200 + second, 0).unwrap(),
            by: "Ada Kern".into(),
            said: Said::Answer {
                shift,
                machine: "L-03".into(),
                check: "air".into(),
                value: "6.1".into(),
                unit: "bar".into(),
                finding: String::new(),
                confirmed: false,
            },
        }
    }

    fn outbox(folder: &tempfile::TempDir) -> Outbox {
        let folder = folder.path().join(FOLDER);
        make_folder(&folder).unwrap();
        Outbox { folder }
    }

    #[test]
    fn entries_come_back_in_order_and_go_when_they_are_sent() {
        let folder = tempfile::tempdir().unwrap();
        let outbox = outbox(&folder);
        for second in [5, 1, 3] {
            outbox.keep(&entry(second)).unwrap();
        }
        outbox.keep(&Entry { server: "http://b/".into(), ..entry(2) }).unwrap();
        fs::write(outbox.folder().join("0-half.json"), b"{\"server\":").unwrap();
        let (found, unreadable) = outbox.entries("http://a/", "").unwrap();
        assert_eq!(found, [entry(1), entry(3), entry(5)]);
        let elsewhere = outbox.elsewhere("http://a/", "").unwrap();
        assert_eq!(elsewhere.into_iter().collect::<Vec<_>>(), [("http://b/".to_owned(), String::new())]);
        assert_eq!(unreadable.len(), 1, "what cannot be read is named, not dropped");
        outbox.forget(&entry(1));
        outbox.forget(&entry(1));
        let aside = outbox.put_aside(&entry(3));
        assert!(aside.exists(), "what was refused stays on the disk");
        assert_eq!(outbox.entries("http://a/", "").unwrap().0, [entry(5)]);
        let request = entry(5).answer().unwrap();
        assert_eq!(request, found[2].answer().unwrap(), "the same words at every try");
    }

    #[cfg(unix)]
    #[test]
    fn only_the_owner_reads_what_is_kept() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let outbox = outbox(&folder);
        outbox.keep(&entry(1)).unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(outbox.folder()), 0o700);
        let files: Vec<PathBuf> =
            fs::read_dir(outbox.folder()).unwrap().map(|found| found.unwrap().path()).collect();
        assert_eq!(files.len(), 1, "nothing is left beside the entry: {files:?}");
        assert_eq!(mode(&files[0]), 0o600);
    }
}
