//! What boards would say about the true climate: with noise, offsets, steps
//! of the last digit, an end of scale, and faults.
//!
//! Values as sent; which of them to believe is for others. The bytes of the
//! wire contract are made where the samples are sent.

use crate::observation::{Boot, Name, Quality, Quantity, Reading, Series};
use crate::season::noise::Noise;
use crate::season::plan::Season;
use crate::season::weather::Climate;
use crate::units::Instant;

/// Something that went wrong with a board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// It sent nothing and started anew afterwards.
    Silent {
        /// Since when.
        from: Instant,
        /// Until when.
        to: Instant,
    },
    /// One sensor repeated the same value.
    Stuck {
        /// Which.
        quantity: Quantity,
        /// Since when.
        from: Instant,
        /// Until when.
        to: Instant,
    },
    /// It sent nothing between two hours of the day (UTC), every day.
    SilentHours {
        /// From this hour.
        from: u32,
        /// To this hour.
        to: u32,
    },
}

/// An offset that the grower found, true = raw + offset.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundOffset {
    /// For which quantity.
    pub quantity: Quantity,
    /// The offset as found, which need not be the true one.
    pub offset: f64,
    /// How it was found.
    pub note: String,
}

/// How the sensors of a board err.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensors {
    /// Raw minus true, °C.
    pub temperature_error: f64,
    /// Standard deviation of one sample, °C.
    pub temperature_noise: f64,
    /// Raw minus true, %.
    pub humidity_error: f64,
    /// Standard deviation of one sample, %.
    pub humidity_noise: f64,
    /// Too warm by so much for each 10,000 lx on the housing, °C.
    pub sun_error: f64,
    /// Raw over true light.
    pub light_gain: f64,
    /// The light sensor can say no more than this, lx.
    pub light_limit: f64,
}

/// A board at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// Its name.
    pub name: Name,
    /// Its probe.
    pub probe: Name,
    /// Where it is.
    pub place: Name,
    /// Where at the place.
    pub position: String,
    /// Since when.
    pub since: Instant,
    /// Until when.
    pub until: Instant,
    /// Between two samples.
    pub interval_minutes: u32,
    /// Its sensors.
    pub sensors: Sensors,
    /// What the grower found about them.
    pub calibrations: Vec<FoundOffset>,
    /// What went wrong.
    pub faults: Vec<Fault>,
}

/// One sample as a board would send it.
#[derive(Debug, Clone, PartialEq)]
pub struct WireSample {
    /// The board.
    pub board: Name,
    /// Its probe.
    pub probe: Name,
    /// Its start.
    pub boot: Boot,
    /// Number of the sample since that start.
    pub seq: u32,
    /// Uptime at the sample, ms.
    pub up_ms: u64,
    /// When it was taken in truth; a board does not know it.
    pub at: Instant,
    /// Values in the units of their quantities.
    pub values: Vec<(Quantity, f64)>,
    /// The end of the light sensor's scale, when it was reached.
    pub light_limit_lux: Option<f64>,
}

/// From power to the first sample.
const WARM_UP_MILLIS: i64 = 4_000;
/// Battery voltage goes out with every so many samples.
const BATTERY_EVERY: i64 = 36;

impl Board {
    /// What this board says from an instant on, until (not including)
    /// another, oldest first.
    pub fn readings<'a>(
        &'a self,
        season: &'a Season,
        from: Instant,
        to: Instant,
    ) -> impl Iterator<Item = (Series, Reading)> + 'a {
        self.grid(from, to).flat_map(move |index| {
            let at = self.instant(index);
            let values = self.values_at(season, index);
            values.into_iter().map(move |(quantity, value, quality)| {
                let series = Series {
                    board: self.name.clone(),
                    probe: self.probe.clone(),
                    quantity,
                };
                (series, Reading { at, value, quality })
            })
        })
    }

    /// The same as the samples that it would send.
    #[must_use]
    pub fn wire_samples(
        &self,
        season: &Season,
        from: Instant,
        to: Instant,
    ) -> Vec<WireSample> {
        let noise = self.noise(season);
        self.grid(from, to)
            .map(|index| {
                let at = self.instant(index);
                let started = self.started(at);
                let first = self.first_after(started);
                let values = self.values_at(season, index);
                let saturated = values.iter().any(|(quantity, _, quality)| {
                    *quantity == Quantity::Light
                        && quality.has(Quality::AT_LEAST)
                });
                WireSample {
                    board: self.name.clone(),
                    probe: self.probe.clone(),
                    boot: boot(noise.of("boot"), started),
                    seq: u32::try_from(index - first)
                        .expect("a season has few samples"),
                    up_ms: at.millis_since(started).cast_unsigned(),
                    at,
                    values: values
                        .into_iter()
                        .map(|(quantity, value, _)| (quantity, value))
                        .collect(),
                    light_limit_lux: saturated
                        .then_some(self.sensors.light_limit),
                }
            })
            .collect()
    }

    fn noise(&self, season: &Season) -> Noise {
        season.plan.noise().of("board").of(self.name.as_str())
    }

    fn interval_millis(&self) -> i64 {
        i64::from(self.interval_minutes.max(1)) * 60_000
    }

    fn instant(&self, index: i64) -> Instant {
        self.since.plus_millis(index * self.interval_millis() + WARM_UP_MILLIS)
    }

    /// The first sample at or after an instant.
    fn first_after(&self, at: Instant) -> i64 {
        let millis = at.millis_since(self.since) - WARM_UP_MILLIS;
        let step = self.interval_millis();
        (millis.div_euclid(step) + i64::from(millis.rem_euclid(step) > 0))
            .max(0)
    }

    /// Numbers of the samples that were sent.
    fn grid(
        &self,
        from: Instant,
        to: Instant,
    ) -> impl Iterator<Item = i64> + '_ {
        let to = self.first_after(to.min(self.until));
        (self.first_after(from)..to)
            .filter(|index| !self.is_silent(self.instant(*index)))
    }

    fn is_silent(&self, at: Instant) -> bool {
        self.faults.iter().any(|fault| match *fault {
            Fault::Silent { from, to } => from <= at && at < to,
            Fault::SilentHours { from, to } => {
                let hour = at.millis().rem_euclid(86_400_000) / 3_600_000;
                (i64::from(from)..i64::from(to)).contains(&hour)
            }
            Fault::Stuck { .. } => false,
        })
    }

    /// When the board was last switched on.
    fn started(&self, at: Instant) -> Instant {
        self.faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Silent { to, .. } if *to <= at => Some(*to),
                _ => None,
            })
            .max()
            .unwrap_or(self.since)
    }

    /// The sample whose value a stuck sensor repeats, or this one.
    fn stuck_at(&self, quantity: Quantity, index: i64) -> i64 {
        let at = self.instant(index);
        self.faults
            .iter()
            .find_map(|fault| match *fault {
                Fault::Stuck { quantity: stuck, from, to }
                    if stuck == quantity && from <= at && at < to =>
                {
                    Some(self.first_after(from))
                }
                _ => None,
            })
            .unwrap_or(index)
    }

    fn values_at(
        &self,
        season: &Season,
        index: i64,
    ) -> Vec<(Quantity, f64, Quality)> {
        let noise = self.noise(season);
        let Some(now) = self.climate(season, index) else {
            return Vec::new();
        };
        let of = |quantity: Quantity| {
            let source = self.stuck_at(quantity, index);
            let air = if source == index {
                now
            } else {
                self.climate(season, source).unwrap_or(now)
            };
            self.measure(noise, quantity, &air, source)
        };
        let mut values: Vec<_> =
            Quantity::CLIMATE.into_iter().map(of).collect();
        if index % BATTERY_EVERY == 0 {
            values.push((
                Quantity::Battery,
                self.battery(self.instant(index)),
                Quality::GOOD,
            ));
        }
        values
    }

    fn climate(&self, season: &Season, index: i64) -> Option<Climate> {
        season.climate_at(&self.place, self.instant(index))
    }

    fn measure(
        &self,
        noise: Noise,
        quantity: Quantity,
        air: &Climate,
        index: i64,
    ) -> (Quantity, f64, Quality) {
        let sensors = &self.sensors;
        let error = noise.of(quantity.word()).bell(index);
        let lux = air.light.lux();
        let (value, quality) = match quantity {
            Quantity::Temperature => {
                let celsius = air.temperature.degrees()
                    + sensors.temperature_error
                    + sensors.sun_error * lux / 10_000.0
                    + sensors.temperature_noise * error;
                (in_tenths(celsius), Quality::GOOD)
            }
            Quantity::Humidity => {
                let percent = air.humidity.percent()
                    + sensors.humidity_error
                    + sensors.humidity_noise * error;
                (in_tenths(percent.clamp(0.0, 100.0)), Quality::GOOD)
            }
            _ => {
                let seen = lux * sensors.light_gain * (1.0 + 0.01 * error);
                if seen >= sensors.light_limit {
                    (sensors.light_limit, Quality::AT_LEAST)
                } else {
                    (seen.round(), Quality::GOOD)
                }
            }
        };
        (quantity, value, quality)
    }

    /// Cells that sink slowly and give way a day before they are empty, to
    /// the hundredth of a volt; fresh ones at every start.
    fn battery(&self, at: Instant) -> f64 {
        let used = at.days_since(self.started(at));
        let left = self
            .faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Silent { from, .. } if *from > at => {
                    Some(from.days_since(at))
                }
                _ => None,
            })
            .fold(f64::INFINITY, f64::min);
        let volts = 3.05 - 0.0012 * used - 0.7 * (-left).exp();
        (volts * 100.0).round() / 100.0
    }
}

fn in_tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// Ten letters and digits that differ for every start.
fn boot(noise: Noise, started: Instant) -> Boot {
    const DIGITS: &[u8; 36] = b"0123456789abcdefghijklmnopqrstuvwxyz";
    let mut bits = noise.bits(started.millis());
    let text: String = (0..10)
        .map(|_| {
            let digit = usize::try_from(bits % 36).expect("below 36");
            bits /= 36;
            char::from(DIGITS[digit])
        })
        .collect();
    Boot::new(&text).expect("ten letters and digits")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::rowan::rowan_plan;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn said(season: &Season, board: &str, quantity: Quantity) -> Vec<Reading> {
        let board = season
            .plan
            .boards
            .iter()
            .find(|known| known.name.as_str() == board)
            .unwrap();
        board
            .readings(season, board.since, board.until)
            .filter(|(series, _)| series.quantity == quantity)
            .map(|(_, reading)| reading)
            .collect()
    }

    #[test]
    fn readings_come_in_the_steps_of_the_sensor_and_near_the_truth() {
        let season = rowan_plan(8).grow();
        let place = name("stair-landing");
        let celsius = said(&season, "board-landing", Quantity::Temperature);
        let mut error = 0.0;
        for reading in &celsius {
            let tenths = reading.value * 10.0;
            assert!((tenths - tenths.round()).abs() < 1e-6);
            let truth = season.climate_at(&place, reading.at).unwrap();
            let off = reading.value - truth.temperature.degrees();
            assert!(off.abs() < 0.4, "{off}");
            error += off;
        }
        assert!((error / celsius.len() as f64).abs() < 0.01);
    }

    #[test]
    fn a_silent_board_leaves_one_hole() {
        let season = rowan_plan(8).grow();
        let celsius = said(&season, "board-landing", Quantity::Temperature);
        let holes: Vec<f64> = celsius
            .windows(2)
            .map(|pair| pair[1].at.hours_since(pair[0].at))
            .filter(|hours| *hours > 0.2)
            .collect();
        assert_eq!(holes.len(), 1);
        assert!((holes[0] - 63.3).abs() < 0.5, "{holes:?}");
    }

    #[test]
    fn a_stuck_thermometer_repeats_itself_while_damp_moves_on() {
        let season = rowan_plan(8).grow();
        let longest = |quantity| {
            let (mut longest, mut run) = (0, 0);
            for pair in said(&season, "board-airing", quantity).windows(2) {
                let same = (pair[1].value - pair[0].value).abs() < 1e-9;
                run = if same { run + 1 } else { 0 };
                longest = longest.max(run);
            }
            longest
        };
        // 43 h at six samples an hour.
        assert!((255..=262).contains(&longest(Quantity::Temperature)));
        assert!(longest(Quantity::Humidity) < 20);
    }

    #[test]
    fn light_beyond_the_sensor_is_said_to_be_at_least_its_limit() {
        let season = rowan_plan(8).grow();
        let light = said(&season, "board-sill", Quantity::Light);
        let at_limit: Vec<&Reading> = light
            .iter()
            .filter(|reading| reading.quality.has(Quality::AT_LEAST))
            .collect();
        assert!(!at_limit.is_empty());
        assert!(at_limit.len() * 20 < light.len(), "{}", at_limit.len());
        for reading in at_limit {
            assert!((reading.value - 30_000.0).abs() < 1e-9);
        }
        assert!(light.iter().all(|reading| reading.value <= 30_000.0));
    }

    #[test]
    fn wire_samples_say_what_the_readings_say() {
        let season = rowan_plan(8).grow();
        for board in &season.plan.boards {
            let from = board.until.plus_hours(-6.0);
            let samples = season.wire_samples(&board.name, from, board.until);
            assert_eq!(samples.len(), 36);
            let sent: Vec<(Instant, Quantity, f64)> = samples
                .iter()
                .flat_map(|s| s.values.iter().map(|(q, v)| (s.at, *q, *v)))
                .collect();
            let read: Vec<(Instant, Quantity, f64)> = board
                .readings(&season, from, board.until)
                .map(|(series, r)| (r.at, series.quantity, r.value))
                .collect();
            assert_eq!(sent, read);
            for pair in samples.windows(2) {
                assert_eq!(pair[0].boot, pair[1].boot);
                assert_eq!(pair[0].seq + 1, pair[1].seq);
                let millis = pair[1].at.millis_since(pair[0].at);
                assert_eq!(pair[1].up_ms - pair[0].up_ms, 600_000);
                assert_eq!(millis, 600_000);
            }
        }
    }

    #[test]
    fn a_board_that_was_without_power_starts_anew() {
        let season = rowan_plan(8).grow();
        let board = name("board-landing");
        let (from, to) = {
            let planned = &season.plan.boards[2];
            (planned.since, planned.until)
        };
        let samples = season.wire_samples(&board, from, to);
        let boots: std::collections::BTreeSet<_> =
            samples.iter().map(|sample| sample.boot.clone()).collect();
        assert_eq!(boots.len(), 2);
        let starts: Vec<&WireSample> =
            samples.iter().filter(|sample| sample.seq == 0).collect();
        assert_eq!(starts.len(), 2);
        assert!(starts[1].up_ms < 600_000);
    }

    #[test]
    fn cells_give_way_before_a_board_falls_silent() {
        let season = rowan_plan(8).grow();
        let volts = said(&season, "board-landing", Quantity::Battery);
        let Fault::Silent { from, to } = season.plan.boards[2].faults[0] else {
            panic!("the board of the landing falls silent")
        };
        let near = |at: Instant| {
            let last = volts.iter().take_while(|r| r.at < at).last();
            last.unwrap().value
        };
        assert!(near(from.plus_hours(-240.0)) > 2.8);
        assert!(near(from) < 2.5);
        assert!(near(to.plus_hours(12.0)) > 3.0);
    }

    #[test]
    fn silent_hours_are_silent_every_day() {
        let mut plan = rowan_plan(8);
        plan.boards[1].faults = vec![Fault::SilentHours { from: 11, to: 14 }];
        let season = plan.grow();
        let hour = |at: Instant| at.millis().rem_euclid(86_400_000) / 3_600_000;
        let light = said(&season, "board-sill", Quantity::Light);
        assert!(light.iter().all(|r| !(11..14).contains(&hour(r.at))));
        assert!(light.iter().any(|r| hour(r.at) == 14));
    }
}
