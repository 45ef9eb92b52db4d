//! The nearest of the names that there are, for a remedy that can be followed at once.

use crate::text::letters_apart;

/// How many letters may be wrong in a name for which another is suggested.
const APART_MAX: usize = 2;

/// What to do about an unknown name: "did you mean `x`?", or the names that there are.
pub fn remedy<'a>(given: &str, known: impl Iterator<Item = &'a str>, what: &str) -> String {
    let known: Vec<&str> = known.collect();
    let near = known.iter().map(|name| (letters_apart(&given.to_lowercase(), &name.to_lowercase()), *name));
    match near.min() {
        Some((apart, name)) if apart <= APART_MAX && apart < name.chars().count() => {
            format!("did you mean `{name}`?")
        }
        Some(_) if known.len() <= 8 => format!("{what}: {}", known.join(", ")),
        Some(_) | None => format!("declare it first ({what}: {})", count_in_words(known.len())),
    }
}

fn count_in_words(n: usize) -> String {
    if n == 0 { "none so far".to_owned() } else { format!("{n} others") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_suggested_and_a_stranger_gets_the_list() {
        let known = || ["operating", "cycles"].into_iter();
        assert_eq!(remedy("operatin", known(), "its meters"), "did you mean `operating`?");
        assert_eq!(remedy("Cycle", known(), "its meters"), "did you mean `cycles`?");
        assert_eq!(remedy("hours", known(), "its meters"), "its meters: operating, cycles");
        assert_eq!(
            remedy("hours", std::iter::empty(), "its meters"),
            "declare it first (its meters: none so far)"
        );
    }
}
