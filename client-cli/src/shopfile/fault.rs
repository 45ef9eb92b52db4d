//! What is wrong with a file, with its line and the nearest known key.

use crate::exit::Complaint;

/// A TOML error as a complaint.
pub(crate) fn told(name: &str, text: &str, error: &toml::de::Error) -> Complaint {
    let at = error.span().map_or(0, |span| span.start.min(text.len()));
    let line = text[..at].matches('\n').count() + 1;
    let message = error.message();
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let sort = [("unknown field", "key"), ("unknown variant", "word")];
    let Some((_, sort)) = sort.iter().find(|(start, _)| message.starts_with(start)) else {
        let shown = message.trim_end_matches('.').replace("missing field", "missing key");
        return Complaint::new(format!("{name}, line {line}: {shown}"));
    };
    let (given, known) = quoted.split_first().map_or(("", &[][..]), |(given, known)| (*given, known));
    let complaint = Complaint::new(format!("{name}, line {line}: unknown {sort} `{given}`"));
    match nearest(given, known) {
        Some(near) => complaint.hint(format!("did you mean `{near}`?")),
        None => complaint.hint(format!("known here: {}", known.join(", "))),
    }
}

/// The known word that fewest changes make of the given one, if they are few.
fn nearest<'a>(given: &str, known: &[&'a str]) -> Option<&'a str> {
    let (changes, near) = known.iter().map(|word| (distance(given, word), *word)).min()?;
    (changes <= 1 + given.chars().count() / 3).then_some(near)
}

/// How many letters must be put in, taken out, changed or swapped with a neighbour to make one word of the other
/// (the restricted Damerau-Levenshtein distance).
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows = vec![vec![0; b.len() + 1]; a.len() + 1];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            rows[i][j] = if i == 0 || j == 0 {
                i + j
            } else {
                let changed = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
                let mut best = changed.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
                if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                    best = best.min(rows[i - 2][j - 2] + 1);
                }
                best
            };
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_found_and_far_ones_not_guessed() {
        let known = ["hazard", "title", "covers", "cautions"];
        assert_eq!(nearest("hazzard", &known), Some("hazard"));
        assert_eq!(nearest("ttile", &known), Some("title"));
        assert_eq!(nearest("cover", &known), Some("covers"));
        assert_eq!(nearest("colour", &known), None);
        assert_eq!(nearest("weight", &known), None);
        assert_eq!(nearest("x", &[]), None);
    }

    #[test]
    fn distances() {
        for (a, b, expected) in [("", "abc", 3), ("ab", "ba", 1), ("abc", "abc", 0), ("kitten", "sitting", 3)]
        {
            assert_eq!(distance(a, b), expected, "{a} {b}");
        }
    }
}
