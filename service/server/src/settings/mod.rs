//! Where settings come from: what was typed, the environment, a file, a default, in this order. The list of them is the command
//! line of `fettlerd serve`; nothing is said of a setting twice.
//!
//! * this module: the settings file, laid beside what was typed.
//! * [`check`]: what `fettlerd config` tells of them.

pub mod check;

use crate::config::Arguments;
use clap::{ArgAction, CommandFactory as _};
use std::ffi::{OsStr, OsString};
use std::path::{Path, PathBuf};

/// The flag that names the file, without its dashes.
const FILE: &str = "config";
/// The most bytes of a settings file: far more than all settings take.
const FILE_BYTES_MAX: u64 = 1 << 20;

/// Why a settings file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// It cannot be read.
    #[error(
        "cannot read the settings file {path}; see that it is there and yours to read, or name another with --config"
    )]
    Io {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// It is too long.
    #[error("the settings file {0} is longer than {FILE_BYTES_MAX} bytes; is it the right one?")]
    TooLong(PathBuf),
    /// It is no TOML.
    #[error("the settings file {path} cannot be read as TOML: {why}")]
    Toml {
        /// The file.
        path: PathBuf,
        /// What is wrong, and where.
        why: String,
    },
    /// It has a key that is no setting, or a value that no setting has.
    #[error("the settings file {path}: {fault}")]
    Setting {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        fault: KeyFault,
    },
}

/// What is wrong with a line of a settings file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KeyFault {
    /// There is no such setting.
    #[error("`{0}` is no setting; the names are those of the flags of `fettlerd serve`, with _ for -")]
    Unknown(String),
    /// The value is of a kind that the setting does not have.
    #[error("`{key}` must be {wanted}")]
    Kind {
        /// The setting.
        key: String,
        /// What it takes.
        wanted: &'static str,
    },
}

/// A setting as the command line declares it.
#[derive(Clone, Debug)]
pub(crate) struct Declared {
    /// Its flag, without dashes.
    pub(crate) flag: String,
    /// The variable of the environment that gives it.
    pub(crate) variable: Option<OsString>,
    /// What it is when nobody says anything.
    pub(crate) default: Option<String>,
    kind: Kind,
    /// Whether its value holds a secret.
    pub(crate) is_secret: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    One,
    Many,
    Switch,
}

impl Declared {
    /// Its name in a settings file.
    pub(crate) fn key(&self) -> String {
        self.flag.replace('-', "_")
    }

    /// What of it was typed; none where it was not.
    fn typed(&self, words: &[OsString]) -> Option<Vec<OsString>> {
        let flag = format!("--{}", self.flag);
        let mut found: Option<Vec<OsString>> = None;
        let mut words = words.iter();
        while let Some(word) = words.next() {
            let text = word.to_string_lossy();
            let value = match text.strip_prefix(flag.as_str()) {
                Some("") if self.kind == Kind::Switch => Some(OsString::from("true")),
                Some("") => words.next().cloned(),
                Some(rest) if rest.starts_with('=') => Some(OsString::from(&rest[1..])),
                // Another flag that begins alike, such as `--database` for `--data`.
                Some(_) | None => continue,
            };
            found.get_or_insert_default().extend(value);
        }
        found
    }

    fn in_environment(&self, environment: &dyn Fn(&OsStr) -> Option<OsString>) -> Option<OsString> {
        self.variable.as_deref().and_then(environment)
    }

    /// Its values as words of a command line.
    pub(crate) fn words(&self, values: &[OsString]) -> Vec<OsString> {
        let flag = format!("--{}", self.flag);
        if self.kind == Kind::Switch {
            return if values.iter().any(|value| value == "true") { vec![flag.into()] } else { Vec::new() };
        }
        let joined = values.iter().map(|value| {
            let mut word = OsString::from(format!("{flag}="));
            word.push(value);
            word
        });
        joined.collect()
    }
}

/// Every setting of `fettlerd serve`.
pub(crate) fn declared() -> Vec<Declared> {
    let mut command = Arguments::command();
    command.build();
    let Some(serve) = command.find_subcommand("serve") else { return Vec::new() };
    let of = |argument: &clap::Arg| {
        let action = argument.get_action();
        let kind = if matches!(action, ArgAction::Append) {
            Kind::Many
        } else if matches!(action, ArgAction::SetTrue) {
            Kind::Switch
        } else if matches!(action, ArgAction::Set) {
            Kind::One
        } else {
            // Help and version are no settings.
            return None;
        };
        let default = argument.get_default_values().first().map(|value| value.to_string_lossy().into_owned());
        Some(Declared {
            flag: argument.get_long()?.to_owned(),
            variable: argument.get_env().map(OsStr::to_owned),
            default: default.filter(|_| kind != Kind::Switch),
            kind,
            is_secret: argument.is_hide_env_values_set(),
        })
    };
    serve.get_arguments().filter_map(of).collect()
}

/// What a settings file says.
#[derive(Debug, Default)]
pub(crate) struct SettingsFile {
    path: PathBuf,
    values: Vec<(String, Vec<OsString>)>,
}

impl SettingsFile {
    /// Reads a file; also every line of it that is wrong.
    fn read(path: &Path, declared: &[Declared]) -> Result<(SettingsFile, Vec<KeyFault>), FileError> {
        let io = |source| FileError::Io { path: path.to_owned(), source };
        if std::fs::metadata(path).map_err(io)?.len() > FILE_BYTES_MAX {
            return Err(FileError::TooLong(path.to_owned()));
        }
        let text = std::fs::read_to_string(path).map_err(io)?;
        let unfit = |error: toml::de::Error| FileError::Toml {
            path: path.to_owned(),
            // The parser's text shows the line, which may hold a password.
            why: match error.span() {
                Some(span) => {
                    let line = text.bytes().take(span.start).filter(|byte| *byte == b'\n').count() + 1;
                    format!("line {line}: {}", error.message())
                }
                None => error.message().to_owned(),
            },
        };
        let table: toml::Table = toml::from_str(&text).map_err(unfit)?;
        let (mut values, mut faults) = (Vec::new(), Vec::new());
        for (key, value) in &table {
            let known = declared.iter().find(|declared| declared.key() == *key && declared.flag != FILE);
            match known.map(|known| (known, words(known, value))) {
                None => faults.push(KeyFault::Unknown(key.clone())),
                Some((_, Err(wanted))) => faults.push(KeyFault::Kind { key: key.clone(), wanted }),
                Some((known, Ok(words))) => values.push((known.flag.clone(), words)),
            }
        }
        Ok((SettingsFile { path: path.to_owned(), values }, faults))
    }

    fn get(&self, flag: &str) -> Option<&[OsString]> {
        self.values.iter().find(|(name, _)| name == flag).map(|(_, values)| values.as_slice())
    }
}

/// A value of a file as the command line would have it.
fn words(declared: &Declared, value: &toml::Value) -> Result<Vec<OsString>, &'static str> {
    let text = |value: &toml::Value| match value {
        toml::Value::String(text) => Some(OsString::from(text)),
        toml::Value::Integer(number) => Some(number.to_string().into()),
        toml::Value::Float(number) => Some(number.to_string().into()),
        toml::Value::Boolean(_)
        | toml::Value::Datetime(_)
        | toml::Value::Array(_)
        | toml::Value::Table(_) => None,
    };
    match (declared.kind, value) {
        (Kind::Switch, toml::Value::Boolean(is_set)) => Ok(vec![is_set.to_string().into()]),
        (Kind::Switch, _) => Err("true or false"),
        (Kind::Many, toml::Value::Array(all)) => {
            all.iter().map(text).collect::<Option<_>>().ok_or("a list of texts")
        }
        (Kind::Many, _) => Err("a list of texts"),
        (Kind::One, value) => text(value).map(|text| vec![text]).ok_or("a text"),
    }
}

/// Which file is meant by what was typed, else by the environment.
fn file_of(
    declared: &[Declared],
    typed: &[OsString],
    environment: &dyn Fn(&OsStr) -> Option<OsString>,
) -> Option<PathBuf> {
    let file = declared.iter().find(|declared| declared.flag == FILE)?;
    let named = file.typed(typed).and_then(|values| values.into_iter().next_back());
    named.or_else(|| file.in_environment(environment)).map(PathBuf::from)
}

/// What was typed, with what a settings file says of all that was neither typed nor stands in the environment. Only `serve` has such
/// a file.
pub fn with_file(
    mut typed: Vec<OsString>,
    environment: &dyn Fn(&OsStr) -> Option<OsString>,
) -> Result<Vec<OsString>, FileError> {
    if typed.get(1).is_none_or(|verb| verb != "serve") {
        return Ok(typed);
    }
    let declared = declared();
    let Some(path) = file_of(&declared, &typed, environment) else { return Ok(typed) };
    let (file, faults) = SettingsFile::read(&path, &declared)?;
    if let Some(fault) = faults.into_iter().next() {
        return Err(FileError::Setting { path, fault });
    }
    let unsaid = |setting: &&Declared| {
        setting.typed(&typed).is_none() && setting.in_environment(environment).is_none()
    };
    let added: Vec<OsString> = declared
        .iter()
        .filter(unsaid)
        .flat_map(|setting| file.get(&setting.flag).map(|values| setting.words(values)).unwrap_or_default())
        .collect();
    typed.splice(2..2, added);
    Ok(typed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Command;
    use clap::Parser as _;

    fn nothing(_: &OsStr) -> Option<OsString> {
        None
    }

    fn typed(words: &[&str]) -> Vec<OsString> {
        words.iter().map(OsString::from).collect()
    }

    fn file(text: &str) -> (tempfile::TempDir, String) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fettlerd.toml");
        std::fs::write(&path, text).unwrap();
        let path = path.to_str().unwrap().to_owned();
        (folder, path)
    }

    #[test]
    fn what_is_typed_comes_before_the_environment_and_that_before_the_file() {
        let (_folder, path) = file("listen = \"127.0.0.1:1\"\nhttp = \"off\"\ndata = \"/from/file\"\n");
        let environment = |name: &OsStr| (name == "FETTLER_HTTP").then(|| OsString::from("127.0.0.1:2"));
        let words = typed(&["fettlerd", "serve", "--listen", "127.0.0.1:3", "--config", &path]);
        let words = with_file(words, &environment).unwrap();
        assert_eq!(words[2..], typed(&["--data=/from/file", "--listen", "127.0.0.1:3", "--config", &path]));
        // A longer flag is not the shorter one.
        let words =
            typed(&["fettlerd", "serve", "--database", "d", "--listen=x", "--http=y", "--config", &path]);
        assert_eq!(
            with_file(words.clone(), &nothing).unwrap()[2..],
            [&typed(&["--data=/from/file"])[..], &words[2..]].concat()
        );
        let other = typed(&["fettlerd", "check", "--config", &path]);
        assert_eq!(with_file(other.clone(), &nothing).unwrap(), other);
    }

    #[test]
    fn a_file_gives_what_flags_give() {
        let text = "plaintext_beyond_loopback = true\noidc_grant = [\"a=technician\", \"b=manager\"]\n\
            oidc_issuer = \"https://id.example\"\noidc_audience = \"fettler\"\noidc_jwks = \"keys.json\"\n";
        let (_folder, path) = file(text);
        let words = with_file(typed(&["fettlerd", "serve", "--config", &path]), &nothing).unwrap();
        let Command::Serve(serve) = Arguments::try_parse_from(words).unwrap().command else { panic!() };
        assert!(serve.listen.plaintext_beyond_loopback);
        assert_eq!(serve.identity.oidc_grants.len(), 2);
    }

    #[test]
    fn lines_that_are_no_setting_are_told_and_a_password_is_not() {
        for (text, told) in [
            ("lisen = \"127.0.0.1:1\"", "`lisen` is no setting"),
            ("config = \"other.toml\"", "`config` is no setting"),
            ("listen = true", "`listen` must be a text"),
            ("plaintext_beyond_loopback = 1", "must be true or false"),
            ("oidc_grant = \"a=b\"", "must be a list of texts"),
            ("a = 1\ndatabase = \"postgres://u:geheim@h/d", "line 2: "),
        ] {
            let (_folder, path) = file(text);
            let refused = with_file(typed(&["fettlerd", "serve", "--config", &path]), &nothing).unwrap_err();
            let refused = refused.to_string();
            assert!(refused.contains(told) && !refused.contains("geheim"), "{refused}");
        }
        let gone = with_file(typed(&["fettlerd", "serve", "--config=/nowhere/x"]), &nothing).unwrap_err();
        assert!(gone.to_string().contains("cannot read the settings file /nowhere/x"));
    }
}
