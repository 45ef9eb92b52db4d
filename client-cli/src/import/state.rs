//! How far an agent was followed: a small file, written whole and through to the disk, so that the next turn goes on
//! where the last one ended, whatever happened between them.

use super::counters::Last;
use crate::{clock, exit::Failure};
use serde::{Deserialize, Serialize};
use std::{
    fs::{self, File, OpenOptions},
    io::{self, Write as _},
    path::{Path, PathBuf},
};

/// The form of the file; another one is of another version.
const FORM: u32 = 1;
/// The largest such file, in bytes: thousands of items stay below.
const BYTES_MAX: u64 = 16 << 20;

/// How far an agent was followed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct State {
    form: u32,
    /// The agent.
    pub(crate) agent: String,
    /// The source of the reports.
    pub(crate) source: String,
    /// The agent's run and the number to ask for next; none before the first answer.
    pub(crate) at: Option<(String, u64)>,
    /// What is known of each item.
    pub(crate) last: Vec<Last>,
}

impl State {
    /// The state once everything before a number of a run is sent.
    pub(crate) fn after(&self, run: String, next: u64, last: Vec<Last>) -> State {
        State { at: Some((run, next)), last, ..self.clone() }
    }
}

/// A state that no other command may have at the same time.
#[derive(Debug)]
pub(crate) struct Kept {
    path: PathBuf,
    /// Held as long as the command runs.
    _lock: File,
}

/// Takes a state file, or begins one.
pub(crate) fn take(path: &Path, agent: &str, source: &str) -> Result<(Kept, State), Failure> {
    let cannot =
        |error: io::Error| Failure::usage(format!("cannot use the state `{}`: {error}", path.display()));
    let beside = path.with_added_extension("lock");
    let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&beside).map_err(cannot)?;
    if lock.try_lock().is_err() {
        return Err(Failure::usage(format!(
            "the state `{}` is in use by another `hours follow`",
            path.display()
        ))
        .with_hint("one command follows an agent; stop the other, or give this one a state of its own"));
    }
    let kept = Kept { path: path.to_owned(), _lock: lock };
    let state = match fs::metadata(path) {
        Ok(found) if found.len() > BYTES_MAX => return Err(broken(path, "it is larger than any such file")),
        Ok(_) => read(path, &fs::read_to_string(path).map_err(cannot)?, agent, source)?,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            State { form: FORM, agent: agent.to_owned(), source: source.to_owned(), ..State::default() }
        }
        Err(error) => return Err(cannot(error)),
    };
    Ok((kept, state))
}

fn broken(path: &Path, why: &str) -> Failure {
    Failure::usage(format!("the state `{}` cannot be read: {why}", path.display())).with_hint(
        "remove it to begin anew: counters are absolute and what was sent is known, so nothing is counted twice",
    )
}

fn read(path: &Path, text: &str, agent: &str, source: &str) -> Result<State, Failure> {
    let state: State = serde_json::from_str(text).map_err(|error| broken(path, &error.to_string()))?;
    if state.form != FORM {
        return Err(broken(path, &format!("it has the form {}, and this client reads {FORM}", state.form)));
    }
    for (what, was, is) in [("agent", &state.agent, agent), ("source", &state.source, source)] {
        if was != is {
            return Err(Failure::usage(format!(
                "the state `{}` is that of the {what} `{was}`, not of `{is}`",
                path.display()
            ))
            .with_hint("give each agent and source a state of its own"));
        }
    }
    Ok(state)
}

impl Kept {
    /// Writes the state: whole or not at all, and through to the disk.
    pub(crate) fn write(&self, state: &State) -> Result<(), Failure> {
        let text = serde_json::to_string_pretty(state).expect("it holds texts and numbers");
        self.written(text.as_bytes()).map_err(|error| {
            Failure::usage(format!("cannot write the state `{}`: {error}", self.path.display()))
        })
    }

    fn written(&self, bytes: &[u8]) -> io::Result<()> {
        let draft = self.path.with_added_extension(format!("{}.new", clock::request_id()));
        let mut file = OpenOptions::new().write(true).create_new(true).open(&draft)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&draft, &self.path)?;
        #[cfg(unix)]
        {
            let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty());
            File::open(folder.unwrap_or(Path::new(".")))?.sync_all()?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fettler_domain::quantity::Unit;

    fn said(result: Result<(Kept, State), Failure>) -> String {
        match result {
            Err(Failure::Usage(complaint)) => complaint.text(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_state_is_gone_on_with_and_belongs_to_one_agent() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("hall.state");
        let (kept, mut state) = take(&path, "http://a", "hall").unwrap();
        assert_eq!(state.at, None);
        state.at = Some(("7".into(), 42));
        state.last.push(Last {
            device: "u".into(),
            device_name: "n".into(),
            item: "op".into(),
            unit: Unit::Hours,
            at_micros: 5,
            kept: 6,
            number: Some(("7".into(), 41)),
            sent: false,
        });
        kept.write(&state).unwrap();
        assert!(said(take(&path, "http://a", "hall")).contains("in use by another"));
        drop(kept);
        assert_eq!(take(&path, "http://a", "hall").unwrap().1, state);
        assert!(
            said(take(&path, "http://b", "hall"))
                .contains("is that of the agent `http://a`, not of `http://b`")
        );
        assert!(said(take(&path, "http://a", "other")).contains("of the source `hall`"));
        let files: Vec<_> =
            fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(files.len(), 2, "no draft is left: {files:?}");
    }

    #[test]
    fn a_broken_state_is_refused_with_the_remedy() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s");
        for text in ["", "{", "{\"form\":2,\"agent\":\"a\",\"source\":\"s\",\"at\":null,\"last\":[]}", "[]"] {
            fs::write(&path, text).unwrap();
            assert!(said(take(&path, "a", "s")).contains("remove it to begin anew"), "{text}");
        }
    }
}
