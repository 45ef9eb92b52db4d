//! Names that somebody may have meant, as they differ from what was typed by a slip or two, and names that cannot be told apart by eye.

/// How many are told at most.
const TOLD_MAX: usize = 3;
/// How many are told at most where none is near: an answer's errors have little room.
const ALL_MAX: usize = 20;

/// The names nearest to a typed one, the nearest first; none where all are far from it.
pub fn nearest<'a>(typed: &str, names: impl IntoIterator<Item = &'a str>) -> Vec<&'a str> {
    let plain = |text: &str| text.to_lowercase().replace(['-', '_', ' '], "");
    let wanted = plain(typed);
    // A third of the letters may be wrong, so that a short tag is not taken for every other one.
    let slips_max = (wanted.chars().count() / 3).max(1);
    let mut near: Vec<(usize, &str)> = names
        .into_iter()
        .map(|name| (strsim::osa_distance(&wanted, &plain(name)), name))
        .filter(|(slips, _)| *slips <= slips_max)
        .collect();
    near.sort_unstable();
    near.dedup();
    near.truncate(TOLD_MAX);
    near.into_iter().map(|(_, name)| name).collect()
}

/// "did you mean `a` or `b`?"; none where no name is near.
pub fn question<'a>(typed: &str, names: impl IntoIterator<Item = &'a str>) -> Option<String> {
    listed(&nearest(typed, names), "or").map(|told| format!("did you mean {told}?"))
}

/// Names in words, each as it is typed: "`a`, `b` and `c`"; none where there are none.
pub fn listed(names: &[&str], joint: &str) -> Option<String> {
    let names: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
    let (last, others) = names.split_last()?;
    Some(if others.is_empty() { last.clone() } else { format!("{} {joint} {last}", others.join(", ")) })
}

/// The names that are near, else all there are, after some words.
pub fn remedy<'a>(typed: &str, names: impl Iterator<Item = &'a str> + Clone, words: &str) -> String {
    question(typed, names.clone()).unwrap_or_else(|| {
        let all = some_of(names);
        if all.is_empty() { format!("{words}: none") } else { format!("{words} {all}") }
    })
}

/// Names one after the other, the first of very many: "a, b and 180 more".
pub fn some_of<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut told: Vec<&str> = names.collect();
    let more = told.len().saturating_sub(ALL_MAX);
    told.truncate(ALL_MAX);
    let told = told.join(", ");
    if more > 0 { format!("{told} and {more} more") } else { told }
}

/// What a person's name looks like, as it is written and in small letters: two names that share a look cannot be told apart by
/// eye. Letters that are drawn alike (the skeletons of Unicode Technical Standard 39, section 4), capitals, and more than one space make
/// no difference. Capitals are looked at by themselves, as `I` is drawn like `l`, and `i` is not.
pub fn looks(name: &str) -> [(Case, String); 2] {
    let words = name.split_whitespace().collect::<Vec<_>>().join(" ");
    let skeleton = |text: &str| unicode_security::skeleton(text).collect();
    [(Case::AsWritten, skeleton(&words)), (Case::Small, skeleton(&words.to_lowercase()))]
}

/// In which letters a name was looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Case {
    /// In those in which it is written.
    AsWritten,
    /// In small ones.
    Small,
}

/// Why a name that looks like another person's is not taken, to follow the name's field.
pub fn looks_like(name: &str, other: &str) -> String {
    format!(
        "`{name}` looks like `{other}`, and the work of the one would be put down to the other: use one name for one person, or \
         write this one so that nobody takes it for that, with a first name in full or an initial"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_one_look_are_told_from_names_that_only_are_near() {
        let alike = |a: &str, b: &str| looks(a).iter().any(|look| looks(b).contains(look));
        for (a, b) in [
            ("Ada Kern", "ada kern"),
            ("Ada Kern", "Ada  Kern"),
            ("Ada Kern", "\u{410}da Kern"),
            ("Ada Kern", "Ad\u{430} Kern"),
            ("Ada Kern", "Ada\u{a0}Kern"),
            ("Ada Kern", "Ada Ke\u{200d}rn"),
            ("Ada Kern", "Ada Kem"),
            ("Ida Kern", "ida kern"),
            ("Ilse Moor", "llse Moor"),
            ("Mara Lind", "mara lind"),
            ("Tom West", "TOM WEST"),
            // One letter, or a letter and its dots.
            ("Zo\u{eb} Lund", "Zoe\u{308} Lund"),
        ] {
            assert!(alike(a, b) && alike(b, a), "{a:?} {b:?}");
        }
        for (a, b) in [
            ("Ada Kern", "Ada Kernn"),
            ("Ada Kern", "Adam Kern"),
            ("Ada Kern", "Ida Kern"),
            ("Ada Kern", "\u{c5}da Kern"),
            ("Ada Kern", "Ada K."),
            ("Ada Kern", "Kern Ada"),
            ("Ian Tran", "Lan Tran"),
            ("Ian", "Lan"),
            ("Max I.", "Max L."),
        ] {
            assert!(!alike(a, b) && !alike(b, a), "{a:?} {b:?}");
        }
    }

    #[test]
    fn slips_are_seen_through_and_other_names_are_not() {
        let tags = ["L-03", "L-04", "MC-01", "grinding"];
        assert_eq!(question("L03", tags).unwrap(), "did you mean `L-03` or `L-04`?");
        assert_eq!(question("mc-1", tags).unwrap(), "did you mean `MC-01`?");
        assert_eq!(question("grindign", tags).unwrap(), "did you mean `grinding`?");
        assert_eq!(question("nowhere", tags), None);
        assert_eq!(listed(&tags[..3], "and").unwrap(), "`L-03`, `L-04` and `MC-01`");
        assert_eq!(remedy("x-9", tags.into_iter(), "there are"), "there are L-03, L-04, MC-01, grinding");
    }

    #[test]
    fn of_very_many_names_the_first_are_told() {
        let keys: Vec<String> = (100..300).map(|number| format!("point-{number}")).collect();
        let told = some_of(keys.iter().map(String::as_str));
        assert!(
            told.starts_with("point-100, point-101, ") && told.ends_with("point-119 and 180 more"),
            "{told}"
        );
        assert_eq!(some_of(keys[..2].iter().map(String::as_str)), "point-100, point-101");
    }
}
