//! How hardness, chloride and other salts of the water gather in a sump that is topped up: water leaves as vapour, what
//! was dissolved in it stays.

use super::coolant::Losses;
use crate::physics::measure::{Days, Dissolved, Impossible, Volume};

/// The most days that are reckoned one by one.
pub const DAYS_MAX: u32 = 36_500;

/// A sump that is topped up to its level every day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToppedUp {
    /// What it holds.
    pub volume: Volume,
    /// What it loses each day.
    pub losses: Losses,
    /// What is dissolved in it at the start.
    pub start: Dissolved,
    /// What is dissolved in the water that tops it up.
    pub water: Dissolved,
    /// From where on something must be done.
    pub limit: Dissolved,
}

/// What gathers in a sump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BuildUp {
    /// After the days that were asked for, topped up once a day.
    pub daily: Dissolved,
    /// The same, topped up all the time.
    pub steady_flow: Dissolved,
    /// Where it ends; none where no mix leaves, and it gathers without end.
    pub end: Option<Dissolved>,
    /// When the limit is reached, topped up all the time; none where it never is.
    pub limit_in: Option<Days>,
}

impl ToppedUp {
    /// What has gathered after some whole days.
    pub fn after(&self, days: u32) -> Result<BuildUp, Impossible> {
        let v = self.volume.to_litres();
        let (e, d) = (self.losses.evaporation.to_l_day(), self.losses.carry_out.to_l_day());
        let (start, water) = (self.start.to_mg_l(), self.water.to_mg_l());
        if v == 0.0 || e + d > v {
            return Err(Impossible(format!(
                "`{v}` L do not hold the {} L that are lost in a day; give the sump's volume",
                e + d
            )));
        }
        if days > DAYS_MAX {
            return Err(Impossible(format!("`{days}` days are more than {DAYS_MAX}; give fewer")));
        }
        let end = self.losses.cycles().map(|cycles| water * cycles);
        let mut daily = start;
        for _ in 0..days {
            daily = (daily * (v - d) + water * (e + d)) / v;
        }
        let t = f64::from(days);
        let steady_flow = match end {
            Some(end) => end + (start - end) * (-d * t / v).exp(),
            None => start + water * e * t / v,
        };
        Ok(BuildUp {
            daily: Dissolved(daily),
            steady_flow: Dissolved(steady_flow),
            end: end.map(Dissolved),
            limit_in: self.limit_in(v, end).map(Days),
        })
    }

    fn limit_in(&self, v: f64, end: Option<f64>) -> Option<f64> {
        let (start, limit) = (self.start.to_mg_l(), self.limit.to_mg_l());
        if start >= limit {
            return Some(0.0);
        }
        let Some(end) = end else {
            let rise = self.water.to_mg_l() * self.losses.evaporation.to_l_day() / v;
            return (rise > 0.0).then(|| (limit - start) / rise);
        };
        let rate = self.losses.carry_out.to_l_day() / v;
        (end > limit).then(|| ((end - start) / (end - limit)).ln() / rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::measure::VolumePerDay;

    fn sump(evaporation: f64, carry_out: f64) -> ToppedUp {
        ToppedUp {
            volume: Volume(300.0),
            losses: Losses { evaporation: VolumePerDay(evaporation), carry_out: VolumePerDay(carry_out) },
            start: Dissolved(120.0),
            water: Dissolved(120.0),
            limit: Dissolved(200.0),
        }
    }

    #[test]
    fn the_limit_is_reached_when_it_is_said_to_be() {
        // With water leaving alone, salts rise by 3.6 mg/L a day; with some mix leaving, by a little less.
        for (sump, day) in [(sump(9.0, 1.0), 23), (sump(9.0, 0.0), 22)] {
            let Days(limit_in) = sump.after(0).expect("a sump").limit_in.expect("it is reached");
            assert!(f64::from(day) <= limit_in && limit_in <= f64::from(day + 1), "{limit_in}");
            let at = |day| sump.after(day).expect("a sump").steady_flow;
            assert!(at(day) <= sump.limit && sump.limit <= at(day + 1));
        }
    }

    #[test]
    fn a_sump_that_loses_nothing_stays_and_one_that_is_too_small_is_refused() {
        let still = sump(0.0, 0.0).after(100).expect("a sump");
        assert_eq!((still.daily, still.end, still.limit_in), (Dissolved(120.0), None, None));
        assert!(sump(250.0, 60.0).after(1).is_err());
        assert!(sump(1.0, 1.0).after(DAYS_MAX + 1).is_err());
    }
}
