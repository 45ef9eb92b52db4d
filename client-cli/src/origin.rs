//! Every setting of the client and where it was read: the flag, else the environment, else the profile, else the default.

use crate::{
    args::{GlobalArgs, OutputForm},
    exit::Failure,
    out::ColorChoice,
    profile::{self, Profiles},
};
use clap::ValueEnum;
use fettler_domain::near;
use std::{
    collections::BTreeMap,
    env,
    ffi::{OsStr, OsString},
    path::{Path, PathBuf},
};

/// Where a setting was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    /// A flag that was typed.
    Flag(String),
    /// A variable of the environment.
    Variable(&'static str),
    /// The profile of that name.
    Profile(String),
    /// Nobody said otherwise.
    Default,
}

impl Origin {
    /// It in words, for a person who wants to change the setting.
    pub(crate) fn words(&self) -> String {
        match self {
            Origin::Flag(flag) => flag.clone(),
            Origin::Variable(name) => (*name).to_owned(),
            Origin::Profile(name) => format!("profile {name}"),
            Origin::Default => "default".to_owned(),
        }
    }
}

/// A setting: its key in a profile, which makes its flag too; the variable it is read from; its default; and whether it belongs to
/// one service.
struct Setting {
    key: &'static str,
    variable: Option<&'static str>,
    default: Option<&'static str>,
    is_of_service: bool,
}

const fn of_service(key: &'static str, variable: &'static str) -> Setting {
    Setting { key, variable: Some(variable), default: None, is_of_service: true }
}

const fn of_look(
    key: &'static str,
    variable: Option<&'static str>,
    default: Option<&'static str>,
) -> Setting {
    Setting { key, variable, default, is_of_service: false }
}

/// Every setting, in the order in which they are shown.
const SETTINGS: [Setting; 11] = [
    of_look("server", Some("FETTLER_SERVER"), Some("http://127.0.0.1:7133")),
    of_service("site", "FETTLER_SITE"),
    of_service("token_file", "FETTLER_TOKEN_FILE"),
    of_service("pin_file", "FETTLER_PIN_FILE"),
    of_service("ca_file", "FETTLER_CA_FILE"),
    of_service("client_cert", "FETTLER_CLIENT_CERT"),
    of_service("client_key", "FETTLER_CLIENT_KEY"),
    of_look("output", None, Some("table")),
    of_look("color", None, Some("auto")),
    of_look("width", None, Some("80")),
    of_look("pager", Some("PAGER"), Some("less")),
];
/// Variables that say something by being empty: that there is no token, also not the data folder's; that there is no pager.
const SAY_EMPTY: [&str; 2] = ["FETTLER_TOKEN", "PAGER"];
/// Secrets that a variable may hold itself: the setting of the file in whose place it stands.
const SECRETS: [(&str, &str); 2] = [("token_file", "FETTLER_TOKEN"), ("pin_file", "FETTLER_PIN")];

/// A setting as it stands.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    /// The setting's key.
    pub(crate) key: &'static str,
    /// Its value; absent where nobody gave one.
    pub(crate) value: Option<OsString>,
    /// Where it was read.
    pub(crate) origin: Origin,
    /// That the value is a secret of the environment, which is shown to nobody.
    pub(crate) is_secret: bool,
}

/// All settings as they stand.
#[derive(Clone, Debug, Default)]
pub(crate) struct Given {
    found: BTreeMap<&'static str, Found>,
    /// The file that profiles are read from, where there is one.
    pub(crate) file: Option<PathBuf>,
    /// The profile that is used.
    pub(crate) profile: Option<String>,
    /// Every profile of the file.
    pub(crate) profiles: Vec<String>,
    /// The form of the answer.
    pub(crate) output: OutputForm,
    /// When headings may be bold.
    pub(crate) color: ColorChoice,
    /// How wide tables may be, in characters.
    pub(crate) width: u16,
    /// That nothing is shown through a pager.
    pub(crate) no_pager: bool,
}

impl Given {
    /// Settles what was typed against the environment and the file of profiles.
    pub(crate) fn settle(global: &GlobalArgs) -> Result<Given, Failure> {
        settled(global, &|name| env::var_os(name), profile::read()?)
    }

    /// What was typed alone, for a command that says the same whatever the settings are.
    pub(crate) fn bare(global: &GlobalArgs) -> Given {
        let (output, color) = (global.output.unwrap_or_default(), global.color.unwrap_or_default());
        Given { output, color, ..Given::default() }
    }

    /// The settings in the order in which they are shown.
    pub(crate) fn all(&self) -> impl Iterator<Item = &Found> {
        SETTINGS.iter().filter_map(|setting| self.found.get(setting.key))
    }

    /// A setting as text.
    pub(crate) fn text(&self, key: &str) -> Option<(String, &Origin)> {
        let found = self.found.get(key)?;
        found.value.as_ref().map(|value| (value.to_string_lossy().into_owned(), &found.origin))
    }

    /// A setting that names a file; absent too where a secret stands in its place.
    pub(crate) fn path(&self, key: &str) -> Option<(PathBuf, &Origin)> {
        let found = self.found.get(key).filter(|found| !found.is_secret)?;
        found.value.as_ref().map(|value| (PathBuf::from(value), &found.origin))
    }

    /// A secret that stands in the environment in a file's place.
    pub(crate) fn secret(&self, key: &str) -> Option<(String, &Origin)> {
        if self.found.get(key)?.is_secret { self.text(key) } else { None }
    }
}

fn settled(
    global: &GlobalArgs,
    read: &dyn Fn(&str) -> Option<OsString>,
    profiles: Option<Profiles>,
) -> Result<Given, Failure> {
    let read = &|name: &str| read(name).filter(|value| !value.is_empty() || SAY_EMPTY.contains(&name));
    let (name, values) = chosen(global, read, profiles.as_ref())?;
    let mut given = Given {
        file: profiles.as_ref().map(|profiles| profiles.file.clone()),
        profile: name.clone(),
        profiles: profiles.map(|profiles| profiles.by_name.into_keys().collect()).unwrap_or_default(),
        no_pager: global.no_pager,
        ..Given::default()
    };
    // The server is settled first: what belongs to a profile's service goes to no other.
    let mut is_elsewhere = false;
    for setting in &SETTINGS {
        let profile = values.get(setting.key).filter(|_| !(is_elsewhere && setting.is_of_service));
        let found = find(setting, typed(global, setting.key), read, profile.zip(name.as_deref()));
        if setting.key == "server" {
            // A profile that names no server means the default one.
            let own = values.get("server").map(OsString::as_os_str);
            is_elsewhere = found.value.as_deref() != own.or_else(|| setting.default.map(OsStr::new));
        }
        given.found.insert(setting.key, found);
    }
    given.output = word(&given, "output", "table, json or csv")?;
    given.color = word(&given, "color", "auto, always or never")?;
    given.width = width(&given)?;
    Ok(given)
}

/// The profile that is used, and what it says.
fn chosen(
    global: &GlobalArgs,
    read: &dyn Fn(&str) -> Option<OsString>,
    profiles: Option<&Profiles>,
) -> Result<(Option<String>, BTreeMap<String, OsString>), Failure> {
    let flag = global.profile.clone().map(|name| ("--profile", name));
    let variable =
        || read("FETTLER_PROFILE").map(|name| ("FETTLER_PROFILE", name.to_string_lossy().into_owned()));
    let own = || profiles.and_then(|profiles| Some(("the file's `profile`", profiles.profile.clone()?)));
    let Some((by, name)) = flag.or_else(variable).or_else(own) else { return Ok((None, BTreeMap::new())) };
    let Some(profiles) = profiles else {
        let place = profile::place().map(|file| file.display().to_string()).unwrap_or_default();
        return Err(Failure::usage(format!("{by} names the profile `{name}`, but there is no file {place}")));
    };
    let file = profiles.file.display();
    if let Some(profile) = profiles.by_name.get(&name) {
        return Ok((Some(name), profile.values(&profiles.file)));
    }
    let remedy = near::remedy(&name, profiles.by_name.keys().map(String::as_str), "there are the profiles");
    Err(Failure::usage(format!("{by} names the profile `{name}`, which {file} has not; {remedy}")))
}

fn find(
    setting: &Setting,
    typed: Option<OsString>,
    read: &dyn Fn(&str) -> Option<OsString>,
    profile: Option<(&OsString, &str)>,
) -> Found {
    let key = setting.key;
    let found = |value, origin, is_secret| Found { key, value: Some(value), origin, is_secret };
    let secret = SECRETS.iter().find(|(file, _)| *file == key).map(|(_, variable)| *variable);
    if let Some(value) = typed {
        return found(value, Origin::Flag(format!("--{}", key.replace('_', "-"))), false);
    }
    // A token in the environment stands before a file that it names; a PIN after it.
    let token = secret.filter(|name| *name == "FETTLER_TOKEN");
    if let Some((name, value)) = token.and_then(|name| Some((name, read(name)?))) {
        return found(value, Origin::Variable(name), true);
    }
    if let Some((name, value)) = setting.variable.and_then(|name| Some((name, read(name)?))) {
        return found(value, Origin::Variable(name), false);
    }
    if let Some((name, value)) = secret.and_then(|name| Some((name, read(name)?))) {
        return found(value, Origin::Variable(name), true);
    }
    if let Some((value, name)) = profile {
        return found(value.clone(), Origin::Profile(name.to_owned()), false);
    }
    Found { key, value: setting.default.map(OsString::from), origin: Origin::Default, is_secret: false }
}

fn typed(global: &GlobalArgs, key: &str) -> Option<OsString> {
    let file = |path: &Option<PathBuf>| path.as_ref().map(|path| path.clone().into_os_string());
    let said = |value: Option<clap::builder::PossibleValue>| value.map(|value| value.get_name().into());
    match key {
        "server" => global.server.clone().map(OsString::from),
        "site" => global.site.clone().map(OsString::from),
        "token_file" => file(&global.token_file),
        "pin_file" => file(&global.pin_file),
        "ca_file" => file(&global.ca_file),
        "client_cert" => file(&global.client_cert),
        "client_key" => file(&global.client_key),
        "output" => said(global.output.and_then(|value| value.to_possible_value())),
        "color" => said(global.color.and_then(|value| value.to_possible_value())),
        "width" => global.width.map(|width| width.to_string().into()),
        _ => None,
    }
}

fn word<T: ValueEnum>(given: &Given, key: &str, known: &str) -> Result<T, Failure> {
    let (text, origin) = given.text(key).expect("it has a default");
    T::from_str(&text, false)
        .map_err(|_| Failure::usage(format!("{key} `{text}` of {} is none of {known}", origin.words())))
}

fn width(given: &Given) -> Result<u16, Failure> {
    let (text, origin) = given.text("width").expect("it has a default");
    let width = text.parse().ok().filter(|width| (60..=400).contains(width));
    width.ok_or_else(|| {
        Failure::usage(format!("width `{text}` of {} is not between 60 and 400", origin.words()))
    })
}

/// A path of a file beside another one.
pub(crate) fn beside(file: &Path, path: &OsStr) -> OsString {
    file.parent().map_or_else(|| path.to_owned(), |folder| folder.join(path).into_os_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = "profile = \"hall\"\n\
        [profiles.hall]\nserver = \"https://hall:7133\"\nsite = \"north\"\ntoken_file = \"hall.token\"\nwidth = 100\n\
        [profiles.office]\noutput = \"csv\"\n";

    fn given(global: &GlobalArgs, variables: &[(&str, &str)]) -> Result<Given, Failure> {
        let read = |name: &str| {
            variables.iter().find(|(known, _)| *known == name).map(|(_, value)| OsString::from(value))
        };
        settled(global, &read, Some(profile::parsed(Path::new("/etc/x/config.toml"), FILE).unwrap()))
    }

    #[track_caller]
    fn check(given: &Given, key: &str, value: &str, origin: &str) {
        let (found, from) = given.text(key).unwrap();
        assert_eq!((found.as_str(), from.words().as_str()), (value, origin), "{key}");
    }

    #[test]
    fn the_flag_goes_before_the_environment_before_the_profile_before_the_default() {
        let plain = given(&GlobalArgs::default(), &[]).unwrap();
        check(&plain, "server", "https://hall:7133", "profile hall");
        check(&plain, "token_file", "/etc/x/hall.token", "profile hall");
        check(&plain, "width", "100", "profile hall");
        check(&plain, "output", "table", "default");
        assert_eq!((plain.width, plain.output), (100, OutputForm::Table));
        let flags = GlobalArgs { site: Some("south".into()), width: Some(70), ..GlobalArgs::default() };
        let both = given(&flags, &[("FETTLER_SITE", "west"), ("PAGER", "more")]).unwrap();
        check(&both, "site", "south", "--site");
        check(&both, "width", "70", "--width");
        check(&both, "pager", "more", "PAGER");
        let office = given(&GlobalArgs::default(), &[("FETTLER_PROFILE", "office")]).unwrap();
        check(&office, "output", "csv", "profile office");
        check(&office, "server", "http://127.0.0.1:7133", "default");
    }

    #[test]
    fn a_secret_goes_to_no_other_service_than_its_profile_s() {
        let elsewhere = given(&GlobalArgs::default(), &[("FETTLER_SERVER", "https://other:7133")]).unwrap();
        assert!(elsewhere.text("token_file").is_none() && elsewhere.text("site").is_none());
        check(&elsewhere, "width", "100", "profile hall");
        let same = given(&GlobalArgs::default(), &[("FETTLER_SERVER", "https://hall:7133")]).unwrap();
        check(&same, "token_file", "/etc/x/hall.token", "profile hall");
    }

    #[test]
    fn a_profile_that_names_no_server_has_the_default_one() {
        let file = "[profiles.a]\nsite = \"north\"\ntoken_file = \"a.token\"\n";
        let at = |server: Option<&str>| {
            let global = GlobalArgs {
                profile: Some("a".into()),
                server: server.map(str::to_owned),
                ..GlobalArgs::default()
            };
            settled(&global, &|_| None, Some(profile::parsed(Path::new("/etc/x/config.toml"), file).unwrap()))
                .unwrap()
        };
        let elsewhere = at(Some("https://other:7133"));
        assert!(elsewhere.text("token_file").is_none() && elsewhere.text("site").is_none());
        for server in [None, Some("http://127.0.0.1:7133")] {
            check(&at(server), "token_file", "/etc/x/a.token", "profile a");
        }
    }

    #[test]
    fn a_token_of_the_environment_goes_before_a_file_and_a_pin_after_it() {
        let variables = [
            ("FETTLER_TOKEN", "t"),
            ("FETTLER_TOKEN_FILE", "tf"),
            ("FETTLER_PIN", "123456"),
            ("FETTLER_PIN_FILE", "pf"),
        ];
        let given = given(&GlobalArgs::default(), &variables).unwrap();
        assert_eq!(given.secret("token_file").unwrap().0, "t");
        assert!(given.path("token_file").is_none() && given.secret("pin_file").is_none());
        check(&given, "pin_file", "pf", "FETTLER_PIN_FILE");
    }

    #[test]
    fn what_cannot_be_used_says_whose_it_is() {
        let wrong = |name: &str| GlobalArgs { profile: Some(name.into()), ..GlobalArgs::default() };
        let Err(Failure::Usage(told)) = given(&wrong("hal"), &[]) else { panic!() };
        assert!(told.message.contains("did you mean `hall`?"), "{}", told.message);
        for bad in ["[profiles.a]\nwidth = 9\n", "[profiles.a]\noutput = \"xml\"\n"] {
            let profiles = profile::parsed(Path::new("/c.toml"), bad).unwrap();
            let Err(Failure::Usage(told)) = settled(&wrong("a"), &|_| None, Some(profiles)) else { panic!() };
            assert!(told.message.contains("of profile a"), "{}", told.message);
        }
    }
}
