//! Doses: what a place amounted to over the stretches a unit stayed there.
//!
//! Not a model of the plant: a dose is the time integral of a [`Shape`] over
//! the log, with what is missing said beside it.

use std::iter::Sum;
use std::ops::Add;
use std::sync::Arc;

use crate::climate::hour_table::{HourTable, Hours, hour_of_day, integral};
use crate::climate::hours::{hour_of, hour_span};
use crate::climate::log::{HOUR, Log, Span, in_hours};
use crate::climate::shape::Shape;
use crate::units::Instant;

/// Below this share of covered hours a dose is not compared.
pub const LEAST_COVERAGE: f64 = 0.8;

/// Holes longer than this are not filled, h.
pub const LONGEST_FILLED_HOURS: f64 = 72.0;

/// How many days before and after a hole lend it their values.
const NEIGHBOUR_DAYS: i64 = 3;

/// A lending hour must itself be covered for at least this long, ms.
const LENDING_COVER: i64 = HOUR / 2;

/// An hour of day is lit when it was lit in at least this share of its
/// covered hours: a torch on one evening in a month does not count.
const LIT_SHARE: f64 = 0.1;

/// Hours of the local day that matter to a dose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HoursOfDay([bool; 24]);

impl HoursOfDay {
    /// Every hour: warmth, humidity, chill.
    pub const ALL: Self = Self([true; 24]);

    /// The hours given by the caller, 0 to 23; others are ignored.
    #[must_use]
    pub fn of(hours: impl IntoIterator<Item = usize>) -> Self {
        let mut matters = [false; 24];
        for hour in hours.into_iter().filter(|hour| *hour < 24) {
            matters[hour] = true;
        }
        Self(matters)
    }

    /// The hours of day at which this place gets light: those whose mean
    /// was at or above `limit` on at least a tenth of the covered days.
    ///
    /// An hour of day that was never logged matters when the nearest logged
    /// hour before or after it does: noon may not be missed, night may.
    ///
    /// A place that is always dark gives [`HoursOfDay::ALL`]: there, any
    /// hour could have brought light.
    ///
    /// # Arguments
    /// - `light`: hourly sums of the light itself ([`Shape::value`]).
    /// - `limit`: the stated low limit, lx; below it the place is called
    ///   dark.
    ///
    /// # When it misleads
    /// Over a log from winter to summer the early and late hours are lit
    /// only in part of it and still count as missing in the dark part.
    #[must_use]
    pub fn lit(light: &HourlySums<'_>, limit: f64) -> Self {
        let of_cell = |cell| Some((light.hour_of_day(cell), light.lent(cell)?));
        Self::lit_among(light.cells().filter_map(of_cell), limit)
    }

    /// The same from the logged hours themselves: the hour of day and the
    /// mean light of each.
    pub(crate) fn lit_among(
        hours: impl Iterator<Item = (usize, f64)>,
        limit: f64,
    ) -> Self {
        let (mut lit, mut covered) = ([0_u32; 24], [0_u32; 24]);
        for (hour, mean) in hours {
            covered[hour] += 1;
            lit[hour] += u32::from(mean >= limit);
        }
        let is_lit = |hour: usize| {
            lit[hour] > 0
                && f64::from(lit[hour]) >= LIT_SHARE * f64::from(covered[hour])
        };
        // An hour that was never logged may be as bright as those beside it.
        let nearest = |hours: &mut dyn Iterator<Item = usize>| {
            hours.map(|hour| hour % 24).find(|hour| covered[*hour] > 0)
        };
        let matters: [bool; 24] = std::array::from_fn(|hour| {
            let before = nearest(&mut (hour + 1..=hour + 24).rev());
            let after = nearest(&mut (hour..hour + 24));
            before.is_some_and(is_lit) || after.is_some_and(is_lit)
        });
        if matters.contains(&true) { Self(matters) } else { Self::ALL }
    }

    /// Whether this hour of day, 0 to 23, matters.
    #[must_use]
    pub fn matters(self, hour: usize) -> bool {
        self.0.get(hour).copied().unwrap_or(false)
    }
}

/// Covered and missing time, h.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cover {
    /// Hours with readings.
    pub covered_hours: f64,
    /// Hours in holes, or before or after the log.
    pub missing_hours: f64,
}

/// A dose with its holes filled from the same hour of neighbouring days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filled {
    /// The covered sum and the mean of the neighbours for what is missing.
    pub value: f64,
    /// The same with the lowest neighbour in every missing hour.
    pub low: f64,
    /// The same with the highest neighbour in every missing hour.
    pub high: f64,
}

/// What can be said of a dose when units are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Comparable {
    /// Enough data; use this.
    Value(Filled),
    /// Less than 80 % of the hours that matter are covered.
    TooLittleData,
    /// Enough data, but a hole longer than three days, or one without two
    /// neighbouring days, cannot be filled.
    CannotFill,
}

/// A sum over time, and how much of the time it rests on.
///
/// Doses of several stays, at several places, add up:
/// `doses.into_iter().sum::<Dose>()`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dose {
    /// The sum over the covered time alone.
    pub covered_sum: f64,
    /// Covered hours among the hours that matter.
    pub covered_hours: f64,
    /// Missing hours among the hours that matter.
    pub missing_hours: f64,
    /// The same by local hour of day; zero for hours that do not matter.
    pub by_hour: [Cover; 24],
    /// A reading said "at least this", or the sensor was at the end of its
    /// scale: for a shape that never falls, the sum is a lower bound.
    pub at_least: bool,
    /// With the holes filled; `None` when one cannot be.
    pub filled: Option<Filled>,
}

impl Dose {
    /// No time at all.
    pub const NONE: Self = Self {
        covered_sum: 0.0,
        covered_hours: 0.0,
        missing_hours: 0.0,
        by_hour: [Cover { covered_hours: 0.0, missing_hours: 0.0 }; 24],
        at_least: false,
        filled: Some(Filled { value: 0.0, low: 0.0, high: 0.0 }),
    };

    /// Covered share of the hours that matter; `None` when there are none.
    #[must_use]
    pub fn coverage(&self) -> Option<f64> {
        let hours = self.covered_hours + self.missing_hours;
        (hours > 0.0).then(|| self.covered_hours / hours)
    }

    /// What may be compared with other units: the filled sum, when at least
    /// 80 % of the hours that matter are covered.
    #[must_use]
    pub fn comparable(&self) -> Comparable {
        match (self.coverage(), self.filled) {
            (Some(share), Some(filled)) if share >= LEAST_COVERAGE => {
                Comparable::Value(filled)
            }
            (Some(share), None) if share >= LEAST_COVERAGE => {
                Comparable::CannotFill
            }
            _ => Comparable::TooLittleData,
        }
    }

    /// The mean over the covered time of a dose whose every hour matters.
    #[must_use]
    pub fn covered_mean(&self) -> Option<f64> {
        (self.covered_hours > 0.0)
            .then(|| self.covered_sum / self.covered_hours)
    }
}

impl Add for Dose {
    type Output = Self;
    fn add(mut self, other: Self) -> Self {
        self.covered_sum += other.covered_sum;
        self.covered_hours += other.covered_hours;
        self.missing_hours += other.missing_hours;
        for (mine, theirs) in self.by_hour.iter_mut().zip(other.by_hour) {
            mine.covered_hours += theirs.covered_hours;
            mine.missing_hours += theirs.missing_hours;
        }
        self.at_least |= other.at_least;
        self.filled = self.filled.zip(other.filled).map(|(a, b)| Filled {
            value: a.value + b.value,
            low: a.low + b.low,
            high: a.high + b.high,
        });
        self
    }
}

impl Sum for Dose {
    fn sum<I: Iterator<Item = Self>>(doses: I) -> Self {
        doses.fold(Self::NONE, Add::add)
    }
}

/// An hour and what it was on average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourMean {
    /// Its beginning.
    pub from: Instant,
    /// The local hour of day, 0 to 23.
    pub hour_of_day: usize,
    /// The mean of the shape over its covered part.
    pub mean: f64,
}

/// A place's log summed once, hour by hour, so that each container's stays
/// are answered from a few thousand hours instead of all readings.
///
/// # Source
/// The integral of a piecewise linear function; the rule for holes is this
/// program's own. See test `irregular_log_across_the_base_is_exact` for a
/// worked case.
///
/// # When it misleads
/// A filled value assumes that the missing hours were like the same hour of
/// the three days before and after. A heating failure or a moved blind
/// inside the hole is not seen; the range says only how much those days
/// differ among themselves. It takes the extreme neighbour in each missing
/// hour, so it is wide over many hours.
///
/// # Example
/// Two hours at a steady 12 °C above a base of 5 °C are 14 degree-hours.
/// ```
/// use vernalog::climate::integrate::{HourlySums, HoursOfDay};
/// use vernalog::climate::{log::{Log, Span}, shape::Shape};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let at = |minute: i64| Instant::from_millis(minute * 60_000);
/// let readings = (0..=12)
///     .map(|i| Reading {
///         at: at(10 * i), value: 12.0, quality: Quality::GOOD,
///     })
///     .collect();
/// let log = Log::new(readings, 15 * 60_000, &|_| 0);
/// let sums = HourlySums::of(&log, Shape::above(5.0));
/// let dose = sums.over(&[Span::new(at(0), at(120))], HoursOfDay::ALL);
/// assert!((dose.covered_sum - 14.0).abs() < 1e-12);
/// assert_eq!(dose.missing_hours, 0.0);
/// ```
#[derive(Debug, Clone)]
pub struct HourlySums<'a> {
    log: &'a Log<'a>,
    table: Arc<HourTable>,
}

impl<'a> HourlySums<'a> {
    /// Sums a shape over every hour the log reaches.
    #[must_use]
    pub fn of(log: &'a Log<'a>, shape: Shape) -> Self {
        let log_at_hand = log.at_hand();
        let hours = Hours::of(&log_at_hand);
        let table = HourTable::of_each(&log_at_hand, &hours, vec![shape]);
        let table = table.into_iter().next().expect("a table for a shape");
        Self { log, table: Arc::new(table) }
    }

    /// The sums of a log that were made before.
    pub(crate) const fn known(log: &'a Log<'a>, table: Arc<HourTable>) -> Self {
        Self { log, table }
    }

    /// The mean of every whole hour inside a span that is covered well
    /// enough to stand for its hour; others are left out.
    #[must_use]
    pub fn means(&self, span: Span) -> Vec<HourMean> {
        self.cells()
            .filter(|cell| {
                let hour = hour_span(*cell);
                hour.from >= span.from && hour.to <= span.to
            })
            .filter_map(|cell| {
                Some(HourMean {
                    from: hour_span(cell).from,
                    hour_of_day: self.hour_of_day(cell),
                    mean: self.lent(cell)?,
                })
            })
            .collect()
    }

    /// The dose over some stretches of time, which must not overlap.
    ///
    /// # Arguments
    /// - `spans`: when the unit was here.
    /// - `hours`: the hours of day whose coverage matters. Light outside
    ///   them is still summed, but its absence is neither counted nor
    ///   filled.
    #[must_use]
    pub fn over(&self, spans: &[Span], hours: HoursOfDay) -> Dose {
        let mut dose = Dose::NONE;
        for span in spans.iter().filter(|span| span.millis() > 0) {
            let last = hour_of(span.to.plus_millis(-1));
            for cell in hour_of(span.from)..=last {
                let part = hour_span(cell).shared(*span);
                self.add_cell(cell, part, hours, &mut dose);
            }
            dose.at_least |= self.log.at_least_in(*span);
        }
        dose
    }

    fn add_cell(
        &self,
        cell: i64,
        part: Span,
        hours: HoursOfDay,
        dose: &mut Dose,
    ) {
        let sum = if part.millis() == HOUR {
            self.sum(cell).unwrap_or(0.0)
        } else {
            integral(self.log, &self.table.shape, part)
        };
        let covered = self.log.covered_millis(part);
        let missing = in_hours(part.millis() - covered);
        dose.covered_sum += sum;
        let mut filled = Some(Filled { value: sum, low: sum, high: sum });
        let hour = self.hour_of_day(cell);
        if hours.matters(hour) {
            let cover = &mut dose.by_hour[hour];
            cover.covered_hours += in_hours(covered);
            cover.missing_hours += missing;
            dose.covered_hours += in_hours(covered);
            dose.missing_hours += missing;
            // What cannot be filled once stays so: no more neighbours asked.
            if missing > 0.0 && dose.filled.is_some() {
                filled = self.neighbours(cell).map(|rate| Filled {
                    value: sum + missing * rate.value,
                    low: sum + missing * rate.low,
                    high: sum + missing * rate.high,
                });
            }
        }
        dose.filled = dose.filled.zip(filled).map(|(a, b)| Filled {
            value: a.value + b.value,
            low: a.low + b.low,
            high: a.high + b.high,
        });
    }

    /// What the same hour of the days around counted, per hour; `None` in a
    /// hole over three days or without two such hours.
    fn neighbours(&self, cell: i64) -> Option<Filled> {
        if self.log.hole_longer_than(LONGEST_FILLED_HOURS, hour_span(cell))
            || self.table.is_beyond(cell, 24 * (NEIGHBOUR_DAYS + 1))
        {
            return None;
        }
        let lent: Vec<f64> = (-NEIGHBOUR_DAYS..=NEIGHBOUR_DAYS)
            .filter(|day| *day != 0)
            .filter_map(|day| self.lent(self.same_hour(cell, day)))
            .collect();
        if lent.len() < 2 {
            return None;
        }
        #[allow(clippy::cast_precision_loss, reason = "at most six days")]
        let value = lent.iter().sum::<f64>() / lent.len() as f64;
        Some(Filled {
            value,
            low: lent.iter().copied().fold(f64::INFINITY, f64::min),
            high: lent.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        })
    }

    /// The cell with the same local hour so many days away: 23, 24 or 25
    /// hours a day.
    fn same_hour(&self, cell: i64, days: i64) -> i64 {
        let away = cell + 24 * days;
        let turn = |cell| {
            i64::try_from(self.hour_of_day(cell))
                .expect("an hour of day is 0 to 23")
        };
        away + (turn(cell) - turn(away) + 12).rem_euclid(24) - 12
    }

    /// Mean per covered hour of a cell that is covered well enough to lend.
    fn lent(&self, cell: i64) -> Option<f64> {
        let sum = self.sum(cell)?;
        let covered = self.log.covered_millis(hour_span(cell));
        (covered >= LENDING_COVER).then(|| sum / in_hours(covered))
    }

    fn sum(&self, cell: i64) -> Option<f64> {
        self.table.sums.get(self.table.index(cell)?).copied()
    }

    fn cells(&self) -> impl Iterator<Item = i64> + use<> {
        (self.table.first..).take(self.table.sums.len())
    }

    fn hour_of_day(&self, cell: i64) -> usize {
        let known = self.table.index(cell);
        known.and_then(|i| self.table.hours_of_day.get(i)).map_or_else(
            || hour_of_day(self.log, cell),
            |hour| usize::from(*hour),
        )
    }
}
