//! The readings of one quantity at one place, in order of time, with the
//! holes between them.
//!
//! Not a store and not a correction: readings come calibrated, and only
//! those whose marks let them count are kept.

use std::borrow::Cow;
use std::sync::Arc;

use crate::observation::{Quality, Reading};
use crate::units::{Instant, MILLIS_PER_HOUR};

/// The place's distance from UTC at an instant, in seconds (east positive).
pub type LocalOffset<'a> = &'a (dyn Fn(Instant) -> i32 + Sync);

/// One hour in milliseconds.
pub(crate) const HOUR: i64 = 3_600_000;

/// A stretch of time, from its first instant up to, not including, its last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Span {
    /// First instant.
    pub from: Instant,
    /// The instant after the last.
    pub to: Instant,
}

impl Span {
    /// From one instant to another; empty when `to` is not later.
    #[must_use]
    pub const fn new(from: Instant, to: Instant) -> Self {
        Self { from, to }
    }

    /// Length, never negative.
    #[must_use]
    pub fn millis(self) -> i64 {
        self.to.millis_since(self.from).max(0)
    }

    /// Length, never negative.
    #[must_use]
    pub fn hours(self) -> f64 {
        in_hours(self.millis())
    }

    /// What both stretches share; empty when they do not meet.
    #[must_use]
    pub fn shared(self, other: Self) -> Self {
        Self { from: self.from.max(other.from), to: self.to.min(other.to) }
    }

    fn meets(self, other: Self) -> bool {
        self.shared(other).millis() > 0
    }
}

/// Milliseconds as hours.
pub(crate) fn in_hours(millis: i64) -> f64 {
    as_float(millis) / MILLIS_PER_HOUR
}

#[allow(
    clippy::cast_precision_loss,
    reason = "milliseconds of centuries fit in 53 bits"
)]
fn as_float(millis: i64) -> f64 {
    millis as f64
}

/// The longest time between two readings that is still read as a straight
/// line: three times the board's interval, at least 15 minutes.
///
/// ```
/// use vernalog::climate::log::longest_gap_millis;
/// assert_eq!(longest_gap_millis(60_000), 15 * 60_000);
/// assert_eq!(longest_gap_millis(10 * 60_000), 30 * 60_000);
/// ```
#[must_use]
pub fn longest_gap_millis(interval_millis: i64) -> i64 {
    interval_millis.saturating_mul(3).max(HOUR / 4)
}

/// A straight move of the value between two readings, cut to a span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Move {
    pub(crate) from: Instant,
    pub(crate) to: Instant,
    pub(crate) start: f64,
    pub(crate) end: f64,
}

impl Move {
    pub(crate) fn millis(self) -> f64 {
        as_float(self.to.millis_since(self.from))
    }
}

/// What the covered part of a span adds up to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Covered {
    /// How long it is.
    pub(crate) millis: f64,
    /// The integral of the value over it, in milliseconds.
    pub(crate) area: f64,
    /// Lowest value on the line through the readings; infinite when nothing
    /// is covered.
    pub(crate) low: f64,
    /// Highest value, likewise.
    pub(crate) high: f64,
}

impl Covered {
    pub(crate) const NOTHING: Self = Self {
        millis: 0.0,
        area: 0.0,
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    pub(crate) fn and(self, other: Self) -> Self {
        Self {
            millis: self.millis + other.millis,
            area: self.area + other.area,
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }
}

/// Readings that count, sorted, and where they are silent.
///
/// Between two readings the value is taken as a straight line. Where two are
/// further apart than the longest gap there is a hole: nothing is known.
/// Before the first and after the last reading nothing is known either.
///
/// # Example
/// ```
/// use vernalog::climate::log::{Log, Span};
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let at = |minute: i64| Instant::from_millis(minute * 60_000);
/// let reading = |minute, value| Reading {
///     at: at(minute), value, quality: Quality::GOOD,
/// };
/// let readings = vec![reading(0, 4.0), reading(10, 5.0), reading(70, 5.0)];
/// let log = Log::new(readings, 15 * 60_000, &|_| 0);
/// assert_eq!(log.value_at(at(5)), Some(4.5));
/// assert_eq!(log.value_at(at(40)), None);
/// assert_eq!(log.holes(Span::new(at(0), at(70)))[0].hours(), 1.0);
/// ```
#[derive(Clone)]
pub struct Log<'a> {
    readings: Held<'a>,
    reach: Option<Span>,
    /// Stretches between two readings that are too far apart.
    holes: Vec<Span>,
    /// Stretches in which a neighbouring reading says "at least this".
    at_least: Vec<Span>,
    longest_gap: i64,
    local: LocalOffset<'a>,
}

/// Gives the readings of a span that count, in order of time.
pub(crate) type Fetch<'a> =
    Arc<dyn Fn(Span) -> Vec<Reading> + Send + Sync + 'a>;

/// Where the readings are.
#[derive(Clone)]
enum Held<'a> {
    Here(Vec<Reading>),
    /// Put away: fetched again, a few at a time, where they are asked for.
    Away(Fetch<'a>),
}

impl std::fmt::Debug for Log<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Log")
            .field("reach", &self.reach)
            .field("holes", &self.holes)
            .field("longest_gap_millis", &self.longest_gap)
            .finish_non_exhaustive()
    }
}

impl<'a> Log<'a> {
    /// Keeps the readings whose marks let them count, in order of time.
    ///
    /// # Arguments
    /// - `readings`: one quantity, one probe, in any order; two at the same
    ///   instant are a jump and keep the order in which they came.
    /// - `longest_gap_millis`: see [`longest_gap_millis`].
    /// - `local`: the place's distance from UTC, for hours of day and days.
    #[must_use]
    pub fn new(
        mut readings: Vec<Reading>,
        longest_gap_millis: i64,
        local: LocalOffset<'a>,
    ) -> Self {
        readings.retain(|r| r.quality.counts() && r.value.is_finite());
        if !readings.is_sorted_by_key(|reading| reading.at) {
            readings.sort_by_key(|reading| reading.at);
        }
        let (mut holes, mut at_least) = (Vec::new(), Vec::<Span>::new());
        for pair in readings.windows(2) {
            let between = Span::new(pair[0].at, pair[1].at);
            if between.millis() > longest_gap_millis {
                holes.push(between);
            } else if pair.iter().any(is_at_least) {
                match at_least.last_mut() {
                    Some(last) if last.to == between.from => {
                        last.to = between.to;
                    }
                    _ => at_least.push(between),
                }
            }
        }
        let longest_gap = longest_gap_millis;
        let ends = readings.first().zip(readings.last());
        let reach = ends.map(|(first, last)| Span::new(first.at, last.at));
        let readings = Held::Here(readings);
        Self { readings, reach, holes, at_least, longest_gap, local }
    }

    /// The same log without its readings in memory. `fetch` must give again
    /// what this log was made of.
    pub(crate) fn put_away(self, fetch: Fetch<'a>) -> Self {
        Self { readings: Held::Away(fetch), ..self }
    }

    /// The same log with its readings in memory: for a long look at it.
    pub(crate) fn at_hand(&self) -> Cow<'_, Self> {
        match &self.readings {
            Held::Here(_) => Cow::Borrowed(self),
            Held::Away(_) => Cow::Owned(Self {
                readings: Held::Here(self.readings().into_owned()),
                ..self.clone()
            }),
        }
    }

    /// The readings that count, in order of time.
    #[must_use]
    pub fn readings(&self) -> Cow<'_, [Reading]> {
        match (&self.readings, self.reach) {
            (Held::Here(readings), _) => Cow::Borrowed(readings),
            (Held::Away(fetch), Some(reach)) => {
                let to = reach.to.plus_millis(1);
                Cow::Owned(fetch(Span::new(reach.from, to)))
            }
            (Held::Away(_), None) => Cow::Owned(Vec::new()),
        }
    }

    /// The readings of a span with those around it as far as a line reaches.
    fn around(&self, span: Span) -> Cow<'_, [Reading]> {
        match &self.readings {
            Held::Here(readings) => Cow::Borrowed(readings),
            Held::Away(fetch) => Cow::Owned(fetch(Span::new(
                span.from.plus_millis(-self.longest_gap),
                span.to.plus_millis(self.longest_gap.saturating_add(1)),
            ))),
        }
    }

    /// From the first to the last reading; `None` when there is none.
    #[must_use]
    pub const fn reach(&self) -> Option<Span> {
        self.reach
    }

    /// The value at an instant, on the straight line between its neighbours;
    /// `None` in a hole and outside the log.
    #[must_use]
    pub fn value_at(&self, at: Instant) -> Option<f64> {
        let readings = self.around(Span::new(at, at));
        let after = readings.partition_point(|r| r.at <= at);
        let before = readings.get(after.checked_sub(1)?)?;
        if before.at == at {
            return Some(before.value);
        }
        let next = readings.get(after)?;
        (next.at.millis_since(before.at) <= self.longest_gap)
            .then(|| on_line(before, next, at))
    }

    /// The time of a span for which nothing is known, in order: holes, and
    /// what lies before the first and after the last reading.
    #[must_use]
    pub fn holes(&self, span: Span) -> Vec<Span> {
        let Some(reach) = self.reach() else {
            return Vec::from_iter((span.millis() > 0).then_some(span));
        };
        let before = Span::new(span.from, span.to.min(reach.from));
        let after = Span::new(span.from.max(reach.to), span.to);
        std::iter::once(before)
            .chain(self.overlapping(&self.holes, span).map(|h| h.shared(span)))
            .chain(std::iter::once(after))
            .filter(|hole| hole.millis() > 0)
            .collect()
    }

    /// How much of a span the readings cover.
    #[must_use]
    pub fn covered_hours(&self, span: Span) -> f64 {
        in_hours(self.covered_millis(span))
    }

    pub(crate) fn covered_millis(&self, span: Span) -> i64 {
        let Some(reach) = self.reach() else { return 0 };
        let silent: i64 = self
            .overlapping(&self.holes, span)
            .map(|hole| hole.shared(span).millis())
            .sum();
        reach.shared(span).millis() - silent
    }

    /// The mean over a span that is covered throughout; `None` otherwise.
    #[must_use]
    pub fn mean(&self, span: Span) -> Option<f64> {
        if span.millis() == 0 || self.covered_millis(span) < span.millis() {
            return None;
        }
        let covered = self.covered(span);
        Some(covered.area / covered.millis)
    }

    /// Whether a reading marked "at least" shapes the line in this span.
    #[must_use]
    pub fn at_least_in(&self, span: Span) -> bool {
        self.overlapping(&self.at_least, span).next().is_some()
    }

    /// Whether a hole longer than so many hours touches this span.
    pub(crate) fn hole_longer_than(&self, hours: f64, span: Span) -> bool {
        self.overlapping(&self.holes, span).any(|hole| hole.hours() > hours)
    }

    /// The local hour of day, 0 to 23, at an instant.
    pub(crate) fn hour_of_day(&self, at: Instant) -> usize {
        let local = self.local_millis(at).rem_euclid(24 * HOUR);
        usize::try_from(local / HOUR).expect("an hour of day is 0 to 23")
    }

    /// Milliseconds since 1970 on the place's wall clock.
    pub(crate) fn local_millis(&self, at: Instant) -> i64 {
        at.millis() + i64::from((self.local)(at)) * 1000
    }

    /// The covered part of a span added up.
    pub(crate) fn covered(&self, span: Span) -> Covered {
        self.over_moves(span, Covered::NOTHING, |all, step| Covered {
            millis: all.millis + step.millis(),
            area: all.area
                + step.millis() * f64::midpoint(step.start, step.end),
            low: all.low.min(step.start.min(step.end)),
            high: all.high.max(step.start.max(step.end)),
        })
    }

    /// Folds every covered straight move of the span, in order.
    pub(crate) fn over_moves<T>(
        &self,
        span: Span,
        mut so_far: T,
        add: impl Fn(T, Move) -> T,
    ) -> T {
        let readings = self.around(span);
        let after = readings.partition_point(|r| r.at <= span.from);
        let rest = &readings[after.saturating_sub(1)..];
        for pair in rest.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            if a.at >= span.to {
                break;
            }
            let length = b.at.millis_since(a.at);
            if length == 0 || length > self.longest_gap {
                continue;
            }
            let (mut from, mut start) = (a.at, a.value);
            let (mut to, mut end) = (b.at, b.value);
            if from < span.from {
                (from, start) = (span.from, on_line(a, b, span.from));
            }
            if to > span.to {
                (to, end) = (span.to, on_line(a, b, span.to));
            }
            if from < to {
                so_far = add(so_far, Move { from, to, start, end });
            }
        }
        so_far
    }

    /// Those of some sorted, disjoint stretches that meet a span.
    fn overlapping<'b>(
        &self,
        stretches: &'b [Span],
        span: Span,
    ) -> impl Iterator<Item = Span> + use<'b> {
        let first = stretches.partition_point(|s| s.to <= span.from);
        stretches[first..]
            .iter()
            .copied()
            .take_while(move |s| s.from < span.to)
            .filter(move |s| s.meets(span))
    }
}

fn is_at_least(reading: &Reading) -> bool {
    reading.quality.has(Quality::AT_LEAST)
        || reading.quality.has(Quality::SATURATED)
}

fn on_line(a: &Reading, b: &Reading, at: Instant) -> f64 {
    let share = at.hours_since(a.at) / b.at.hours_since(a.at);
    a.value + (b.value - a.value) * share
}
