//! What readings say of an element, a coolant, a neat oil and the air of an idle machine.

use super::*;
use fettler_domain::consumables::coolant::{Sump, adjust};
use fettler_domain::physics::measure::{Percent, Volume};
use fettler_domain::plan::{Act, DueKind, Fault, Tells};
use fettler_domain::rule::model::{Coolant, Element, IdleAir, NeatOil};

const DONE: &str = "2026-01-01T00:00";

fn element() -> Element<MeterId> {
    Element {
        meter: METER,
        point: point("drop"),
        flow_point: None,
        rated: None,
        change_at: None,
        months: None,
        hours: None,
        edition: String::new(),
    }
}

fn of_element(of: Element<MeterId>, readings: &[(&str, &str)]) -> TaskInput {
    ran_daily(following(Model::Element(of), "bar{diff}", readings, &[DONE]), DONE, 120, "24")
}

fn tells_of(row: &PlanRow) -> Option<(Tells, Value, Ts)> {
    match told(row).fault()? {
        Fault::Reading { what, value, at, .. } => Some((what, value, at)),
        Fault::Use { .. } | Fault::Fuller { .. } => None,
    }
}

/// Adds readings of another point.
fn also(mut input: TaskInput, of: &str, unit: &str, readings: &[(&str, &str)]) -> TaskInput {
    let placed = |(at, read): &(&str, &str)| Placed { at: utc(at), value: value(read) };
    let known = PointInput {
        unit: unit.into(),
        sign: PointUnit::parse(unit).expect("a unit").sign().into(),
        readings: readings.iter().map(placed).collect(),
        ..PointInput::default()
    };
    input.models.as_mut().expect("models").points.insert(point(of), known);
    input
}

/// A drop that rises by 0.02 bar in 240 h from 0.1 bar: 0.42 bar, the change limit of filter suppliers (6 psi, from memory), is reached
/// 16 such stretches after the first reading.
#[test]
fn an_element_is_due_where_the_line_through_its_drops_reaches_the_limit() {
    let days = ["2026-01-01", "2026-01-11", "2026-01-21", "2026-01-31", "2026-02-10", "2026-02-20"];
    let values = ["0.1", "0.12", "0.14", "0.16", "0.18", "0.2"];
    let at: Vec<String> = days.iter().map(|day| format!("{day}T00:00")).collect();
    let readings: Vec<(&str, &str)> = at.iter().map(String::as_str).zip(values).collect();
    let row = of_element(element(), &readings).row("2026-02-25");
    // 0.22 bar are missing on 20 February: eleven more stretches of ten days.
    assert_eq!(row.kind, DueKind::Expected);
    let due = row.due.expect("expected");
    assert!(utc("2026-05-25T00:00") < due && due < utc("2026-06-25T00:00"), "{due}");
    let rate = told(&row).rate.clone().expect("a rate");
    assert_eq!((rate.readings, rate.value), (6, value("0.0833")));
    // Few drops tell no line: then the calendar stands, twelve months after the last change.
    let few = of_element(element(), &readings[..3]).row("2026-02-25");
    assert_eq!((few.kind, few.due), (DueKind::CalendarDay, Some(utc("2027-01-01T00:00"))));
    // The other edition has 0.7 bar and 8,000 h.
    let high = Element { edition: "supplier_high_drop".into(), ..element() };
    let later = of_element(high, &readings).row("2026-02-25");
    assert!(later.due > Some(due), "{later:?}");
    // A maker's own limit overrides both.
    let own = Element { change_at: Some(value("0.19")), ..element() };
    let row = of_element(own, &readings).row("2026-02-25");
    assert_eq!(tells_of(&row), Some((Tells::DropHigh, value("0.2"), utc("2026-02-20T00:00"))));
    // The line through the drops before it reached that limit on 15 February: what is read later takes no day back.
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-02-15T00:00"))));
}

#[test]
fn a_sudden_fall_of_the_drop_is_an_alarm_and_no_good_news() {
    let readings = [
        ("2026-01-02T00:00", "0.2"),
        ("2026-01-12T00:00", "0.22"),
        ("2026-01-22T00:00", "0.24"),
        ("2026-01-29T00:00", "0.08"),
    ];
    let row = of_element(element(), &readings).row("2026-02-01");
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-29T00:00"))));
    let words = why(&row);
    assert!(
        words.starts_with("its drop fell to 0.08 bar from 0.22 bar: a burst or missing element"),
        "{words}"
    );
    let mended = of_element(element(), &readings).closed(&["2026-01-30T00:00"]).row("2026-02-01");
    assert_eq!(tells_of(&mended), None, "a closing has seen to it");
}

/// A drop grows with the square of the flow (fluid power handbooks, from memory): 0.2 bar at 0.7 of the rated flow are 0.41 at the whole; below half of it a drop
/// tells nothing.
#[test]
fn a_drop_counts_as_it_would_be_at_rated_flow() {
    let of = Element { flow_point: Some(point("flow")), rated: Some(value("1000")), ..element() };
    let drops = [("2026-01-02T08:00", "0.2"), ("2026-01-03T08:00", "0.21"), ("2026-01-04T08:00", "0.21")];
    let with = |flows: &[(&str, &str)]| also(of_element(of.clone(), &drops), "flow", "L/min{ANR}", flows);
    let row = with(&[("2026-01-02T08:05", "700"), ("2026-01-03T08:05", "700"), ("2026-01-04T08:05", "400")]);
    assert_eq!(
        tells_of(&row.row("2026-01-06")),
        Some((Tells::DropHigh, value("0.429"), utc("2026-01-03T08:00")))
    );
    let apart = with(&[("2026-01-02T12:00", "700")]).row("2026-01-06");
    assert_eq!(tells_of(&apart), None, "a flow of another hour is none of this drop");
}

fn coolant() -> Coolant {
    Coolant {
        strength: Some(point("brix")),
        factor: Some(value("1.5")),
        wanted: Some(value("8")),
        band: None,
        premix: None,
        sump: Some(value("200")),
        ph: Some(point("ph")),
        ph_first: Some(value("9.2")),
        nitrite: None,
        dip_slide: Some(point("slide")),
        bands: String::new(),
    }
}

fn of_coolant(of: Coolant, readings: &[(&str, &str)]) -> TaskInput {
    following(Model::Coolant(of), "{Brix}", readings, &[DONE])
}

/// 5 Brix times the product's factor of 1.5 are 7.5 % (a refractometer's guide, from memory); the mix that mends it comes from the same
/// balance as the calculator's.
#[test]
fn a_weak_coolant_is_due_with_the_mix_that_mends_it() {
    let fair = of_coolant(coolant(), &[("2026-01-05T06:00", "5")]).row("2026-01-06");
    assert_eq!((fair.due, told(&fair).fault()), (None, None), "7.5 % is within a point of 8 %");
    let row = of_coolant(coolant(), &[("2026-01-05T06:00", "4")]).row("2026-01-06");
    assert_eq!(tells_of(&row), Some((Tells::Weak, value("6"), utc("2026-01-05T06:00"))));
    assert_eq!((row.kind, row.due), (DueKind::Exact, Some(utc("2026-01-05T06:00"))));
    let sump = Sump { volume: Volume::litres(200.0).expect("L"), strength: Percent::new(6.0).expect("%") };
    let percent = |share| Percent::new(share).expect("%");
    let shown = adjust(sump, percent(8.0), percent(16.0)).expect("a mix");
    let [Act::Correct { swap, add, premix, .. }] = told(&row).acts[..] else { panic!("{row:?}") };
    assert!((swap.to_f64() - shown.swap.to_litres()).abs() < 0.05, "{swap} {shown:?}");
    assert!((add.to_f64() - shown.add.to_litres()).abs() < 0.05 && premix == value("16"), "{add} {shown:?}");
    let strong = of_coolant(coolant(), &[("2026-01-05T06:00", "7")]).row("2026-01-06");
    assert!(why(&strong).contains("10.5 % strong, too strong for 8 %") && why(&strong).contains("of water"));
    // What a closing reads is how it was left.
    let left = of_coolant(coolant(), &[("2026-01-05T06:00", "4"), ("2026-01-05T09:00", "5.3")])
        .closed(&["2026-01-05T09:00"])
        .row("2026-01-06");
    assert_eq!(told(&left).fault(), None);
}

/// DGUV Regel 109-003, annex 3: the supplier's measures from a fall of more than 0.5. HSE's bands: good below 10^4 today, below
/// 10^3 on its page of 2012.
#[test]
fn a_fallen_ph_and_a_dip_slide_are_due_at_once_by_the_edition() {
    let base = of_coolant(coolant(), &[]);
    let ph = |read: &str| also(base.clone(), "ph", "[pH]", &[("2026-01-05T06:00", read)]).row("2026-01-06");
    assert_eq!(tells_of(&ph("8.7")), None);
    assert_eq!(tells_of(&ph("8.6")).map(|(what, ..)| what), Some(Tells::PhLow));
    assert_eq!(tells_of(&ph("8.1")).map(|(what, ..)| what), Some(Tells::PhChange));
    let slide = |bands: &str, read: &str| {
        let of = Coolant { bands: bands.into(), ..coolant() };
        let row =
            also(of_coolant(of, &[]), "slide", "{CFU}/mL", &[("2026-01-05T06:00", read)]).row("2026-01-06");
        tells_of(&row).map(|(what, ..)| what)
    };
    assert_eq!([slide("", "5000"), slide("hse_2012", "5000")], [None, Some(Tells::SlideReview)]);
    assert_eq!(slide("hse_current", "1000000"), Some(Tells::SlideAct));
}

/// TRGS 611, section 5.3: weekly; after three in a row below 10 mg/L at most every four weeks; above 10 weekly again; above 20
/// it is changed or inhibited.
#[test]
fn nitrite_is_read_weekly_and_after_three_low_ones_every_four_weeks() {
    let of = Coolant {
        strength: None,
        factor: None,
        wanted: None,
        sump: None,
        ph: None,
        ph_first: None,
        nitrite: Some(point("nitrite")),
        dip_slide: None,
        ..coolant()
    };
    let due = |reads: &[&str]| {
        let days = ["2026-01-05T06:00", "2026-01-12T06:00", "2026-01-19T06:00", "2026-01-26T06:00"];
        let readings: Vec<(&str, &str)> = days.into_iter().zip(reads.iter().copied()).collect();
        let row = following(Model::Coolant(of.clone()), "mg/L", &readings, &[DONE]).row("2026-01-27");
        (date(row.due), tells_of(&row).map(|(what, ..)| what))
    };
    assert_eq!(due(&[]), ("2026-01-08".to_owned(), None));
    assert_eq!(due(&["5", "6"]), ("2026-01-19".to_owned(), None));
    assert_eq!(due(&["5", "6", "9"]), ("2026-02-16".to_owned(), None));
    assert_eq!(due(&["5", "6", "10"]), ("2026-01-26".to_owned(), None));
    assert_eq!(due(&["5", "6", "9", "12"]), ("2026-02-02".to_owned(), None));
    assert_eq!(due(&["5", "6", "21"]).1, Some(Tells::NitriteHigh));
}

/// Common practice, no source: viscosity within 10 %, water below 0.1 %, flash point no more than 20 K lower.
#[test]
fn a_neat_oil_is_due_when_it_is_not_what_it_was() {
    let of = NeatOil {
        viscosity: Some(point("nu")),
        viscosity_new: Some(value("22")),
        water: Some(point("water")),
        flash: Some(point("flash")),
        flash_new: Some(value("205")),
    };
    let row = |nu: &str, water: &str, flash: &str| {
        let at = "2026-01-05T06:00";
        let input = following(Model::NeatOil(of.clone()), "mm2/s", &[(at, nu)], &[DONE]);
        let input = also(also(input, "water", "%", &[(at, water)]), "flash", "Cel", &[(at, flash)]);
        input.row("2026-01-06")
    };
    assert_eq!(told(&row("24", "0.05", "190")).faults, []);
    let bad = row("25", "0.1", "184");
    let what: Vec<Tells> = told(&bad)
        .faults
        .iter()
        .filter_map(|fault| if let Fault::Reading { what, .. } = fault { Some(*what) } else { None })
        .collect();
    assert_eq!(what, [Tells::FlashLow, Tells::WaterHigh, Tells::ViscosityOff], "the worst first");
}

/// Common practice, no source: more than 1.25 times the baseline for a week.
#[test]
fn an_idle_flow_that_stays_high_for_a_week_is_a_leak() {
    let row = |reads: &[(&str, &str)], as_of: &str| {
        let of = IdleAir { point: point("idle"), baseline: value("36") };
        following(Model::IdleAir(of), "L/min{ANR}", reads, &[DONE]).row(as_of)
    };
    let high = [("2026-01-05T06:00", "36"), ("2026-01-08T06:00", "46"), ("2026-01-12T06:00", "47")];
    assert_eq!(row(&high, "2026-01-13").due, None, "not a week yet");
    let lasting = [high[0], high[1], high[2], ("2026-01-15T06:00", "48")];
    let found = row(&lasting, "2026-01-16");
    assert_eq!(tells_of(&found), Some((Tells::IdleHigh, value("48"), utc("2026-01-15T06:00"))));
    let calm = [high[0], high[1], ("2026-01-12T06:00", "40"), ("2026-01-15T06:00", "48")];
    assert_eq!(row(&calm, "2026-01-16").due, None, "it fell in between");
}

/// 10 % off is what may be: 4.6 of 46 and 3.2 of 32, whatever bits their fractions have.
#[test]
fn a_viscosity_just_ten_per_cent_off_is_none_too_far() {
    let off = |new: &str, read: &str| {
        let of = NeatOil {
            viscosity: Some(point("nu")),
            viscosity_new: Some(value(new)),
            water: None,
            flash: Some(point("flash")),
            flash_new: Some(value("205.1")),
        };
        let at = "2026-01-05T06:00";
        let input = following(Model::NeatOil(of), "mm2/s", &[(at, read)], &[DONE]);
        told(&also(input, "flash", "Cel", &[(at, "185.1")]).row("2026-01-06")).fault().is_some()
    };
    assert_eq!([off("46", "50.6"), off("32", "35.2"), off("32", "28.8"), off("46", "41.4")], [false; 4]);
    assert_eq!([off("46", "50.601"), off("32", "28.799")], [true; 2]);
}

/// A further bad reading moves neither the due point nor its lateness; what is shown and mended is the newest.
#[test]
fn what_is_off_is_due_since_the_first_of_the_bad_readings() {
    let reads = |values: [&'static str; 3]| {
        ["2026-01-04T06:00", "2026-01-05T06:00", "2026-01-07T06:00"]
            .into_iter()
            .zip(values)
            .collect::<Vec<_>>()
    };
    let since = |input: TaskInput| {
        let row = input.row("2026-01-08");
        assert_eq!(row.late, row.due.map(|at| plain().end_of(plain().shop_day_of(at))));
        (row.due, why(&row))
    };
    let second = Some(utc("2026-01-05T06:00"));
    let (due, words) = since(of_coolant(coolant(), &reads(["5", "4", "3.8"])));
    assert_eq!(due, second);
    assert!(
        words.starts_with(
            "5.7 % strong, too weak for 8 %, read Wednesday 06:00, not as it should be since Monday 06:00"
        ),
        "{words}"
    );
    let other = |of: &str, unit: &str, values| {
        let of_slides = Coolant { nitrite: Some(point("nitrite")), ..coolant() };
        since(also(of_coolant(of_slides, &[]), of, unit, &reads(values))).0
    };
    assert_eq!(other("ph", "[pH]", ["9", "8.5", "8.4"]), second);
    assert_eq!(other("nitrite", "mg/L", ["5", "21", "25"]), second);
    assert_eq!(other("slide", "{CFU}/mL", ["1000", "20000", "2000000"]), second, "worse is no other fault");
    let oil = NeatOil {
        viscosity: Some(point("nu")),
        viscosity_new: Some(value("22")),
        water: None,
        flash: None,
        flash_new: None,
    };
    let input = following(Model::NeatOil(oil), "mm2/s", &reads(["22", "25", "26"]), &[DONE]);
    assert_eq!(since(input).0, second);
}
