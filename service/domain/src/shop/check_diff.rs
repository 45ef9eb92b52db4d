//! Checks of sheets and machines, compared.

use super::check::{CheckCard, effective};
use super::diff::{Differ, Sheet, twice};
use super::limits::{CAUTIONS_MAX, CHECKS_MAX, TEXT_MAX};
use super::machine_diff::At;
use super::state::ShopState;
use super::suggest::remedy;
use crate::text::Key;
use std::collections::BTreeMap;

/// How many machines are named where a change touches many.
const NAMED_MAX: usize = 8;

/// What becomes of a check that is retired.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Retired {
    /// It goes: a sheet has it no more.
    Go,
    /// It stays, so that it takes a sheet's check away from its machine.
    Stay,
}

/// Checks by key: those named in place of those that stood, the others as they were.
pub(super) fn merged(
    differ: &mut Differ<'_>,
    old: &[CheckCard],
    said: &[CheckCard],
    field: &str,
    retired: Retired,
) -> Vec<CheckCard> {
    let mut checks = old.to_vec();
    if !differ.at_most(field, said.len(), CHECKS_MAX) {
        return checks;
    }
    for (i, check) in said.iter().enumerate() {
        let field = format!("{field}[{i}]");
        if said[..i].iter().any(|other| other.key == check.key) {
            differ.wrong(format!("{field}.key"), twice("check", &check.key));
            continue;
        }
        differ.text(format!("{field}.place"), &check.place, TEXT_MAX);
        differ.text(format!("{field}.good"), &check.good, TEXT_MAX);
        if differ.at_most(&format!("{field}.cautions"), check.cautions.len(), CAUTIONS_MAX) {
            for (j, caution) in check.cautions.iter().enumerate() {
                differ.text(format!("{field}.cautions[{j}]"), caution, TEXT_MAX);
            }
        }
        let stood = checks.iter_mut().find(|other| other.key == check.key);
        // One that was away was not walked; one that is walked more often was not so before.
        let goes_on =
            stood.as_ref().filter(|old| !old.retire && old.every == check.every).and_then(|old| old.since);
        let check = CheckCard { since: goes_on.or(Some(differ.today)), ..check.clone() };
        match stood {
            Some(stood) if stood.retire && check.retire => {}
            Some(stood) => *stood = check,
            None if check.retire && retired == Retired::Go => {}
            None => checks.push(check),
        }
    }
    checks.retain(|check| retired == Retired::Stay || !check.retire);
    differ.at_most(field, checks.len(), CHECKS_MAX);
    checks
}

/// Checks what the checks of a machine ask for against the machine.
pub(super) fn in_place(
    differ: &mut Differ<'_>,
    at: &At<'_>,
    own: &[CheckCard],
    sheets: &BTreeMap<Key, Sheet>,
) {
    let of = at.sheets.iter().filter_map(|key| sheets.get(key).map(|sheet| &sheet.card));
    let all = effective(own, of);
    let field = if at.field.is_empty() { "shop.sheets".to_owned() } else { format!("{}.checks", at.field) };
    differ.at_most(&field, all.len(), CHECKS_MAX);
    for check in all {
        let Some(point) = check.point.as_ref().filter(|point| !at.points.contains_key(*point)) else {
            continue;
        };
        let known = at.points.keys().map(Key::as_str);
        let text = format!(
            "check `{}` on machine `{}` reads test point `{point}`, which the machine has not; {}",
            check.key,
            at.tag,
            remedy(point.as_str(), known, "its test points")
        );
        differ.wrong(field.clone(), text);
    }
}

/// On which machines a sheet's checks are walked, in words.
pub(super) fn walked_on(shop: &ShopState, sheet: &Key) -> String {
    let machines = shop.machines.iter().filter(|(_, machine)| !machine.retired);
    let tags: Vec<&str> =
        machines.filter(|(_, machine)| machine.sheets.contains(sheet)).map(|(tag, _)| tag.as_str()).collect();
    if tags.is_empty() {
        return "walked on no machine yet".to_owned();
    }
    let more = tags.len().saturating_sub(NAMED_MAX);
    let and = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("walked on {}{and}", tags[..tags.len() - more].join(", "))
}

#[cfg(test)]
mod tests {
    use super::super::Declaration;
    use super::super::check::Cadence;
    use super::super::diff::diff;
    use super::super::diff_tests::{loaded, shop, today, words};
    use super::*;
    use crate::text::Name;
    use crate::time::ShopDay;

    fn check(key: &str) -> CheckCard {
        CheckCard {
            key: Key::new(key).expect("a key"),
            title: Name::new(key).expect("a name"),
            place: String::new(),
            good: String::new(),
            every: Cadence::Shift,
            point: None,
            cautions: Vec::new(),
            hazard: false,
            retire: false,
            start: None,
            minutes: None,
            since: None,
        }
    }

    fn with(of_sheet: Vec<CheckCard>, own: Vec<CheckCard>) -> Declaration {
        let mut shop = shop();
        shop.sheets[0].checks = of_sheet;
        shop.machines[0].checks = own;
        shop
    }

    #[test]
    fn checks_are_added_changed_taken_away_and_left_alone() {
        let stands = loaded(&with(vec![check("air"), check("leaks")], vec![check("own")]));
        let again = with(vec![check("air"), check("leaks")], vec![check("own")]);
        assert_eq!(words(&diff(&stands, &again, today()).expect("no fault")), Vec::<String>::new());
        let later = ShopDay(today().0 + chrono::Days::new(9));
        let nothing = diff(&stands, &again, later).expect("no fault");
        assert!(nothing.is_empty(), "the day on which it was declared first is kept");
        let less = with(vec![CheckCard { retire: true, ..check("air") }], Vec::new());
        let said = words(&diff(&stands, &less, today()).expect("no fault"));
        assert_eq!(said.len(), 1, "{said:?}");
        assert!(said[0].contains("checks changed (0 new, 1 gone); walked on "), "{said:?}");
        let after = loaded(&with(vec![check("leaks")], vec![CheckCard { retire: true, ..check("leaks") }]));
        let machine = after.machines.values().find(|machine| !machine.checks.is_empty()).expect("one");
        assert!(effective(&machine.checks, after.sheets.values()).is_empty(), "the machine takes it away");
    }

    #[test]
    fn an_own_check_stands_in_the_place_of_the_sheet_s() {
        let mut shop = with(vec![check("air"), check("leaks")], Vec::new());
        let own = [check("more"), CheckCard { every: Cadence::Week, ..check("air") }];
        let sheet = shop.sheets.remove(0);
        let all = effective(&own, [&sheet]);
        let found: Vec<(&str, Cadence)> = all.iter().map(|c| (c.key.as_str(), c.every)).collect();
        assert_eq!(found, [("air", Cadence::Week), ("leaks", Cadence::Shift), ("more", Cadence::Shift)]);
    }

    #[test]
    fn a_check_that_reads_what_its_machine_has_not_is_refused() {
        let lost = CheckCard { point: Key::new("nowhere").ok(), ..check("air") };
        let wrong = diff(&loaded(&shop()), &with(vec![lost], Vec::new()), today()).expect_err("wrong");
        assert!(wrong[0].text.contains("reads test point `nowhere`"), "{wrong:?}");
        let twice = with(vec![check("a"), check("a")], Vec::new());
        let wrong = diff(&loaded(&shop()), &twice, today()).expect_err("wrong");
        assert_eq!(wrong[0].field, "shop.sheets[0].checks[1].key");
    }
}
