//! Lines of a bounded width that lose nothing.

use std::fmt::Write as _;

/// Breaks a text into lines of at most `width` characters, at spaces where there are any.
pub(crate) fn lines(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = Vec::new();
    for paragraph in text.lines() {
        let mut line = String::new();
        let mut used = 0;
        for word in paragraph.split_whitespace() {
            for (index, piece) in pieces(word, width).into_iter().enumerate() {
                let length = piece.chars().count();
                // Later pieces of one long word stand alone, so that no space creeps into it.
                if used > 0 && (index > 0 || used + 1 + length > width) {
                    lines.push(std::mem::take(&mut line));
                    used = 0;
                }
                if used > 0 {
                    line.push(' ');
                    used += 1;
                }
                line.push_str(&piece);
                used += length;
            }
        }
        lines.push(line);
    }
    if lines.is_empty() {
        lines.push(String::new());
    }
    lines
}

fn pieces(word: &str, width: usize) -> Vec<String> {
    let letters: Vec<char> = word.chars().collect();
    letters.chunks(width).map(|chunk| chunk.iter().collect()).collect()
}

/// A label and a text beside it, continued under the text; nothing for an empty text.
pub(crate) fn labelled(indent: usize, label: &str, gap: usize, text: &str, width: usize) -> String {
    if text.trim().is_empty() {
        return String::new();
    }
    let start = indent + gap;
    let mut out = String::new();
    for (index, line) in lines(text, width.saturating_sub(start)).into_iter().enumerate() {
        let head = if index == 0 { label } else { "" };
        out.push_str(format!("{:indent$}{head:<gap$}{line}", "").trim_end());
        out.push('\n');
    }
    out
}

/// A text on the left and a short one at the right edge of its last line, or on a line of its own if there is no room.
pub(crate) fn between(left: &str, right: &str, indent: usize, hang: usize, width: usize) -> String {
    let mut rows = lines(left, width.saturating_sub(hang));
    let prefix = |index: usize| " ".repeat(if index == 0 { indent } else { hang });
    let last = rows.len() - 1;
    let used = prefix(last).len() + rows[last].chars().count();
    let mut out = String::new();
    if right.is_empty() || used + 2 + right.chars().count() <= width {
        let fill = width.saturating_sub(used + right.chars().count());
        if !right.is_empty() {
            let row = format!("{}{}{right}", rows[last], " ".repeat(fill));
            rows[last] = row;
        }
        for (index, row) in rows.iter().enumerate() {
            let _ = writeln!(out, "{}{row}", prefix(index));
        }
    } else {
        for (index, row) in rows.iter().enumerate() {
            let _ = writeln!(out, "{}{row}", prefix(index));
        }
        for row in lines(right, width.saturating_sub(hang)) {
            let _ = writeln!(out, "{row:>width$}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_lost_and_no_line_is_too_long() {
        let text = "drain the bowl behind thelongestwordthatevermachinehad on it\nthen  shut";
        for width in 1..70 {
            let lines = lines(text, width);
            assert!(lines.iter().all(|line| line.chars().count() <= width), "width {width}");
            let squeeze = |text: &str| text.split_whitespace().collect::<String>();
            assert_eq!(squeeze(&lines.concat()), squeeze(text), "width {width}");
        }
    }

    #[test]
    fn a_label_hangs() {
        assert_eq!(labelled(2, "why", 6, "one two three", 15), "  why   one two\n        three\n");
        assert_eq!(labelled(2, "why", 6, " ", 15), "");
    }

    #[test]
    fn the_right_text_keeps_its_edge() {
        assert_eq!(between("drain", "late", 2, 4, 20), "  drain         late\n");
        assert_eq!(
            between("drain the long bowl", "9 days late", 2, 4, 20),
            "  drain the long\n    bowl 9 days late\n".replace("bowl 9", "bowl\n         9")
        );
    }
}
