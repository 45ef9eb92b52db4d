//! Made-up years: a leak of 30 % is told within 10 readings in 9 of 10, failing dryers before the bowl is full, and reservoirs that
//! have nothing raise at most one alarm a year. A clogging filter stands on the list of what may well fall due in the coming week, pulled
//! every morning, before its limit, in 9 of 10; on the list of what is expected in it nearly as often, where chance leaves room in so few.

use fettler_tests::care::{Year, year};

#[test]
fn faults_are_told_in_time_and_seldom_without_reason() {
    let years: Vec<(u64, Year)> = (1..=40).map(|seed| (seed, year(seed))).collect();
    let count = |of: &dyn Fn(&Year) -> bool| years.iter().filter(|(_, year)| of(year)).count();
    assert!(count(&|year| year.leak.is_some_and(|readings| readings <= 10)) >= 36, "{years:?}");
    let alarms: u32 = years.iter().map(|(_, year)| year.false_alarms).sum();
    assert!(alarms <= 40, "{years:?}");
    assert!(count(&|year| year.element[0]) >= 32 && count(&|year| year.element[1]) >= 36, "{years:?}");
    assert_eq!(count(&|year| year.dryer), 40, "{years:?}");
}
