//! What a closing is asked back for, in the words of whoever typed it: what `--it-is-so` calls each thing, how a thing is confirmed, and
//! how what was meant takes its place.

use crate::again::quoted;
use crate::exit::{Asked, Failure};
use fettler_domain::order::Confirmed;
use fettler_proto::v1 as pb;

/// What `--it-is-so` calls the time at which the work was done.
const DONE: &str = "done";
/// What to do about an item that is not known where no name is near.
pub(super) const SHELF: &str = "`fettler stock list` shows what is on the shelf";

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

/// What of a thing is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Asks {
    /// Whether its name is meant, which there is not.
    Name,
    /// Whether the value, or the time, is right.
    Value,
    /// Whether it was read without a licensed electrician's record.
    Record,
    /// Whether the value is right, and was read without such a record.
    ValueAndRecord,
}

impl Asks {
    fn of(field: &str, thing: Thing) -> Asks {
        match (thing, field.rsplit('.').next()) {
            (Thing::Item(_), _) | (Thing::Reading(_), Some("point")) => Asks::Name,
            (Thing::Reading(_), Some("electrician_record")) => Asks::Record,
            (Thing::Time | Thing::Reading(_), _) => Asks::Value,
        }
    }

    fn and(self, other: Asks) -> Asks {
        match (self, other) {
            (Asks::Record, Asks::Value) | (Asks::Value, Asks::Record) => Asks::ValueAndRecord,
            _ => self,
        }
    }

    /// Whether a record is missing: a yes to it is no yes to a number alone.
    fn is_of_record(self) -> bool {
        matches!(self, Asks::Record | Asks::ValueAndRecord)
    }
}

/// A thing that is asked back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Question {
    /// Which.
    pub(super) thing: Thing,
    /// What `--it-is-so` calls it.
    pub(super) word: String,
    /// What of it is asked.
    pub(super) asks: Asks,
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

    /// Takes back that it is right.
    fn question(self, request: &mut pb::CloseOrderRequest) {
        match self {
            Thing::Reading(at) => request.readings[at].confirmed = false,
            Thing::Time | Thing::Item(_) => request.confirmed.retain(|field| *field != self.field()),
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
            known.asks = known.asks.and(Asks::of(&of.field, thing));
        } else {
            let (word, asks) = (thing.word(request).to_owned(), Asks::of(&of.field, thing));
            all.push(Question { thing, word, asks, meant: of.meant.clone() });
        }
    }
    all
}

/// Confirms what is said to be so. A word that names a reading confirms that, one that names an item confirms that, and `done` the
/// time: all of them where they bear one name.
pub(super) fn confirm(it_is_so: &[String], request: &mut pb::CloseOrderRequest) -> Result<(), Failure> {
    let all = Thing::all(request);
    let said: Vec<&str> = all.iter().map(|thing| thing.word(request)).collect();
    let hint = format!("name a test point or an item as it was typed, or `{DONE}` for the time");
    for at in named(it_is_so, &said, &hint)? {
        all[at].confirm(request);
    }
    Ok(())
}

/// The places of what bears a word of `--it-is-so`, among what was said; a word that nothing bears is a slip of its own.
pub(super) fn named(it_is_so: &[String], said: &[&str], hint: &str) -> Result<Vec<usize>, Failure> {
    if let Some(word) = it_is_so.iter().find(|word| !said.contains(&word.as_str())) {
        return Err(Failure::usage(format!("--it-is-so: {word} was not said")).with_hint(hint));
    }
    Ok((0..said.len()).filter(|at| it_is_so.iter().any(|word| word == said[*at])).collect())
}

/// What `--it-is-so` calls all that a closing confirms.
pub(super) fn words(request: &pb::CloseOrderRequest) -> Vec<String> {
    let confirmed = Thing::all(request).into_iter().filter(|thing| thing.is_confirmed(request));
    each_once(confirmed.map(|thing| thing.word(request).to_owned()))
}

/// Confirms all that bears a name that is confirmed, as the command does that repeats the closing. What was said anew was not
/// questioned yet: what bears its name waits for that.
pub(super) fn as_said(anew: &[Thing], request: &mut pb::CloseOrderRequest) {
    for new in anew {
        let bears = |thing: &Thing| thing.word(request) == new.word(request);
        let all: Vec<Thing> = Thing::all(request).into_iter().filter(bears).collect();
        for thing in all {
            thing.question(request);
        }
    }
    let words = words(request);
    confirm(&words, request).expect("they are its own words");
}

/// The refusal of an order's closing with what to add where it is only asked back.
pub(super) fn told(failure: Failure, request: &pb::CloseOrderRequest) -> Failure {
    let Failure::Refused(complaint) = &failure else { return failure };
    let questions = questions(complaint.asked(), request);
    let questions: Vec<&Question> = questions.iter().collect();
    hints("nothing was recorded; close it again", &questions).into_iter().fold(failure, Failure::with_hint)
}

/// What to say again, and with what; nothing where nothing is asked back.
pub(super) fn hints(again: &str, questions: &[&Question]) -> Vec<String> {
    let flags = |of_record: bool| {
        let asked = questions.iter().filter(|question| question.asks.is_of_record() == of_record);
        let words = each_once(asked.map(|question| question.word.clone()));
        let flags: Vec<String> = words.iter().map(|word| format!("--it-is-so {}", quoted(word))).collect();
        Some(flags.join(" ")).filter(|flags| !flags.is_empty())
    };
    let typed = flags(false)
        .map(|flags| format!("with what was meant, or with {flags} for what is right as it was typed"));
    let read = flags(true).map(|flags| {
        format!(
            "with --certificate and the number of the electrician's record, or with {flags} for what is right and was read without one: \
             it is recorded so"
        )
    });
    let with: Vec<String> = typed.into_iter().chain(read).collect();
    let all = (!with.is_empty()).then(|| format!("{again} {}", with.join("; and ")));
    all.into_iter().chain(is_far(questions).then(|| SHELF.to_owned())).collect()
}

/// Whether an item is asked back to which no name is near.
pub(super) fn is_far(questions: &[&Question]) -> bool {
    questions.iter().any(|question| matches!(question.thing, Thing::Item(_)) && question.meant.is_empty())
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
        assert_eq!(complaint.message, "--it-is-so: coolnat was not said");
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
        let told: Vec<_> =
            found.iter().map(|of| (of.thing, of.word.as_str(), of.asks, of.meant.len())).collect();
        let expect = [
            (Thing::Time, "done", Asks::Value, 0),
            (Thing::Reading(0), "colant", Asks::Name, 1),
            (Thing::Reading(1), "p-air", Asks::ValueAndRecord, 0),
            (Thing::Item(0), "way oyl", Asks::Name, 1),
        ];
        assert_eq!(told, expect);
    }

    #[test]
    fn what_confirms_a_value_is_told_apart_from_what_confirms_that_a_record_is_missing() {
        let told = |of: &[(Thing, Asks, &str)]| {
            let question = |(thing, asks, word): &(Thing, Asks, &str)| Question {
                thing: *thing,
                word: (*word).to_owned(),
                asks: *asks,
                meant: vec!["oil".to_owned(); usize::from(*word == "way oyl")],
            };
            let all: Vec<Question> = of.iter().map(question).collect();
            hints("close it again", &all.iter().collect::<Vec<_>>())
        };
        let time = (Thing::Time, Asks::Value, "done");
        let item = (Thing::Item(0), Asks::Name, "way oyl");
        let typed = "close it again with what was meant, or with --it-is-so done --it-is-so \"way oyl\" for what is right as it was \
                     typed";
        assert_eq!(told(&[time, item]), [typed]);
        let record = (Thing::Reading(0), Asks::Record, "volt");
        let read = "with --certificate and the number of the electrician's record, or with --it-is-so volt for what is right and was \
                    read without one: it is recorded so";
        assert_eq!(told(&[record]), [format!("close it again {read}")]);
        let both = (Thing::Reading(0), Asks::ValueAndRecord, "volt");
        assert_eq!(told(&[time, both, item]), [format!("{typed}; and {read}")]);
        assert_eq!(told(&[(Thing::Item(0), Asks::Name, "grease")])[1..], [SHELF]);
        assert!(told(&[]).is_empty());
    }

    #[test]
    fn what_was_meant_takes_the_place_of_what_was_typed() {
        let mut request = closing(&["colant"], &["way oyl", "colant"]);
        Thing::Reading(0).rename("coolant", &mut request);
        Thing::Item(0).rename("way oil", &mut request);
        Thing::Item(1).confirm(&mut request);
        as_said(&[Thing::Reading(0)], &mut request);
        assert_eq!((request.readings[0].point.as_str(), request.readings[0].confirmed), ("coolant", false));
        assert_eq!(
            (request.used[0].item.as_str(), request.confirmed),
            ("way oil", vec!["used[1].item".to_owned()])
        );
    }

    #[test]
    fn a_yes_to_one_thing_is_no_yes_to_another_of_its_name_that_was_said_anew() {
        let mut request = closing(&["coolant"], &["coolant"]);
        Thing::Item(0).confirm(&mut request);
        let before = request.clone();
        as_said(&[Thing::Reading(0)], &mut request);
        assert_eq!(request, closing(&["coolant"], &["coolant"]));
        request = before;
        as_said(&[], &mut request);
        assert!(request.readings[0].confirmed, "the command that repeats it cannot tell them apart");
    }
}
