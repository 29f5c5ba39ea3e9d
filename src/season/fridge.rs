//! The climate inside a kitchen fridge: compressor, doors, defrost, damp.
//!
//! Not a thermal model of a fridge: each cause adds its own course to the
//! mean, so that any instant can be looked up.

use std::f64::consts::{PI, TAU};

use crate::season::noise::{MINUTE, Noise};
use crate::season::sun::hour_of_day;
use crate::season::weather::Climate;
use crate::units::Instant;

/// Something that went wrong with a fridge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Incident {
    /// The door stood ajar.
    LeftOpen {
        /// Since when.
        from: Instant,
        /// For how long.
        hours: f64,
    },
    /// The dial was turned and later turned back.
    DialTurned {
        /// Since when.
        from: Instant,
        /// Until when.
        to: Instant,
        /// Warmer by so many degrees in the end.
        degrees: f64,
    },
}

/// A fridge and its habits.
#[derive(Debug, Clone, PartialEq)]
pub struct Fridge {
    /// Mean of the undisturbed air, °C.
    pub mean_celsius: f64,
    /// The compressor moves the air this far up and down, °C.
    pub swing_celsius: f64,
    /// Length of a compressor cycle, minutes.
    pub cycle_minutes: f64,
    /// Mean of the undisturbed humidity, %.
    pub damp_percent: f64,
    /// How often somebody opens it.
    pub doors_a_day: f64,
    /// Light in the drawer while the door is open, lx.
    pub lamp_lux: f64,
    /// What went wrong.
    pub incidents: Vec<Incident>,
}

/// A chance to open the door comes up this often.
const SLOT: i64 = 20 * MINUTE;
/// Door events older than this are no longer felt.
const SLOTS_FELT: i64 = 5;
/// Between two defrosts.
const DEFROST_EVERY: i64 = 13 * 60 * MINUTE;
const DEFROST_MINUTES: f64 = 45.0;

/// How strongly a cause is felt, and whether the lamp is on.
#[derive(Debug, Clone, Copy, Default)]
struct Felt {
    warmth: f64,
    dryness: f64,
    lamp: bool,
}

impl Fridge {
    pub(crate) fn climate_at(&self, noise: Noise, at: Instant) -> Climate {
        let minutes = at.millis() as f64 / MINUTE as f64;
        let wander = 0.7 * noise.of("cycle").smooth(at, 400);
        let phase = TAU * (minutes / self.cycle_minutes + wander);
        let wave = (phase.sin() + 0.25 * (2.0 * phase).sin()) / 1.1;
        let slow = 0.45 * noise.of("load").smooth(at, 1_700);
        let doors = self.doors(noise.of("doors"), at);
        let (ajar, dial) = self.disturbances(at);
        let celsius = self.mean_celsius
            + self.swing_celsius * wave
            + slow
            + defrost(at)
            + doors.warmth
            + ajar.warmth
            + dial;
        let percent = self.damp_percent
            + 1.6 * noise.of("damp").smooth(at, 1_800)
            + 0.8 * noise.of("damp-hours").smooth(at, 300)
            - 0.7 * wave
            - doors.dryness
            - ajar.dryness;
        let lux = if doors.lamp || ajar.lamp { self.lamp_lux } else { 0.0 };
        Climate::new(celsius, percent.min(99.5), lux)
    }

    /// Openings of the last while, each fading away.
    fn doors(&self, noise: Noise, at: Instant) -> Felt {
        let slot = at.millis().div_euclid(SLOT);
        let mut felt = Felt::default();
        for index in slot - SLOTS_FELT..=slot {
            let start = Instant::from_millis(index * SLOT);
            let chance = self.doors_a_day / 72.0 * busyness(hour_of_day(start));
            if noise.of("whether").share(index) >= chance {
                continue;
            }
            let late = noise.of("when").share(index) * 18.0;
            let open_minutes = 0.25 + noise.of("how-long").share(index);
            let since = at.millis_since(start) as f64 / MINUTE as f64 - late;
            if since < 0.0 {
                continue;
            }
            let opened = since.min(open_minutes);
            let fading = since - opened;
            felt.warmth += 1.5 * opened * (-fading / 14.0).exp();
            felt.dryness += 5.0 * opened * (-fading / 18.0).exp();
            felt.lamp |= fading <= 0.0;
        }
        felt
    }

    /// What incidents add: a door ajar, and degrees of a turned dial.
    fn disturbances(&self, at: Instant) -> (Felt, f64) {
        /// Warmest that the compressor cannot prevent with the door ajar.
        const AJAR_RISE: f64 = 9.5;
        let mut ajar = Felt::default();
        let mut dial = 0.0;
        for incident in &self.incidents {
            match *incident {
                Incident::LeftOpen { from, hours } => {
                    let since = at.hours_since(from);
                    if since <= 0.0 {
                        continue;
                    }
                    let open = since.min(hours);
                    let share = (1.0 - (-open / 1.2).exp())
                        * (-(since - open) / 1.1).exp();
                    ajar.warmth += AJAR_RISE * share;
                    ajar.dryness += 16.0 * share;
                    ajar.lamp |= since <= hours;
                }
                Incident::DialTurned { from, to, degrees } => {
                    let since = at.hours_since(from);
                    if since > 0.0 {
                        let on = at.min(to).hours_since(from);
                        dial += degrees
                            * (1.0 - (-on / 5.0).exp())
                            * (-(since - on) / 5.0).exp();
                    }
                }
            }
        }
        (ajar, dial)
    }
}

/// Warmth of a defrost, which comes about twice a day.
fn defrost(at: Instant) -> f64 {
    let minutes = at.millis().rem_euclid(DEFROST_EVERY) as f64 / MINUTE as f64;
    if minutes < DEFROST_MINUTES {
        1.5 * (PI * minutes / DEFROST_MINUTES).sin().powi(2)
    } else {
        0.0
    }
}

/// How busy the kitchen is, about 1 over the day.
fn busyness(hour: f64) -> f64 {
    match hour {
        h if h < 6.5 => 0.0,
        h if h < 9.0 => 2.0,
        h if h < 12.0 => 0.7,
        h if h < 14.0 => 1.5,
        h if h < 17.0 => 0.7,
        h if h < 21.0 => 2.4,
        h if h < 23.0 => 0.7,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::rowan;
    use crate::season::weather::Spot;

    fn fridge_of_the_demo() -> (Fridge, Noise, Instant) {
        let plan = rowan::rowan_plan(rowan::DEMO_SEED);
        let Spot::Fridge(fridge) = plan.fridge.spot.clone() else {
            panic!("the demo chills in a fridge")
        };
        let noise = plan.weather().noise.of(plan.fridge.name.as_str());
        (fridge, noise, plan.begins())
    }

    /// Source: home fridges, single means of −0.6 to 10.4 °C in 112 homes,
    /// overall 4.4 °C (Evans et al., IIR 2014, summary read) and 5.2 °C with
    /// SD 2.5 in 127 (Gilbert et al. 2007, read in a table).
    #[test]
    fn the_fridge_is_like_fridges_at_home() {
        let (fridge, noise, start) = fridge_of_the_demo();
        let n = 126 * 144;
        let (mut sum, mut over_5, mut damp) = (0.0, 0, Vec::new());
        for k in 0..n {
            let at = start.plus_millis(k * 10 * MINUTE);
            let here = fridge.climate_at(noise, at);
            sum += here.temperature.degrees();
            over_5 += i64::from(here.temperature.degrees() > 5.0);
            damp.push(here.humidity.percent());
        }
        let mean = sum / n as f64;
        assert!((-0.6..10.4).contains(&mean));
        assert!((mean - 5.2).abs() < 2.5, "{mean}");
        // Between the bottom and the top shelf of the published homes.
        let share = over_5 as f64 / n as f64;
        assert!((0.02..0.58).contains(&share), "{share}");
        damp.sort_by(f64::total_cmp);
        let (low, high) = (damp[damp.len() / 20], damp[damp.len() * 19 / 20]);
        assert!(low > 90.0 && high < 97.5, "{low} {high}");
    }

    #[test]
    fn the_lamp_burns_only_while_the_door_is_open() {
        let (fridge, noise, start) = fridge_of_the_demo();
        let quiet = Fridge { incidents: Vec::new(), ..fridge };
        let lit = (0..7 * 1440)
            .filter(|m| {
                let here =
                    quiet.climate_at(noise, start.plus_millis(m * MINUTE));
                here.light.lux() > 0.0
            })
            .count();
        // A dozen openings a day of a minute or less.
        assert!((20..200).contains(&lit), "{lit} minutes in a week");
    }

    #[test]
    fn a_door_left_open_warms_the_fridge_and_is_overcome() {
        let (fridge, noise, start) = fridge_of_the_demo();
        let from = start.plus_hours(50.0);
        let incidents = vec![Incident::LeftOpen { from, hours: 6.0 }];
        let open = Fridge { incidents, ..fridge };
        let celsius = |hours: f64| {
            open.climate_at(noise, from.plus_hours(hours)).temperature.degrees()
        };
        assert!(celsius(-0.5) < 8.0);
        assert!(celsius(5.9) > 9.0);
        assert!(celsius(14.0) < 8.0);
    }

    #[test]
    fn a_turned_dial_moves_the_mean_until_it_is_turned_back() {
        let (fridge, noise, start) = fridge_of_the_demo();
        let quiet = Fridge { incidents: Vec::new(), ..fridge };
        let (from, to) = (start.plus_hours(20.0), start.plus_hours(200.0));
        let incidents = vec![Incident::DialTurned { from, to, degrees: 3.0 }];
        let turned = Fridge { incidents, ..quiet.clone() };
        let warmer = |hours: f64| {
            let at = from.plus_hours(hours);
            (turned.climate_at(noise, at).temperature
                - quiet.climate_at(noise, at).temperature)
                .degrees()
        };
        assert!(warmer(-1.0).abs() < 1e-9);
        assert!((warmer(100.0) - 3.0).abs() < 0.01);
        assert!(warmer(230.0).abs() < 0.01);
    }
}
