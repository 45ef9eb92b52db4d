//! The command that repeats a change without a second effect, as it can be typed.
//!
//! A repeat is known by its request id and must be the same request, so whatever a run settled by itself (the id, an
//! answer at the terminal, what was found in a list) stands in that command as a flag.

use uuid::Uuid;

/// What makes a repeat of a change the same request.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Again {
    id: Option<Uuid>,
    flags: Vec<(&'static str, Option<String>)>,
    /// What says it, where that is not the command of this run.
    words: Option<Vec<String>>,
}

/// Flags that say where the service is and as whom it is asked; each takes a value.
const EVERYWHERE: [&str; 6] =
    ["--server", "--site", "--token-file", "--ca-file", "--client-cert", "--client-key"];

impl Again {
    /// A change that is known by its request id.
    pub(crate) fn of(id: Uuid) -> Again {
        Again { id: Some(id), flags: vec![("--request-id", Some(id.to_string()))], words: None }
    }

    /// The same with a flag that takes no value.
    pub(crate) fn flag(mut self, flag: &'static str) -> Again {
        self.flags.push((flag, None));
        self
    }

    /// The same with a flag and its value, which takes the place of what was typed for that flag.
    pub(crate) fn with(mut self, flag: &'static str, value: impl Into<String>) -> Again {
        self.flags.push((flag, Some(value.into())));
        self
    }

    /// The same said in words of its own, to which is added where the service is and as whom it is asked.
    pub(crate) fn said(mut self, words: Vec<String>) -> Again {
        self.words = Some(words);
        self
    }

    /// The request id, where the change has one.
    pub(crate) fn id(&self) -> Option<Uuid> {
        self.id
    }

    /// The command of this run with what makes it the same request.
    pub(crate) fn command(&self) -> String {
        let typed = std::env::args_os().skip(1).map(|word| word.to_string_lossy().into_owned());
        let typed: Vec<String> = typed.collect();
        match &self.words {
            None => self.command_of(&typed),
            Some(words) => self.command_of(&[words.clone(), everywhere(&typed)].concat()),
        }
    }

    fn command_of(&self, typed: &[String]) -> String {
        let flags_end = typed.iter().position(|word| word == "--").unwrap_or(typed.len());
        let (before, after) = typed.split_at(flags_end);
        let mut words = vec!["fettler".to_owned()];
        let mut rest = before.iter();
        while let Some(word) = rest.next() {
            let name = word.split_once('=').map_or(word.as_str(), |(name, _)| name);
            match self.flags.iter().find(|(flag, _)| *flag == name) {
                // Its value is the next word, unless it stands in the same one.
                Some((_, Some(_))) if name == word => {
                    rest.next();
                }
                Some(_) => {}
                None => words.push(quoted(word)),
            }
        }
        for (flag, value) in &self.flags {
            words.push((*flag).to_owned());
            words.extend(value.as_deref().map(quoted));
        }
        words.extend(after.iter().map(|word| quoted(word)));
        words.join(" ")
    }
}

/// Of what was typed, where the service is and as whom it is asked.
fn everywhere(typed: &[String]) -> Vec<String> {
    let mut found = Vec::new();
    for (at, word) in typed.iter().enumerate() {
        let name = word.split_once('=').map_or(word.as_str(), |(name, _)| name);
        if EVERYWHERE.contains(&name) {
            found.push(word.clone());
            found.extend(typed.get(at + 1).filter(|_| name == word).cloned());
        }
    }
    found
}

/// A word as a shell takes it.
pub(crate) fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./:=,@%+".contains(c);
    let bent = |c: char| "\"\\$`!".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else if word.contains(bent) {
        format!("'{}'", word.replace('\'', r"'\''"))
    } else {
        format!("\"{word}\"")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(again: &Again, typed: &[&str], expect: &str) {
        let typed: Vec<String> = typed.iter().map(|&word| word.to_owned()).collect();
        assert_eq!(again.command_of(&typed), format!("fettler {expect}"));
    }

    #[test]
    fn where_the_service_is_stays_in_words_of_its_own() {
        let typed =
            ["close", "7", "8", "--server", "http://a", "--site=north", "--by", "Ada"].map(str::to_owned);
        assert_eq!(everywhere(&typed), ["--server", "http://a", "--site=north"]);
    }

    #[test]
    fn what_was_typed_is_quoted_and_what_was_settled_is_added_once() {
        let id = "6f1c2b1e-8f0a-4f57-9d1e-0d6a1b2c3d4e";
        let again = Again::of(id.parse().unwrap());
        let told = format!("undo 7 --by \"Ada Kern\" --reason 'a \"b\" $c' --request-id {id}");
        check(&again, &["undo", "7", "--by", "Ada Kern", "--reason", "a \"b\" $c"], &told);
        let told = format!("undo 7 --reason \"it's\" --request-id {id}");
        check(&again, &["undo", "7", "--request-id", "other", "--reason", "it's"], &told);
        check(&again, &["undo", "--request-id=other", "7", "--reason", "it's"], &told);
        check(&again, &["person", "add", "--", "-x"], &format!("person add --request-id {id} -- -x"));
        let again = again.flag("--cautions-confirmed").with("--digest", "abcd");
        let told = format!("close 7 --by \"\" --request-id {id} --cautions-confirmed --digest abcd");
        check(&again, &["close", "--cautions-confirmed", "7", "--digest", "ab", "--by", ""], &told);
    }
}
