//! The client's file of settings: profiles, each with what is said for one service or one desk. Secrets stand in files of their own,
//! which a profile names.

use crate::{exit::Failure, origin};
use etcetera::BaseStrategy as _;
use serde::Deserialize;
use std::{
    collections::BTreeMap,
    ffi::{OsStr, OsString},
    fs, io,
    path::{Path, PathBuf},
};

/// A file larger than this, in bytes, is some other file.
const FILE_BYTES_MAX: u64 = 256 * 1024;

/// The file as it was read.
#[derive(Debug)]
pub(crate) struct Profiles {
    /// Where it lies.
    pub(crate) file: PathBuf,
    /// The profile that is used where none is named.
    pub(crate) profile: Option<String>,
    /// Every profile by its name.
    pub(crate) by_name: BTreeMap<String, Profile>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Whole {
    profile: Option<String>,
    #[serde(default)]
    profiles: BTreeMap<String, Profile>,
}

/// What a profile says.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Profile {
    server: Option<String>,
    site: Option<String>,
    token_file: Option<String>,
    pin_file: Option<String>,
    ca_file: Option<String>,
    client_cert: Option<String>,
    client_key: Option<String>,
    output: Option<String>,
    color: Option<String>,
    width: Option<i64>,
    pager: Option<String>,
}

impl Profile {
    /// Its values by key; paths are from the folder of its file.
    pub(crate) fn values(&self, file: &Path) -> BTreeMap<String, OsString> {
        let text = |value: &Option<String>| value.as_deref().map(OsString::from);
        let path =
            |value: &Option<String>| value.as_deref().map(|path| origin::beside(file, OsStr::new(path)));
        let values = [
            ("server", text(&self.server)),
            ("site", text(&self.site)),
            ("token_file", path(&self.token_file)),
            ("pin_file", path(&self.pin_file)),
            ("ca_file", path(&self.ca_file)),
            ("client_cert", path(&self.client_cert)),
            ("client_key", path(&self.client_key)),
            ("output", text(&self.output)),
            ("color", text(&self.color)),
            ("width", self.width.map(|width| width.to_string().into())),
            ("pager", text(&self.pager)),
        ];
        values.into_iter().filter_map(|(key, value)| Some((key.to_owned(), value?))).collect()
    }
}

/// Where the file is looked for.
pub(crate) fn place() -> Option<PathBuf> {
    Some(etcetera::choose_base_strategy().ok()?.config_dir().join("fettler").join("config.toml"))
}

/// The file, where there is one.
pub(crate) fn read() -> Result<Option<Profiles>, Failure> {
    let Some(file) = place() else { return Ok(None) };
    let text = match fs::metadata(&file).and_then(|found| {
        if found.len() > FILE_BYTES_MAX {
            return Err(io::Error::other("it is too large to be a file of settings"));
        }
        fs::read_to_string(&file)
    }) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(Failure::usage(format!("cannot read {}: {error}", file.display()))),
    };
    parsed(&file, &text).map(Some)
}

/// The file from its text.
pub(crate) fn parsed(file: &Path, text: &str) -> Result<Profiles, Failure> {
    let whole: Whole = toml::from_str(text).map_err(|error| {
        let told = error.to_string();
        let failure = Failure::usage(format!("{} cannot be used: {}", file.display(), told.trim_end()));
        match ["token", "pin"].iter().find(|key| told.contains(&format!("unknown field `{key}`"))) {
            Some(key) => failure.with_hint(format!(
                "a secret stands in a file of its own, which only you can read; name that by {key}_file"
            )),
            None => failure,
        }
    })?;
    Ok(Profiles { file: file.to_owned(), profile: whole.profile, by_name: whole.profiles })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_in_the_file_is_refused_with_the_way_to_keep_it() {
        for key in ["token", "pin"] {
            let text = format!("[profiles.a]\n{key} = \"x\"\n");
            let Err(Failure::Usage(told)) = parsed(Path::new("c.toml"), &text) else { panic!("{key}") };
            assert!(told.hints[0].contains(&format!("{key}_file")), "{told:?}");
        }
        let Err(Failure::Usage(told)) = parsed(Path::new("c.toml"), "[profiles.a]\nserv = 1\n") else {
            panic!()
        };
        assert!(told.message.contains("serv") && told.message.contains("line 2"), "{told:?}");
    }
}
