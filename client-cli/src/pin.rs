//! PINs of the people in whose names this run speaks: given by environment or file, or typed where the terminal does not show
//! them. They are kept in memory, for the run alone, and travel as metadata of a call.

use crate::{config::secret_in, exit::Failure, origin::Given, out::Out};
use std::{
    collections::BTreeMap,
    env,
    io::{self, IsTerminal as _},
    path::Path,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};
use tonic::{
    Request, Status,
    metadata::{Ascii, MetadataValue},
};
use tonic_types::StatusExt as _;

/// The metadata in which a person's PIN travels.
const PIN: &str = "fettler-pin";
/// The metadata in which a new PIN travels.
pub(crate) const NEW_PIN: &str = "fettler-new-pin";
/// How often a PIN is asked for until it is right.
pub(crate) const ASKED_MAX: u32 = 3;

/// A PIN as it travels; it shows itself to nobody.
pub(crate) type Pin = MetadataValue<Ascii>;

/// The PINs of this run.
#[derive(Clone, Default)]
pub(crate) struct Pocket(Arc<Mutex<Held>>);

#[derive(Default)]
struct Held {
    /// The one that was given; of whoever is named.
    given: Option<Pin>,
    /// What is known of a person's: one that was typed, or none where the given one was wrong.
    of: BTreeMap<String, Option<Pin>>,
}

/// A PIN as it was typed, made ready to travel.
pub(crate) fn fit(what: &str, text: &str) -> Result<Pin, Failure> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Failure::usage(format!("{what}: is empty; a PIN is 6 to 12 digits")));
    }
    if !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(Failure::usage(format!(
            "{what}: holds other signs than digits; a PIN is 6 to 12 digits"
        )));
    }
    if !(6..=12).contains(&text.len()) {
        return Err(Failure::usage(format!("{what}: has {} digits; a PIN is 6 to 12 digits", text.len())));
    }
    let mut pin = Pin::try_from(text).map_err(|_| Failure::usage(format!("{what} cannot be sent")))?;
    pin.set_sensitive(true);
    Ok(pin)
}

/// A PIN from a file, else from the environment.
pub(crate) fn given(file: Option<&Path>, variable: &str) -> Result<Option<Pin>, Failure> {
    if let Some(file) = file {
        return of_file(file).map(Some);
    }
    match env::var(variable) {
        Ok(text) if !text.trim().is_empty() => fit(variable, &text).map(Some),
        Ok(_) | Err(_) => Ok(None),
    }
}

fn of_file(file: &Path) -> Result<Pin, Failure> {
    secret_in(file, "PIN").and_then(|text| fit(&file.display().to_string(), &text))
}

impl Pocket {
    /// With what was given.
    pub(crate) fn new(settings: &Given) -> Result<Pocket, Failure> {
        let given = match settings.secret("pin_file") {
            Some((text, origin)) if !text.trim().is_empty() => Some(fit(&origin.words(), &text)?),
            Some(_) => None,
            None => settings.path("pin_file").map(|(file, _)| of_file(&file)).transpose()?,
        };
        Ok(Pocket(Arc::new(Mutex::new(Held { given, of: BTreeMap::new() }))))
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts the PIN of a person, or without a name the one that was given, with a call.
    pub(crate) fn attach<T>(&self, request: &mut Request<T>, name: Option<&str>) {
        let held = self.held();
        let of = name.and_then(|name| held.of.get(name).cloned());
        if let Some(pin) = of.unwrap_or_else(|| held.given.clone()) {
            request.metadata_mut().insert(PIN, pin);
        }
    }

    /// Whether there is a PIN for a person.
    pub(crate) fn has(&self, name: &str) -> bool {
        let held = self.held();
        held.of.get(name).map_or(held.given.is_some(), Option::is_some)
    }

    /// Takes the PIN that a person typed.
    pub(crate) fn take(&self, name: &str, typed: &str) -> Result<(), Failure> {
        let pin = fit("what was typed", typed)?;
        self.held().of.insert(name.to_owned(), Some(pin));
        Ok(())
    }

    /// Takes the PIN that is to go with every call.
    pub(crate) fn take_for_all(&self, typed: &str) -> Result<(), Failure> {
        self.held().given = Some(fit("what was typed", typed)?);
        Ok(())
    }

    /// Never sends again for a person what was wrong: each time would count against them.
    pub(crate) fn was_wrong(&self, name: &str) {
        self.held().of.insert(name.to_owned(), None);
    }
}

/// The person whose PIN a refusal asks for, and whether the one that was sent was wrong.
pub(crate) fn wanted(status: &Status) -> Option<(String, bool)> {
    let details = status.get_error_details();
    let info = details.error_info()?;
    let name = info.metadata.get("subject")?.strip_prefix("person ")?.to_owned();
    match info.reason.as_str() {
        "PIN_NEEDED" => Some((name, false)),
        "PIN_WRONG" => Some((name, true)),
        _ => None,
    }
}

/// The terminal's echo, off until this is dropped.
pub(crate) struct Unseen {
    #[cfg(unix)]
    was: rustix::termios::Termios,
}

impl Unseen {
    /// Lets the terminal at stdin show nothing of what is typed; none where that cannot be had.
    #[cfg(unix)]
    pub(crate) fn begin() -> Option<Unseen> {
        use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
        let was = tcgetattr(io::stdin()).ok()?;
        let mut modes = was.clone();
        modes.local_modes.remove(LocalModes::ECHO);
        modes.local_modes.insert(LocalModes::ECHONL);
        tcsetattr(io::stdin(), OptionalActions::Now, &modes).ok()?;
        Some(Unseen { was })
    }

    /// Nothing is known here of this system's terminals.
    #[cfg(not(unix))]
    pub(crate) fn begin() -> Option<Unseen> {
        None
    }
}

#[cfg(unix)]
impl Drop for Unseen {
    fn drop(&mut self) {
        // A terminal that is gone needs no echo.
        let _ = rustix::termios::tcsetattr(io::stdin(), rustix::termios::OptionalActions::Now, &self.was);
    }
}

/// Asks at the terminal, which does not show the answer; none where there is no terminal, or nothing was typed.
pub(crate) fn typed(out: &Out, prompt: &str) -> Result<Option<String>, Failure> {
    if !io::stdin().is_terminal() {
        return Ok(None);
    }
    let Some(_unseen) = Unseen::begin() else { return Ok(None) };
    out.note(prompt);
    let mut line = String::new();
    io::stdin().read_line(&mut line)?;
    Ok(Some(line.trim().to_owned()).filter(|line| !line.is_empty()))
}

/// What to ask a person at a terminal.
pub(crate) fn prompt(name: &str) -> String {
    format!("PIN of {name} (it is not shown) > ")
}

/// A failure with what to do where a PIN was wanted that nobody could be asked for.
pub(crate) fn told(failure: Failure) -> Failure {
    failure
        .with_hint("at a terminal it is asked for; else give it in FETTLER_PIN or in a file, --pin-file FILE")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;
    use tonic::Code;
    use tonic_types::ErrorDetails;

    fn sent(pocket: &Pocket, name: Option<&str>) -> Option<String> {
        let mut request = Request::new(());
        pocket.attach(&mut request, name);
        request.metadata().get(PIN).map(|pin| {
            assert!(pin.is_sensitive() && format!("{request:?}").contains("Sensitive"), "it would be shown");
            pin.to_str().unwrap().to_owned()
        })
    }

    #[test]
    fn a_pin_goes_with_calls_in_its_person_s_name_and_a_wrong_one_never_again() {
        let pocket = Pocket::default();
        assert_eq!((sent(&pocket, None), sent(&pocket, Some("Ada"))), (None, None));
        pocket.take_for_all("271828").unwrap();
        assert_eq!(sent(&pocket, Some("Ada")).as_deref(), Some("271828"));
        pocket.was_wrong("Ada");
        assert_eq!((sent(&pocket, Some("Ada")), pocket.has("Ada"), pocket.has("Jo")), (None, false, true));
        pocket.take("Ada", " 314159 ").unwrap();
        assert_eq!(sent(&pocket, Some("Ada")).as_deref(), Some("314159"));
        assert_eq!(sent(&pocket, Some("Jo")).as_deref(), Some("271828"));
        assert!(pocket.take("Ada", "no digits").is_err() && pocket.take("Ada", "").is_err());
    }

    #[test]
    fn a_refusal_says_whose_pin_is_wanted() {
        let check = |reason: &str, subject: &str| {
            let metadata = HashMap::from([("subject".to_owned(), subject.to_owned())]);
            let details = ErrorDetails::with_error_info(reason, "fettler.v1", metadata);
            wanted(&Status::with_error_details(Code::PermissionDenied, "no", details))
        };
        assert_eq!(check("PIN_NEEDED", "person Ada Kern"), Some(("Ada Kern".into(), false)));
        assert_eq!(check("PIN_WRONG", "person Ada Kern"), Some(("Ada Kern".into(), true)));
        assert_eq!(check("PIN_PAUSED", "person Ada Kern"), None);
        assert_eq!(check("MANAGER_ONLY", "order 7"), None);
        assert_eq!(wanted(&Status::permission_denied("no")), None);
    }
}
