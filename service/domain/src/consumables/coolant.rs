//! Water-mixed coolant: strength and how to correct it, make-up, mixing. Mass balances of what is stirred well; volumes
//! add up.

use crate::physics::measure::{Days, GRAIN, Impossible, OutOfBounds, Percent, Volume, VolumePerDay};

/// The strength that a refractometer shows: its reading times the product's own factor.
pub fn strength_of_brix(brix: f64, factor: f64) -> Result<Percent, OutOfBounds> {
    Percent::new(brix * factor)
}

/// What is in a sump, or should be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sump {
    /// How much.
    pub volume: Volume,
    /// How strong.
    pub strength: Percent,
}

impl Sump {
    fn concentrate(&self) -> f64 {
        self.volume.to_litres() * self.strength.to_fraction()
    }
}

/// What brings a sump to another volume and strength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// What to drain first, the least that does.
    pub drain: Volume,
    /// Concentrate to add.
    pub concentrate: Volume,
    /// Water to add.
    pub water: Volume,
}

impl Correction {
    /// The strength of what is added, mixed before it goes in; none where nothing is added.
    pub fn premix(&self) -> Option<Percent> {
        let (concentrate, all) = (self.concentrate.to_litres(), self.added());
        (all > 0.0).then(|| Percent(100.0 * concentrate / all))
    }

    /// Parts of water to one of concentrate; none where no concentrate is added.
    pub fn parts_of_water(&self) -> Option<f64> {
        let (concentrate, water) = (self.concentrate.to_litres(), self.water.to_litres());
        (concentrate > 0.0).then(|| water / concentrate)
    }

    fn added(&self) -> f64 {
        self.concentrate.to_litres() + self.water.to_litres()
    }
}

/// What is left of a difference that may have lost its last bits; nothing where it should be nothing.
fn positive(value: f64, scale: f64) -> f64 {
    if value <= GRAIN * scale { 0.0 } else { value }
}

/// How to bring a sump to what is wanted: concentrate x = V1 c1 - V0 c0 and water w = V1 - V0 - x, after draining the
/// least that keeps both from being negative.
pub fn correct(now: Sump, wanted: Sump) -> Result<Correction, Impossible> {
    let (v0, c0) = (now.volume.to_litres(), now.strength.to_fraction());
    let (v1, c1) = (wanted.volume.to_litres(), wanted.strength.to_fraction());
    if v1 == 0.0 {
        return Err(Impossible("an empty sump has no strength; give the volume that is wanted".into()));
    }
    let scale = v0.max(v1);
    // Draining D leaves x = V1 c1 - (V0 - D) c0 and w = V1 (1 - c1) - (V0 - D) (1 - c0); each rises with D.
    let too_much = |has: f64, wants: f64, share: f64| {
        let excess = positive(has - wants, scale);
        if excess > 0.0 { excess / share } else { 0.0 }
    };
    let for_concentrate = too_much(now.concentrate(), wanted.concentrate(), c0);
    let for_water = too_much(v0 * (1.0 - c0), v1 * (1.0 - c1), 1.0 - c0);
    let drain = for_concentrate.max(for_water);
    let left = v0 - drain;
    Ok(Correction {
        drain: Volume(drain),
        concentrate: Volume(positive(v1 * c1 - left * c0, scale)),
        water: Volume(positive(v1 * (1.0 - c1) - left * (1.0 - c0), scale)),
    })
}

/// How a sump's strength stands to what is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Weaker.
    TooWeak,
    /// Stronger.
    TooStrong,
    /// Neither.
    AsWanted,
}

/// The two ways to another strength.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Adjustment {
    /// How the sump stands.
    pub standing: Standing,
    /// What to add with nothing drained; the level rises by it.
    pub add: Volume,
    /// What to drain and then to add instead; the level stays.
    pub swap: Volume,
}

/// How a sump stands to a wanted strength.
pub fn standing(now: Percent, wanted: Percent) -> Standing {
    match now.partial_cmp(&wanted) {
        Some(std::cmp::Ordering::Less) => Standing::TooWeak,
        Some(std::cmp::Ordering::Greater) => Standing::TooStrong,
        Some(std::cmp::Ordering::Equal) | None => Standing::AsWanted,
    }
}

/// How to bring a sump to another strength with a mix of strength `added`: concentrate is 100 %, water 0 %.
pub fn adjust(sump: Sump, wanted: Percent, added: Percent) -> Result<Adjustment, Impossible> {
    let (v, c0, c1, c2) =
        (sump.volume.to_litres(), sump.strength.to_percent(), wanted.to_percent(), added.to_percent());
    let standing = standing(sump.strength, wanted);
    let helps = match standing {
        Standing::TooWeak => c2 > c1,
        Standing::TooStrong => c2 < c1,
        Standing::AsWanted => {
            return Ok(Adjustment { standing, add: Volume(0.0), swap: Volume(0.0) });
        }
    };
    if !helps {
        let side = if standing == Standing::TooWeak { "stronger" } else { "weaker" };
        return Err(Impossible(format!(
            "`{c2}` % added to {c0} % never gives {c1} %; add something {side} than {c1} %"
        )));
    }
    Ok(Adjustment {
        standing,
        add: Volume(v * (c1 - c0) / (c2 - c1)),
        swap: Volume(v * (c1 - c0) / (c2 - c0)),
    })
}

/// What a sump loses each day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Losses {
    /// Water that evaporates.
    pub evaporation: VolumePerDay,
    /// Mix that leaves with parts and chips, at the sump's strength.
    pub carry_out: VolumePerDay,
}

impl Losses {
    /// How often salts gather up: (e + d) / d; none where no mix leaves, and they gather without end.
    pub fn cycles(&self) -> Option<f64> {
        let (e, d) = (self.evaporation.to_l_day(), self.carry_out.to_l_day());
        (d > 0.0).then(|| (e + d) / d)
    }
}

/// What keeps a sump as it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MakeUp {
    /// How strong to mix it; none where nothing is lost.
    pub strength: Option<Percent>,
    /// How much of it.
    pub volume: Volume,
    /// The concentrate in it.
    pub concentrate: Volume,
    /// The water in it.
    pub water: Volume,
}

/// The make-up that holds a sump's volume and strength over some days: strength c d / (e + d).
pub fn make_up(strength: Percent, losses: Losses, days: Days) -> MakeUp {
    let (e, d) = (losses.evaporation.to_l_day(), losses.carry_out.to_l_day());
    let volume = (e + d) * days.to_days();
    let concentrate = strength.to_fraction() * losses.carry_out.in_days(days).to_litres();
    MakeUp {
        strength: (e + d > 0.0).then(|| Percent(strength.to_percent() * d / (e + d))),
        volume: Volume(volume),
        concentrate: Volume(concentrate),
        water: Volume(volume - concentrate),
    }
}

/// Two mixes for one between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blend {
    /// Parts of the stronger mix.
    pub parts_high: f64,
    /// Parts of the weaker mix.
    pub parts_low: f64,
    /// How much of the stronger mix.
    pub high: Volume,
    /// How much of the weaker mix.
    pub low: Volume,
}

/// How to mix a strength from a stronger and a weaker mix (the alligation rule).
pub fn blend(high: Percent, low: Percent, wanted: Percent, total: Volume) -> Result<Blend, Impossible> {
    let (h, l, w) = (high.to_percent(), low.to_percent(), wanted.to_percent());
    if h <= l {
        return Err(Impossible(format!(
            "`{h}` % is not stronger than {l} %; give the stronger mix as the high one"
        )));
    }
    if w < l || w > h {
        return Err(Impossible(format!(
            "`{w}` % does not lie between {l} % and {h} %; no mix of the two gives it"
        )));
    }
    let (parts_high, parts_low) = (w - l, h - w);
    let share = parts_high / (h - l);
    let total = total.to_litres();
    Ok(Blend { parts_high, parts_low, high: Volume(total * share), low: Volume(total * (1.0 - share)) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sump(litres: f64, percent: f64) -> Sump {
        Sump { volume: Volume::litres(litres).expect("litres"), strength: Percent::new(percent).expect("%") }
    }

    /// Whatever is asked for, the balance holds, nothing is negative, and less draining would not do.
    #[test]
    fn every_correction_balances_and_drains_the_least() {
        for v0 in [0.0, 80.0, 200.0] {
            for c0 in [0.0, 4.0, 60.0, 100.0] {
                for v1 in [50.0, 200.0, 310.0] {
                    for c1 in [0.0, 3.0, 8.0, 75.0, 100.0] {
                        let found = correct(sump(v0, c0), sump(v1, c1)).expect("a volume is wanted");
                        let [d, x, w] = [found.drain, found.concentrate, found.water].map(Volume::to_litres);
                        assert!(d <= v0 + 1e-9 && (v0 - d + x + w - v1).abs() < 1e-6);
                        assert!(((v0 - d) * c0 / 100.0 + x - v1 * c1 / 100.0).abs() < 1e-6);
                        assert!(d == 0.0 || x == 0.0 || w == 0.0, "{v0} {c0} {v1} {c1}: {found:?}");
                    }
                }
            }
        }
        assert!(correct(sump(100.0, 5.0), sump(0.0, 5.0)).is_err());
    }

    #[test]
    fn nothing_to_do_is_nothing() {
        let found = correct(sump(200.0, 5.0), sump(200.0, 5.0)).expect("a volume");
        assert_eq!((found.drain, found.premix(), found.parts_of_water()), (Volume(0.0), None, None));
        let Adjustment { standing, swap, .. } =
            adjust(sump(200.0, 5.0), Percent(5.0), Percent(100.0)).expect("as wanted");
        assert_eq!((standing, swap), (Standing::AsWanted, Volume(0.0)));
    }

    #[test]
    fn what_cannot_help_is_refused() {
        assert!(adjust(sump(200.0, 5.0), Percent(8.0), Percent(8.0)).is_err());
        assert!(adjust(sump(200.0, 8.0), Percent(5.0), Percent(100.0)).is_err());
        // Thinning with a weak premix instead of water takes more of it.
        let water = adjust(sump(200.0, 8.0), Percent(5.0), Percent(0.0)).expect("thinner");
        let premix = adjust(sump(200.0, 8.0), Percent(5.0), Percent(2.0)).expect("thinner");
        assert!(premix.add > water.add && premix.swap > water.swap);
        assert!(blend(Percent(5.0), Percent(5.0), Percent(5.0), Volume(1.0)).is_err());
        assert!(blend(Percent(8.0), Percent(2.0), Percent(9.0), Volume(1.0)).is_err());
    }

    #[test]
    fn without_losses_there_is_no_make_up() {
        let rest = Losses { evaporation: VolumePerDay(0.0), carry_out: VolumePerDay(0.0) };
        assert_eq!((make_up(Percent(8.0), rest, Days(5.0)).strength, rest.cycles()), (None, None));
        let dry = Losses { evaporation: VolumePerDay(3.0), ..rest };
        assert_eq!(
            (make_up(Percent(8.0), dry, Days(5.0)).strength, dry.cycles()),
            (Some(Percent(0.0)), None)
        );
    }
}
