//! What the marks of a plot mean, below it: each mark that is drawn there once more, small, with words beside it.

use super::svg::{Fill, LINE, breadth, count, label, line, rect};

/// How broad a small mark is.
const MARK: f64 = 14.0;
/// From a small mark to its words, and from there to the next mark.
const GAPS: [f64; 2] = [6.0, 18.0];

/// What the marks of a plot mean, in a few words each. A rule has its words beside itself.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Marks<'a> {
    /// What full marks are.
    pub(crate) full: &'a str,
    /// What hatched marks are; empty where there are none.
    pub(crate) hatched: &'a str,
    /// What an upright line with two ends leads over; empty where there is none.
    pub(crate) limits: &'a str,
}

impl<'a> Marks<'a> {
    /// Of a plot that has full marks alone.
    pub(crate) const fn full(full: &'a str) -> Marks<'a> {
        Marks { full, hatched: "", limits: "" }
    }
}

/// Which marks a plot has.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Drawn {
    pub(super) full: bool,
    pub(super) hatched: bool,
    pub(super) limits: bool,
}

impl Drawn {
    /// One more mark.
    pub(super) fn add(&mut self, fill: Fill) {
        match fill {
            Fill::Full => self.full = true,
            Fill::Hatched => self.hatched = true,
        }
    }
}

/// Draws the meaning of the marks that are there, from `top` on and no broader than `width`; gives how high that is.
pub(super) fn legend(body: &mut String, marks: Marks<'_>, drawn: Drawn, (width, top): (f64, f64)) -> f64 {
    let (mut x, mut rows) = (0.0, 0_usize);
    let all = [
        (drawn.full, Some(Fill::Full), marks.full),
        (drawn.hatched, Some(Fill::Hatched), marks.hatched),
        (drawn.limits, None, marks.limits),
    ];
    for (_, fill, words) in all.into_iter().filter(|(is_drawn, ..)| *is_drawn) {
        let breadth = MARK + GAPS[0] + breadth(words);
        if rows == 0 || x + breadth > width {
            (x, rows) = (0.0, rows + 1);
        }
        let middle = top + LINE * (count(rows) - 0.5) + 4.0;
        if let Some(fill) = fill {
            rect(body, &format!("{} key", fill.class()), (x, middle - 5.0), (MARK, 10.0));
        } else {
            let at = x + MARK / 2.0;
            line(body, "limits key", (at, middle - 5.0), (at, middle + 5.0));
            for end in [middle - 5.0, middle + 5.0] {
                line(body, "limits key", (at - 4.0, end), (at + 4.0, end));
            }
        }
        label(body, "start", (x + MARK + GAPS[0], middle + 4.0), words);
        x += breadth + GAPS[1];
    }
    if rows > 0 { LINE * count(rows) + 8.0 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MARKS: Marks<'static> = Marks { full: "used", hatched: "expected", limits: "what it may be" };

    #[test]
    fn the_marks_that_are_drawn_are_told_and_no_others() {
        let told = |drawn: Drawn| {
            let mut body = String::new();
            let high = legend(&mut body, MARKS, drawn, (300.0, 100.0));
            (body, high)
        };
        assert_eq!(told(Drawn::default()), (String::new(), 0.0));
        let (body, high) = told(Drawn { hatched: true, ..Drawn::default() });
        assert!(body.contains("hatched key") && body.contains(">expected</text>"), "{body}");
        assert!(!body.contains("used") && !body.contains("full") && !body.contains("limits"), "{body}");
        assert!(high > LINE && high < 2.0 * LINE, "a line of them: {high}");
        let (body, high) = told(Drawn { full: true, hatched: true, limits: true });
        assert_eq!(body.matches("<text").count(), 3, "{body}");
        assert!(high < 2.0 * LINE, "all of them on a line: {high}");
    }

    #[test]
    fn what_does_not_fit_beside_goes_below() {
        let mut body = String::new();
        let all = Drawn { full: true, hatched: true, limits: true };
        let high = legend(&mut body, MARKS, all, (100.0, 0.0));
        assert!(high > 3.0 * LINE, "a line for each: {high}");
        assert_eq!(body.matches("x=\"20.0\"").count(), 3, "{body}");
    }
}
