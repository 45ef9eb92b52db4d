//! Lives from closings: each closing renews, so a life runs from one closing to the next.

use crate::order::AsFound;
use crate::statistics::life::{LIVES_MAX, Life, Seen};
use crate::time::Ts;

/// How many of the newest closings are looked at for a cluster of failures.
const RECENT: usize = 5;

/// One closing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// When it was done.
    pub at: Ts,
    /// What had been counted then; none where it is not known.
    pub count: Option<f64>,
    /// How the part was found.
    pub as_found: AsFound,
}

/// The closings of one task on one machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Course {
    /// In the order in which they were done.
    pub looks: Vec<Look>,
    /// What had been counted when it was last done before its record begins, where that was stated.
    pub begins: Option<f64>,
    /// What has been counted by now.
    pub now: Option<f64>,
}

/// What closings tell together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// The lives, the oldest first; the newest [`LIVES_MAX`] of them.
    pub lives: Vec<Life>,
    /// Closings that ended a life whose length is known.
    pub closings: usize,
    /// Those that found the part failed.
    pub found_failed: usize,
    /// Those that came because it broke down.
    pub broke_down: usize,
    /// Those that found it worn.
    pub worn: usize,
    /// Of the newest five, those that found it failed or broken down.
    pub recent_failed: usize,
    /// The longest age at which it was found good or worn.
    pub longest_good: f64,
    /// How many machines took part.
    pub machines: usize,
    /// Closings that tell nothing, as the age at them is not known.
    pub unknown: usize,
}

/// What closings tell of an interval that a manager accepted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Since {
    /// Closings since then whose whole age, from the closing before, lies under it.
    pub closings: usize,
    /// Closings since then that found it failed or broken down.
    pub failed: usize,
}

/// Counts the closings since an instant at which an interval was accepted.
pub fn since(courses: &[Course], accepted: Ts) -> Since {
    let mut found = Since::default();
    for looks in courses.iter().map(|course| &course.looks) {
        let began = looks.iter().map(|look| Some(look.at));
        for (look, began) in looks.iter().zip(std::iter::once(None).chain(began)) {
            let failed = matches!(look.as_found, AsFound::Failed | AsFound::BrokeDown);
            found.failed += usize::from(failed && look.at >= accepted);
            found.closings += usize::from(began.is_some_and(|began| began >= accepted));
        }
    }
    found
}

impl Evidence {
    /// How often the part had failed.
    pub fn failures(&self) -> usize {
        self.found_failed + self.broke_down
    }
}

/// Puts the closings of several machines together.
pub fn evidence(courses: &[Course]) -> Evidence {
    let mut told: Vec<(Ts, Life, Option<AsFound>)> = Vec::new();
    let mut found = Evidence::default();
    for course in courses {
        let before = told.len();
        let mut since = course.begins;
        let mut last = Ts(i64::MIN);
        for look in &course.looks {
            match since.zip(look.count).map(|(since, count)| count - since) {
                Some(age) if age > 0.0 => told.push((look.at, life(age, look.as_found), Some(look.as_found))),
                Some(_) | None => found.unknown += 1,
            }
            (since, last) = (look.count, look.at);
        }
        if let Some(age) = since.zip(course.now).map(|(since, now)| now - since).filter(|age| *age > 0.0) {
            told.push((last, Life::new(Seen::Good(age)), None));
        }
        found.machines += usize::from(told.len() > before);
    }
    told.sort_by_key(|(at, ..)| *at);
    told.drain(..told.len().saturating_sub(LIVES_MAX));
    found.count(&told);
    found.lives = told.into_iter().map(|(_, life, _)| life).collect();
    found
}

/// What is found failed had failed somewhere since the closing before; what broke down failed then.
fn life(age: f64, as_found: AsFound) -> Life {
    Life::new(match as_found {
        AsFound::Good | AsFound::Worn => Seen::Good(age),
        AsFound::Failed => Seen::Between(0.0, age),
        AsFound::BrokeDown => Seen::Failed(age),
    })
}

impl Evidence {
    fn count(&mut self, told: &[(Ts, Life, Option<AsFound>)]) {
        let closed: Vec<(Life, AsFound)> =
            told.iter().filter_map(|(_, life, found)| Some((*life, (*found)?))).collect();
        let of = |wanted: AsFound| closed.iter().filter(|(_, found)| *found == wanted).count();
        self.closings = closed.len();
        self.found_failed = of(AsFound::Failed);
        self.broke_down = of(AsFound::BrokeDown);
        self.worn = of(AsFound::Worn);
        self.recent_failed = closed.iter().rev().take(RECENT).filter(|(life, _)| life.failed()).count();
        let good = told.iter().filter(|(_, life, _)| !life.failed()).map(|(_, life, _)| life.age());
        self.longest_good = good.fold(0.0, f64::max);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(at: i64, count: f64, as_found: AsFound) -> Look {
        Look { at: Ts(at), count: Some(count), as_found }
    }

    #[test]
    fn a_life_runs_from_closing_to_closing_and_the_last_one_goes_on() {
        let looks = vec![
            look(1, 40.0, AsFound::Good),
            look(2, 85.0, AsFound::Failed),
            Look { at: Ts(3), count: None, as_found: AsFound::Good },
            look(4, 160.0, AsFound::Worn),
            look(5, 190.0, AsFound::BrokeDown),
        ];
        let found = evidence(&[Course { looks, begins: Some(5.0), now: Some(200.0) }]);
        let seen: Vec<Seen> = found.lives.iter().map(|life| life.seen).collect();
        // The order is that of the closings; the running life stands at its last closing. Two closings around the one whose
        // hours are not known tell nothing.
        assert_eq!(seen, [Seen::Good(35.0), Seen::Between(0.0, 45.0), Seen::Failed(30.0), Seen::Good(10.0)]);
        assert_eq!((found.closings, found.found_failed, found.broke_down, found.worn), (3, 1, 1, 0));
        assert_eq!((found.unknown, found.machines, found.recent_failed), (2, 1, 2));
        assert!((found.longest_good - 35.0).abs() < 1e-12);
    }

    #[test]
    fn closings_speak_of_an_accepted_interval_once_they_lie_under_it() {
        let looks = vec![
            look(1, 40.0, AsFound::Good),
            look(2, 85.0, AsFound::Failed),
            look(3, 160.0, AsFound::Worn),
            look(4, 190.0, AsFound::BrokeDown),
        ];
        let courses = [Course { looks, ..Course::default() }, Course::default()];
        // The closing at 2 ends an age that began before.
        assert_eq!(since(&courses, Ts(2)), Since { closings: 2, failed: 2 });
        assert_eq!(since(&courses, Ts(3)), Since { closings: 1, failed: 1 });
        assert_eq!(since(&courses, Ts(5)), Since::default());
    }

    #[test]
    fn a_course_without_a_beginning_begins_with_its_first_closing() {
        let course = Course {
            looks: vec![look(1, 40.0, AsFound::Failed), look(2, 70.0, AsFound::Good)],
            ..Course::default()
        };
        let found = evidence(&[course, Course::default()]);
        assert_eq!((found.closings, found.found_failed, found.unknown, found.machines), (1, 0, 1, 1));
    }
}
