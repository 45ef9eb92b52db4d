//! What a closing is asked back for, in the words of whoever typed it: what `--it-is-so` calls each thing, how a thing is confirmed, and
//! how what was meant takes its place.

use crate::again::quoted;
use crate::exit::{Asked, Failure};
use fettler_domain::order::Confirmed;
use fettler_proto::v1 as pb;

/// What `--it-is-so` calls the time at which the work was done.
const DONE: &str = "done";

/// A thing of a closing that can be asked back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Thing {
    /// When it was done.
    Time,
    /// A reading, by its place.
    Reading(usize),
    /// An item that was used, by its place.
    Item(usize),
}

/// A thing that is asked back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Question {
    /// Which.
    pub(super) thing: Thing,
    /// What `--it-is-so` calls it.
    pub(super) word: String,
    /// Names that may be meant, the nearest first.
    pub(super) meant: Vec<String>,
}

impl Thing {
    /// The thing that a field of the call is about.
    fn of(field: &str, request: &pb::CloseOrderRequest) -> Option<Thing> {
        let list = field.split('[').next().unwrap_or_default();
        let at = || field.split_once('[')?.1.split(']').next()?.parse::<usize>().ok();
        match list {
            Confirmed::DONE_AT => Some(Thing::Time),
            "readings" => at().filter(|at| *at < request.readings.len()).map(Thing::Reading),
            "used" => at().filter(|at| *at < request.used.len()).map(Thing::Item),
            _ => None,
        }
    }

    fn all(request: &pb::CloseOrderRequest) -> Vec<Thing> {
        let readings = (0..request.readings.len()).map(Thing::Reading);
        readings.chain((0..request.used.len()).map(Thing::Item)).chain([Thing::Time]).collect()
    }

    fn word(self, request: &pb::CloseOrderRequest) -> &str {
        match self {
            Thing::Time => DONE,
            Thing::Reading(at) => &request.readings[at].point,
            Thing::Item(at) => &request.used[at].item,
        }
    }

    fn is_confirmed(self, request: &pb::CloseOrderRequest) -> bool {
        match self {
            Thing::Reading(at) => request.readings[at].confirmed,
            Thing::Time | Thing::Item(_) => request.confirmed.contains(&self.field()),
        }
    }

    /// The field that confirms it beside the readings.
    fn field(self) -> String {
        match self {
            Thing::Item(at) => Confirmed::item_field(at),
            Thing::Time | Thing::Reading(_) => Confirmed::DONE_AT.to_owned(),
        }
    }

    /// Says that it is right as it was typed.
    pub(super) fn confirm(self, request: &mut pb::CloseOrderRequest) {
        match self {
            Thing::Reading(at) => request.readings[at].confirmed = true,
            Thing::Time | Thing::Item(_) if self.is_confirmed(request) => {}
            Thing::Time | Thing::Item(_) => request.confirmed.push(self.field()),
        }
    }

    /// Puts the name that was meant in its place; a time has none.
    pub(super) fn rename(self, name: &str, request: &mut pb::CloseOrderRequest) {
        match self {
            Thing::Time => {}
            Thing::Reading(at) => name.clone_into(&mut request.readings[at].point),
            Thing::Item(at) => name.clone_into(&mut request.used[at].item),
        }
    }
}

/// What a closing is asked back for, each thing once.
pub(super) fn questions(asked: &[Asked], request: &pb::CloseOrderRequest) -> Vec<Question> {
    let mut all: Vec<Question> = Vec::new();
    for of in asked {
        let Some(thing) = Thing::of(&of.field, request) else { continue };
        if let Some(known) = all.iter_mut().find(|known| known.thing == thing) {
            known.meant.extend(of.meant.iter().cloned());
        } else {
            let word = thing.word(request).to_owned();
            all.push(Question { thing, word, meant: of.meant.clone() });
        }
    }
    all
}

/// Confirms what is said to be so. A word that names a reading confirms that, one that names an item confirms that, and `done` the
/// time: all of them where they bear one name.
pub(super) fn confirm(it_is_so: &[String], request: &mut pb::CloseOrderRequest) -> Result<(), Failure> {
    for word in it_is_so {
        let named = Thing::all(request).into_iter().filter(|thing| thing.word(request) == word);
        let named: Vec<Thing> = named.collect();
        if named.is_empty() {
            let text = format!("--it-is-so: {word} was neither read nor used");
            let hint = format!("name a test point or an item as it was typed, or `{DONE}` for the time");
            return Err(Failure::usage(text).with_hint(hint));
        }
        for thing in named {
            thing.confirm(request);
        }
    }
    Ok(())
}

/// What `--it-is-so` calls all that a closing confirms.
pub(super) fn words(request: &pb::CloseOrderRequest) -> Vec<String> {
    let confirmed = Thing::all(request).into_iter().filter(|thing| thing.is_confirmed(request));
    each_once(confirmed.map(|thing| thing.word(request).to_owned()))
}

/// Confirms all that bears a name that is confirmed, as the command does that repeats the closing.
pub(super) fn as_said(request: &mut pb::CloseOrderRequest) {
    let words = words(request);
    confirm(&words, request).expect("they are its own words");
}

/// The refusal of an order's closing with what to add where it is only asked back.
pub(super) fn told(failure: Failure, request: &pb::CloseOrderRequest) -> Failure {
    let Failure::Refused(complaint) = &failure else { return failure };
    let questions = questions(complaint.asked(), request);
    if questions.is_empty() {
        failure
    } else {
        failure.with_hint(hint("nothing was recorded; close it", &questions))
    }
}

/// What to say again, and with what.
pub(super) fn hint<'a>(again: &str, questions: impl IntoIterator<Item = &'a Question>) -> String {
    let words = each_once(questions.into_iter().map(|question| question.word.clone()));
    let flags: Vec<String> = words.iter().map(|word| format!("--it-is-so {}", quoted(word))).collect();
    let flags = flags.join(" ");
    format!("{again} again with what was meant, or with {flags} for what is right as it was typed")
}

fn each_once(words: impl Iterator<Item = String>) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for word in words {
        if !all.contains(&word) {
            all.push(word);
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A closing with readings and items of these names.
    fn closing(points: &[&str], items: &[&str]) -> pb::CloseOrderRequest {
        let reading = |point: &&str| pb::Reading { point: (*point).to_owned(), ..Default::default() };
        let item = |item: &&str| pb::KitItem { item: (*item).to_owned(), ..Default::default() };
        pb::CloseOrderRequest {
            readings: points.iter().map(reading).collect(),
            used: items.iter().map(item).collect(),
            ..Default::default()
        }
    }

    #[test]
    fn a_word_confirms_all_that_bears_it() {
        for (points, items, word, read, confirmed) in [
            (&["coolant"][..], &["coolant"][..], "coolant", true, &["used[0].item"][..]),
            (&["coolant"], &["rag"], "coolant", true, &[]),
            (&["p-air"], &["rag", "coolant"], "coolant", false, &["used[1].item"]),
            (&["done"], &["done"], "done", true, &["used[0].item", "done_at"]),
            (&["p-air"], &[], "done", false, &["done_at"]),
        ] {
            let mut request = closing(points, items);
            confirm(&[word.to_owned(), word.to_owned()], &mut request).unwrap();
            assert_eq!(
                (request.readings[0].confirmed, &request.confirmed[..]),
                (read, &confirmed.iter().map(|of| (*of).to_owned()).collect::<Vec<_>>()[..]),
                "{points:?} {items:?} {word}"
            );
            assert_eq!(words(&request), [word]);
        }
        let missing = confirm(&["coolnat".to_owned()], &mut closing(&["coolant"], &["coolant"]));
        let Err(Failure::Usage(complaint)) = missing else { panic!("{missing:?}") };
        assert_eq!(complaint.message, "--it-is-so: coolnat was neither read nor used");
    }

    #[test]
    fn each_thing_is_asked_back_once_in_the_words_of_who_typed_it() {
        let request = closing(&["colant", "p-air"], &["way oyl"]);
        let asked = |field: &str, meant: &[&str]| Asked {
            field: field.to_owned(),
            meant: meant.iter().map(|of| (*of).to_owned()).collect(),
        };
        let all = [
            asked("done_at", &[]),
            asked("readings[0].point", &["coolant"]),
            asked("readings[1].value", &[]),
            asked("readings[1].electrician_record", &[]),
            asked("used[0].item", &["way oil"]),
            asked("used[1].item", &[]),
            asked("note", &[]),
        ];
        let found = questions(&all, &request);
        let told: Vec<_> = found.iter().map(|of| (of.thing, of.word.as_str(), of.meant.len())).collect();
        let expect = [
            (Thing::Time, "done", 0),
            (Thing::Reading(0), "colant", 1),
            (Thing::Reading(1), "p-air", 0),
            (Thing::Item(0), "way oyl", 1),
        ];
        assert_eq!(told, expect);
        assert_eq!(
            hint("nothing was recorded; close it", &found),
            "nothing was recorded; close it again with what was meant, or with --it-is-so done --it-is-so colant --it-is-so p-air \
             --it-is-so \"way oyl\" for what is right as it was typed"
        );
    }

    #[test]
    fn what_was_meant_takes_the_place_of_what_was_typed() {
        let mut request = closing(&["colant"], &["way oyl", "colant"]);
        Thing::Reading(0).rename("coolant", &mut request);
        Thing::Item(0).rename("way oil", &mut request);
        Thing::Item(1).confirm(&mut request);
        as_said(&mut request);
        assert_eq!((request.readings[0].point.as_str(), request.readings[0].confirmed), ("coolant", false));
        assert_eq!(
            (request.used[0].item.as_str(), request.confirmed),
            ("way oil", vec!["used[1].item".to_owned()])
        );
    }
}
