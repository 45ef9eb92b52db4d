//! Lubricants and coolants.

use crate::rows::{EXACT, Row, of, rows};
use fettler_domain::consumables::coolant::{
    self, Losses, Standing, Sump, adjust, blend, make_up, strength_of_brix,
};
use fettler_domain::consumables::grease::{Bearing, Greased, greasing};
use fettler_domain::consumables::limits::{DIP_SLIDE, Reading, judge};
use fettler_domain::consumables::reservoir::{Reservoir, Stroke};
use fettler_domain::consumables::salt::ToppedUp;
use fettler_domain::physics::measure::{
    Days, Dissolved, Hours, Length, Minutes, Percent, Speed, Temperature, Volume, VolumePerDay,
};

/// Plain arithmetic, as the file says.
#[test]
fn lube_reservoir() {
    for row in rows("lube_reservoir") {
        let litres = |column| of(&row, column, Volume::litres);
        let found = Reservoir {
            low: litres("vmin_l"),
            high: litres("vmax_l"),
            now: litres("vnow_l"),
            stroke: Stroke::parse(row.text("doses_cm3")).expect("doses"),
            cycle: of(&row, "cycle_min", Minutes::new),
            run_per_day: of(&row, "run_h_day", Hours::new),
            extra: of(&row, "extra_ml_day", VolumePerDay::ml_day),
            reserve: of(&row, "reserve_days", Days::new),
            pack: litres("pack_l"),
        };
        row.near("shot_ml", found.stroke.to_ml(), EXACT);
        let found = found.supply().expect("marks");
        row.near("pulses_h", found.strokes_h, EXACT);
        row.near("ml_h", found.ml_h, EXACT);
        row.near("ml_day", found.ml_day, EXACT);
        row.near_or_none("run_h_to_min", found.run_left.map(Hours::to_hours), EXACT);
        row.near_or_none("days_to_min", found.days_left.map(Days::to_days), EXACT);
        row.near_or_none("act_in_days", found.act_in_days, EXACT);
        row.near("refill_l", found.refill.to_litres(), EXACT);
        row.near("whole_packs_fit", found.whole_packs, EXACT);
        row.near_or_none("full_cycle_days", found.full_cycle.map(Days::to_days), EXACT);
    }
}

/// The handbook formulas, as the file says.
#[test]
fn grease() {
    for row in rows("grease") {
        let bearing = Bearing::ALL.into_iter().find(|bearing| bearing.word() == row.text("bearing"));
        let found = greasing(&Greased {
            bearing: bearing.expect("a kind of bearing"),
            bore: of(&row, "d_mm", Length::mm),
            outside: of(&row, "D_mm", Length::mm),
            width: of(&row, "B_mm", Length::mm),
            speed: of(&row, "n_rpm", Speed::rpm),
            temperature: of(&row, "t_c", Temperature::celsius),
        });
        row.near("grease_g", found.quantity_g, EXACT);
        row.near("tf_70c_h", found.at_70_h, EXACT);
        row.near("f_temp", found.temperature_factor, EXACT);
        row.near("interval_h", found.interval.to_hours(), EXACT);
    }
}

fn sump(row: &Row, volume: &str, strength: Percent) -> Sump {
    Sump { volume: of(row, volume, Volume::litres), strength }
}

/// A mass balance, as the file says.
#[test]
fn coolant_correction() {
    for row in rows("coolant_correction") {
        let now = strength_of_brix(row.number("brix"), row.number("factor")).expect("a strength");
        let wanted = of(&row, "c1_pct", Percent::new);
        let found = coolant::correct(sump(&row, "v0_l", now), sump(&row, "v1_l", wanted)).expect("a volume");
        row.near("c0_pct", now.to_percent(), EXACT);
        row.near("drain_l", found.drain.to_litres(), EXACT);
        row.near("concentrate_l", found.concentrate.to_litres(), EXACT);
        row.near("water_l", found.water.to_litres(), EXACT);
        row.near_or_none("makeup_pct", found.premix().map(Percent::to_percent), EXACT);
        let ratio = found.parts_of_water().map_or(String::new(), |parts| format!("1:{parts:.1}"));
        row.says("mix_ratio", &ratio);
    }
}

/// The alligation rule, as the file says.
#[test]
fn coolant_adjust() {
    for row in rows("coolant_adjust") {
        let sump = sump(&row, "v_l", of(&row, "c0_pct", Percent::new));
        let [target, added] = ["target_pct", "cadd_pct"].map(|column| of(&row, column, Percent::new));
        let found = adjust(sump, target, added).expect("it helps");
        let weak = found.standing == Standing::TooWeak;
        row.says("case", if weak { "too_weak" } else { "too_strong" });
        row.near_or_none("add_only_l", weak.then(|| found.add.to_litres()), EXACT);
        row.near_or_none("water_only_l", (!weak).then(|| found.add.to_litres()), EXACT);
        row.near("swap_l", found.swap.to_litres(), EXACT);
    }
}

fn losses(row: &Row) -> Losses {
    Losses {
        evaporation: of(row, "evap_l_day", VolumePerDay::l_day),
        carry_out: of(row, "carryout_l_day", VolumePerDay::l_day),
    }
}

/// A mass balance, as the file says.
#[test]
fn coolant_makeup() {
    for row in rows("coolant_makeup") {
        let losses = losses(&row);
        let found = make_up(of(&row, "c_pct", Percent::new), losses, of(&row, "days", Days::new));
        row.near_or_none("makeup_pct", found.strength.map(Percent::to_percent), EXACT);
        row.near("makeup_l", found.volume.to_litres(), EXACT);
        row.near("concentrate_l", found.concentrate.to_litres(), EXACT);
        row.near("water_l", found.water.to_litres(), EXACT);
        row.near_or_none("cycles", losses.cycles(), EXACT);
    }
}

/// TRGS 611, UK HSE, DGUV Regel 109-003 and common practice, as the file says for each.
#[test]
fn coolant_limits() {
    for row in rows("coolant_limits") {
        let value = row.number("value");
        let reading = match row.text("test") {
            "nitrite" => Reading::Nitrite(value),
            "nitrate_water" => Reading::NitrateOfWater(value),
            "dipslide_hse_current" => Reading::DipSlide(DIP_SLIDE[0], value),
            "dipslide_hse_2012" => Reading::DipSlide(DIP_SLIDE[1], value),
            "ph_drop" => Reading::Ph { now: value, first_fill: row.number("reference") },
            "conc_band" => Reading::Strength { now: value, wanted: row.number("reference") },
            other => panic!("{}: test `{other}`", row.name()),
        };
        row.says("verdict", judge(&reading).word());
    }
}

/// The alligation rule, as the file says.
#[test]
fn alligation() {
    for row in rows("alligation") {
        let percent = |column| of(&row, column, Percent::new);
        let total = of(&row, "total_l", Volume::litres);
        let found = blend(percent("high_pct"), percent("low_pct"), percent("target_pct"), total);
        let found = found.expect("a blend");
        row.near("parts_high", found.parts_high, EXACT);
        row.near("parts_low", found.parts_low, EXACT);
        row.near("high_l", found.high.to_litres(), EXACT);
        row.near("low_l", found.low.to_litres(), EXACT);
    }
}

/// The daily balance repeated, and its continuous form, as the file says.
#[test]
fn salt_buildup() {
    for row in rows("salt_buildup") {
        let dissolved = |column| of(&row, column, Dissolved::mg_l);
        let losses = losses(&row);
        let sump = ToppedUp {
            volume: of(&row, "v_l", Volume::litres),
            losses,
            start: dissolved("c0_mg_l"),
            water: dissolved("makeup_mg_l"),
            limit: dissolved("limit_mg_l"),
        };
        let days = row.text("days").parse().expect("whole days");
        let found = sump.after(days).expect("a sump");
        row.near("c_discrete_mg_l", found.daily.to_mg_l(), EXACT);
        row.near("c_continuous_mg_l", found.steady_flow.to_mg_l(), EXACT);
        row.near_or_none("cycles", losses.cycles(), EXACT);
        row.near_or_none("c_steady_mg_l", found.end.map(Dissolved::to_mg_l), EXACT);
        row.near_or_none("days_to_limit", found.limit_in.map(Days::to_days), EXACT);
    }
}
