//! The reservoir of a central lubrication: what a stroke takes, how long it lasts, and what fits in.

use crate::physics::measure::{Days, Hours, Impossible, Minutes, Volume, VolumePerDay, floor};

/// The most outlets of one size, and the most sizes, that a distributor is taken to have.
const OUTLETS_MAX: u32 = 10_000;
const SIZES_MAX: usize = 100;

/// What one stroke of the pump gives, summed over the outlets of its piston distributors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    ml: f64,
}

impl Stroke {
    /// Reads outlets and doses in cm³: `8x0.03+6x0.06` is eight of 0.03 and six of 0.06.
    pub fn parse(text: &str) -> Result<Stroke, Impossible> {
        let bad = || Impossible(format!("`{text}` names no doses; write them like 8x0.03+6x0.06"));
        let parts: Vec<&str> = text.split('+').collect();
        if parts.len() > SIZES_MAX {
            return Err(Impossible(format!(
                "more than {SIZES_MAX} sizes of doses; sum those that are equal"
            )));
        }
        let mut ml = 0.0;
        for part in parts {
            let (outlets, dose) = part.split_once(['x', 'X']).ok_or_else(bad)?;
            let outlets: u32 = outlets.trim().parse().map_err(|_| bad())?;
            let dose: f64 = dose.trim().parse().map_err(|_| bad())?;
            if outlets > OUTLETS_MAX || !(0.0..=1000.0).contains(&dose) {
                return Err(bad());
            }
            ml += f64::from(outlets) * dose;
        }
        Ok(Stroke { ml })
    }

    /// The volume in millilitres.
    pub const fn to_ml(self) -> f64 {
        self.ml
    }
}

/// A reservoir and what draws on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reservoir {
    /// Its lower mark.
    pub low: Volume,
    /// Its upper mark.
    pub high: Volume,
    /// What is in it.
    pub now: Volume,
    /// What a stroke takes.
    pub stroke: Stroke,
    /// The time from stroke to stroke, in minutes of run.
    pub cycle: Minutes,
    /// How long it runs in a day.
    pub run_per_day: Hours,
    /// What goes beside the strokes in a day: strokes by hand, leaks.
    pub extra: VolumePerDay,
    /// How many days before the lower mark somebody should act.
    pub reserve: Days,
    /// What a pack of the lubricant holds.
    pub pack: Volume,
}

/// How long a reservoir lasts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supply {
    /// Strokes in an hour of run.
    pub strokes_h: f64,
    /// Use in an hour of run, in mL/h.
    pub ml_h: f64,
    /// Use in a day, in mL/day.
    pub ml_day: f64,
    /// Run until the lower mark by the strokes alone; none where nothing is drawn.
    pub run_left: Option<Hours>,
    /// Days until the lower mark; none where nothing is drawn.
    pub days_left: Option<Days>,
    /// In how many whole days to act; none where nothing is drawn.
    pub act_in_days: Option<f64>,
    /// What fits in up to the upper mark.
    pub refill: Volume,
    /// How many whole packs fit in; it is never filled beyond its mark.
    pub whole_packs: f64,
    /// Days from the upper to the lower mark; none where nothing is drawn.
    pub full_cycle: Option<Days>,
}

impl Reservoir {
    /// How long it lasts, and what fits in.
    pub fn supply(&self) -> Result<Supply, Impossible> {
        if self.low >= self.high {
            return Err(Impossible(format!(
                "the lower mark, {} L, is not below the upper one, {} L; give the two the other way round",
                self.low.to_litres(),
                self.high.to_litres()
            )));
        }
        let strokes_h = 60.0 / self.cycle.to_minutes();
        let ml_h = self.stroke.ml * strokes_h;
        let ml_day = ml_h * self.run_per_day.to_hours() + self.extra.to_l_day() * 1000.0;
        let above_low_ml = (self.now.to_millilitres() - self.low.to_millilitres()).max(0.0);
        let lasts = |ml: f64, rate: f64| (rate > 0.0).then(|| ml / rate);
        let days_left = lasts(above_low_ml, ml_day);
        let refill = (self.high.to_litres() - self.now.to_litres()).max(0.0);
        let pack = self.pack.to_litres();
        Ok(Supply {
            strokes_h,
            ml_h,
            ml_day,
            run_left: lasts(above_low_ml, ml_h).map(Hours),
            days_left: days_left.map(Days),
            act_in_days: days_left.map(|days| floor((days - self.reserve.to_days()).max(0.0))),
            refill: Volume(refill),
            whole_packs: if pack > 0.0 { floor(refill / pack) } else { 0.0 },
            full_cycle: lasts((self.high.to_litres() - self.low.to_litres()) * 1000.0, ml_day).map(Days),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doses_are_read_as_written() {
        let ml = |text: &str| Stroke::parse(text).map(Stroke::to_ml);
        assert!((ml("8x0.03+6x0.06 + 4 x 0.1").expect("doses") - 1.0).abs() < 1e-12);
        assert!(ml("0x0.1").expect("doses") == 0.0);
        for bad in ["", "8", "x0.1", "8x", "8x-1", "8xNaN", "-1x0.1", "8x0.1+", "1e9x0.1"] {
            assert!(ml(bad).is_err(), "{bad}");
        }
    }

    fn reservoir(now: f64) -> Reservoir {
        Reservoir {
            low: Volume::litres(0.5).expect("a volume"),
            high: Volume::litres(2.7).expect("a volume"),
            now: Volume::litres(now).expect("a volume"),
            stroke: Stroke::parse("10x0.1").expect("doses"),
            cycle: Minutes::new(20.0).expect("minutes"),
            run_per_day: Hours::new(16.0).expect("hours"),
            extra: VolumePerDay::l_day(0.0).expect("a volume"),
            reserve: Days::new(3.0).expect("days"),
            pack: Volume::litres(1.0).expect("a volume"),
        }
    }

    #[test]
    fn beyond_its_marks_nothing_is_left_or_fits_in() {
        let below = reservoir(0.4).supply().expect("a supply");
        assert_eq!((below.run_left, below.days_left), (Some(Hours(0.0)), Some(Days(0.0))));
        let above = reservoir(3.0).supply().expect("a supply");
        assert!(above.refill == Volume(0.0) && above.whole_packs == 0.0);
        // 1.7 L leave exactly one pack, whatever the last bits of 2.7 - 1.7 are.
        assert!(reservoir(1.7).supply().expect("a supply").whole_packs > 0.5);
    }

    #[test]
    fn a_machine_that_stands_never_empties_it() {
        let stands = Reservoir { run_per_day: Hours(0.0), ..reservoir(1.0) }.supply().expect("a supply");
        assert_eq!((stands.days_left, stands.act_in_days, stands.full_cycle), (None, None, None));
        assert!(stands.run_left.is_some());
        let upside_down = Reservoir { low: Volume(2.7), ..reservoir(1.0) };
        assert!(upside_down.supply().is_err());
    }
}
