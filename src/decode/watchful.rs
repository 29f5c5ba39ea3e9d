//! Is it believable? Marks that only a series shows: a sensor that is stuck,
//! full of water, without ground, or a step that no air makes.
//!
//! A mark keeps the value. All rules are conservative: a mark takes hours out
//! of a dose, so a good reading is never marked to catch one more bad one.
//! In a calibration window (salt box, ice water) the caller does not ask.
//!
//! # Why sameness alone proves nothing
//! Many boards send temperature in steps of 0.1 °C or 1/16 °C and humidity
//! in whole per cent. In a cellar, or at the back of a fridge drawer, such a
//! board says the same number for days and is right. A sensor that resolves
//! hundredths cannot: its own noise moves the last digit. So a series is
//! called stuck only
//!
//! 1. after it has shown [`FINE_MOVES`] steps finer than [`FINE_STEP`] (for
//!    light [`FINE_LIGHT_PART`]), and then gives one identical number for
//!    [`STUCK_HOURS`] and [`STUCK_READINGS`]; or
//! 2. humidity, at or below 95 %, gives one identical number for as long
//!    while the temperature of the same probe moved by [`WITNESS_CELSIUS`]:
//!    warming air by 3 °C takes about a sixth off its relative humidity,
//!    which even whole per cents show (above 95 % wet things keep it full).
//!    A sensor that has shown [`FINE_MOVES`] steps below [`KEEN_STEP`] sends
//!    tenths, and [`KEEN_WITNESS_CELSIUS`] is enough: the air's answer is
//!    then twenty of its steps, and more than its own noise beside wood or
//!    salt that hold the air nearly where it is; or
//! 3. humidity lies at or below [`FLOOR_PERCENT`] for [`STUCK_HOURS`]: no
//!    air in a house is so dry; or
//! 4. light, not zero, is identical for [`LIGHT_STUCK_HOURS`], longer than
//!    any lamp on a timer burns. Zero at night is never stuck.
//!
//! A row that was marked stuck stays so until its number changes, so that a
//! restart, which forgets the temperature beside it, takes no mark away.
//!
//! The price: a coarse thermometer that freezes at a plausible value is not
//! marked here. The watch on the sensor (`alert::sensor`) tells it, held
//! against how it moved at that place before.

use crate::observation::{Quality, Quantity};
use crate::units::Instant;

/// Steps finer than the coarse sensors' own, after which sameness counts.
pub const FINE_MOVES: u32 = 10;
/// A temperature or humidity step below this is fine: °C, % (coarse ones
/// are 0.04, 0.0625, 0.1 and 1).
pub const FINE_STEP: f64 = 0.03;
/// A light step below this part of the value is fine.
pub const FINE_LIGHT_PART: f64 = 0.01;
/// Light below this is too near a sensor's own steps to judge, lx.
pub const DIM_LUX: f64 = 50.0;
/// An identical value is stuck only after so many hours ...
pub const STUCK_HOURS: f64 = 6.0;
/// ... and so many readings.
pub const STUCK_READINGS: u32 = 30;
/// Light without fine steps is stuck only after so many hours.
pub const LIGHT_STUCK_HOURS: f64 = 24.0;
/// Movement of the temperature that humidity must answer, °C ...
pub const WITNESS_CELSIUS: f64 = 3.0;
/// ... and from a sensor that sends tenths of a per cent, °C.
pub const KEEN_WITNESS_CELSIUS: f64 = 1.0;
/// A humidity step below this shows that a sensor sends neither whole nor
/// half per cents, %.
pub const KEEN_STEP: f64 = 0.25;
/// Above this, humidity may stand still while the temperature moves, %.
pub const WET_PERCENT: f64 = 95.0;
/// At or below this no air in a house is, %.
pub const FLOOR_PERCENT: f64 = 2.0;
/// Humidity at or above this ...
pub const FULL_PERCENT: f64 = 99.0;
/// ... for longer than this is saturated: fog on the sensor or truly full
/// air, in any case not a measurement.
pub const FULL_HOURS: f64 = 6.0;
/// What a 1/16 °C one-wire thermometer gives when its ground is broken. It
/// lies inside the range of a fridge, so one alone says nothing.
pub const NO_GROUND_CELSIUS: f64 = -0.0625;
/// So many in a row, entered by a step of at least [`NO_GROUND_STEP`], ...
pub const NO_GROUND_READINGS: u32 = 3;
/// ... which freezing water never makes, °C.
pub const NO_GROUND_STEP: f64 = 2.0;
/// So many in a row where nothing came before (and [`NO_GROUND_HOURS`]).
pub const NO_GROUND_FIRST_READINGS: u32 = 12;
/// Hours for the rule above.
pub const NO_GROUND_HOURS: f64 = 1.0;
/// A step larger than this, °C, ...
pub const JUMP_CELSIUS: f64 = 10.0;
/// ... within this is a jump: a probe carried from fridge to room, or a bad
/// contact. Minutes.
pub const JUMP_MINUTES: f64 = 5.0;
/// After a hole longer than this nothing is known of the time between, so
/// all rows begin anew, hours.
pub const LONGEST_GAP_HOURS: f64 = 2.0;

/// A row of identical values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// The value.
    pub value: f64,
    /// Its first reading.
    pub since: Instant,
    /// How many so far.
    pub n_readings: u32,
    /// The step by which the row was entered, if something came before.
    pub entered_by: Option<f64>,
    /// Lowest temperature of the same probe meanwhile, °C.
    pub coldest: Option<f64>,
    /// Highest temperature of the same probe meanwhile, °C.
    pub warmest: Option<f64>,
    /// Whether one of them was marked stuck; then all that follow are.
    pub stuck: bool,
}

/// What is remembered of one series. Plain data, to be kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Watchfulness {
    /// What the series measures.
    pub quantity: Quantity,
    /// The last reading that was looked at.
    pub last_at: Option<Instant>,
    /// The row of identical values that it belongs to.
    pub row: Option<Row>,
    /// Fine steps seen, up to [`FINE_MOVES`].
    pub n_fine: u32,
    /// Humidity steps below [`KEEN_STEP`] seen, up to [`FINE_MOVES`].
    pub n_keen: u32,
    /// Since when humidity is full.
    pub full_since: Option<Instant>,
    /// Since when humidity is at its floor.
    pub floor_since: Option<Instant>,
}

impl Watchfulness {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(quantity: Quantity) -> Self {
        Self {
            quantity,
            last_at: None,
            row: None,
            n_fine: 0,
            n_keen: 0,
            full_since: None,
            floor_since: None,
        }
    }

    /// Looks at the next reading of the series and gives its marks.
    ///
    /// # Arguments
    /// - `at`, `value`, `quality`: the reading. One that is not later than
    ///   the last (back-fill out of order), or that is known to be false, is
    ///   given back as it is and not remembered.
    /// - `beside`: temperature of the same probe in the same sample, °C; the
    ///   witness for humidity.
    ///
    /// # Returns
    /// `quality` with what the rules above add.
    pub fn observe(
        &mut self,
        at: Instant,
        value: f64,
        quality: Quality,
        beside: Option<f64>,
    ) -> Quality {
        let later = self.last_at.is_none_or(|last| at > last);
        if !later || quality.has(Quality::KNOWN_FALSE) {
            return quality;
        }
        let hours = self.last_at.map(|last| at.hours_since(last));
        if hours.is_some_and(|hours| hours > LONGEST_GAP_HOURS) {
            self.row = None;
            self.full_since = None;
            self.floor_since = None;
        }
        let step = self.row.map(|row| value - row.value);
        self.follow(at, value, step, beside);
        self.last_at = Some(at);
        let stuck = self.is_stuck(at) || quality.has(Quality::STUCK);
        if let Some(row) = &mut self.row {
            row.stuck |= stuck;
        }
        let jumped = self.quantity == Quantity::Temperature
            && step.is_some_and(|step| step.abs() > JUMP_CELSIUS)
            && hours.is_some_and(|hours| hours * 60.0 <= JUMP_MINUTES);
        [
            (jumped, Quality::JUMP),
            (stuck, Quality::STUCK),
            (self.is_full(at), Quality::SATURATED),
            (self.is_without_ground(at), Quality::KNOWN_FALSE),
        ]
        .into_iter()
        .filter(|(holds, _)| *holds)
        .fold(quality, |marks, (_, mark)| marks.with(mark))
    }

    fn follow(
        &mut self,
        at: Instant,
        value: f64,
        step: Option<f64>,
        beside: Option<f64>,
    ) {
        let fine = step.is_some_and(|step| self.is_fine(step, value));
        if fine && self.n_fine < FINE_MOVES {
            self.n_fine += 1;
        }
        let keen = self.quantity == Quantity::Humidity
            && step.is_some_and(|s| !same(s, 0.0) && s.abs() < KEEN_STEP);
        if keen && self.n_keen < FINE_MOVES {
            self.n_keen += 1;
        }
        match &mut self.row {
            Some(row) if same(row.value, value) => {
                row.n_readings = row.n_readings.saturating_add(1);
                row.coldest = lower(row.coldest, beside);
                row.warmest = higher(row.warmest, beside);
            }
            _ => {
                self.row = Some(Row {
                    value,
                    since: at,
                    n_readings: 1,
                    entered_by: step,
                    coldest: beside,
                    warmest: beside,
                    stuck: false,
                });
            }
        }
        if self.quantity == Quantity::Humidity {
            begin_or_end(&mut self.full_since, value >= FULL_PERCENT, at);
            begin_or_end(&mut self.floor_since, value <= FLOOR_PERCENT, at);
        }
    }

    fn is_fine(&self, step: f64, value: f64) -> bool {
        let finest = match self.quantity {
            Quantity::Temperature | Quantity::Humidity => FINE_STEP,
            Quantity::Light if value >= DIM_LUX => value * FINE_LIGHT_PART,
            Quantity::Light | Quantity::Battery | Quantity::Signal => 0.0,
        };
        !same(step, 0.0) && step.abs() < finest
    }

    fn is_stuck(&self, at: Instant) -> bool {
        let floor = self
            .floor_since
            .is_some_and(|since| at.hours_since(since) >= STUCK_HOURS);
        let Some(row) = &self.row else { return floor };
        if row.stuck {
            return true;
        }
        let hours = at.hours_since(row.since);
        if hours < STUCK_HOURS || row.n_readings < STUCK_READINGS {
            return floor;
        }
        let fine = self.n_fine >= FINE_MOVES;
        match self.quantity {
            Quantity::Temperature => fine,
            Quantity::Humidity => {
                let below = row.value <= WET_PERCENT;
                let keen = self.n_keen >= FINE_MOVES;
                floor || (below && (fine || row.is_contradicted(keen)))
            }
            Quantity::Light => {
                let lit = row.value > 0.0;
                let fine = fine && row.value >= DIM_LUX;
                lit && (fine || hours >= LIGHT_STUCK_HOURS)
            }
            Quantity::Battery | Quantity::Signal => false,
        }
    }

    fn is_full(&self, at: Instant) -> bool {
        self.full_since.is_some_and(|since| at.hours_since(since) > FULL_HOURS)
    }

    fn is_without_ground(&self, at: Instant) -> bool {
        let Some(row) = &self.row else { return false };
        if self.quantity != Quantity::Temperature
            || !same(row.value, NO_GROUND_CELSIUS)
        {
            return false;
        }
        match row.entered_by {
            Some(step) => {
                step.abs() >= NO_GROUND_STEP
                    && row.n_readings >= NO_GROUND_READINGS
            }
            None => {
                row.n_readings >= NO_GROUND_FIRST_READINGS
                    && at.hours_since(row.since) >= NO_GROUND_HOURS
            }
        }
    }
}

impl Row {
    /// Whether the temperature beside it moved so far that the value should
    /// have moved too.
    fn is_contradicted(&self, keen: bool) -> bool {
        let enough = if keen { KEEN_WITNESS_CELSIUS } else { WITNESS_CELSIUS };
        match (self.coldest, self.warmest) {
            (Some(coldest), Some(warmest)) => warmest - coldest >= enough,
            _ => false,
        }
    }
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

fn lower(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.map_or(b, |a| Some(b.map_or(a, |b| a.min(b))))
}

fn higher(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.map_or(b, |a| Some(b.map_or(a, |b| a.max(b))))
}

fn begin_or_end(since: &mut Option<Instant>, holds: bool, at: Instant) {
    if !holds {
        *since = None;
    } else if since.is_none() {
        *since = Some(at);
    }
}

#[cfg(test)]
#[path = "watchful_tests.rs"]
mod tests;
