//! A log summed hour by hour, once for each thing that is asked of it.
//!
//! Not a dose: what is missing of an hour is the log's to say.

use std::sync::Arc;

use crate::climate::hours::{hour_of, hour_span, hour_start};
use crate::climate::log::{Covered, HOUR, Log, Span};
use crate::climate::shape::Shape;
use crate::units::MILLIS_PER_HOUR;

/// Every hour that a log reaches, walked along once for whatever is asked.
#[derive(Debug, Clone)]
pub struct Hours {
    /// UTC hours since 1970 of the first.
    first: i64,
    all: Vec<Covered>,
}

impl Hours {
    /// Walks along a log.
    #[must_use]
    pub fn of(log: &Log<'_>) -> Self {
        let (first, after) = log.reach().map_or((0, 0), |reach| {
            (hour_of(reach.from), hour_of(reach.to) + 1)
        });
        let all = (first..after).map(|cell| log.covered(hour_span(cell)));
        Self { first, all: all.collect() }
    }

    fn cells(&self) -> impl Iterator<Item = i64> {
        (self.first..).take(self.all.len())
    }

    /// What the covered part of a span of the same log adds up to.
    pub(crate) fn over(&self, log: &Log<'_>, span: Span) -> Covered {
        let from = hour_of(span.from.plus_millis(HOUR - 1));
        let to = hour_of(span.to);
        if from >= to {
            return log.covered(span);
        }
        let index = |cell: i64| {
            let i = usize::try_from(cell - self.first).unwrap_or(0);
            i.min(self.all.len())
        };
        let head = Span::new(span.from, hour_start(from));
        let tail = Span::new(hour_start(to), span.to);
        self.all[index(from)..index(to)]
            .iter()
            .fold(log.covered(head), |sum, hour| sum.and(*hour))
            .and(log.covered(tail))
    }
}

/// The sums of one shape over every hour that a log reaches.
#[derive(Debug, Clone)]
pub(crate) struct HourTable {
    pub(crate) shape: Shape,
    /// UTC hours since 1970 of the first element of `sums`.
    pub(crate) first: i64,
    pub(crate) sums: Vec<f64>,
    /// The local hour of day of each.
    pub(crate) hours_of_day: Arc<[u8]>,
}

impl HourTable {
    /// Sums several shapes over the hours of a log; a table each, in the
    /// order of `shapes`.
    pub(crate) fn of_each(
        log: &Log<'_>,
        hours: &Hours,
        shapes: Vec<Shape>,
    ) -> Vec<Self> {
        let mut sums = vec![Vec::new(); shapes.len()];
        for (cell, hour) in hours.cells().zip(&hours.all) {
            for (shape, sums) in shapes.iter().zip(&mut sums) {
                // Where the whole hour lies on one straight piece of the
                // shape, the area under the values themselves tells all.
                let sum = match shape.piece((hour.low, hour.high)) {
                    Some(line) => {
                        line.over(hour.millis, hour.area) / MILLIS_PER_HOUR
                    }
                    None => integral(log, shape, hour_span(cell)),
                };
                sums.push(sum);
            }
        }
        let hours_of_day: Arc<[u8]> = hours
            .cells()
            .map(|cell| u8::try_from(hour_of_day(log, cell)).unwrap_or(0))
            .collect();
        shapes
            .into_iter()
            .zip(sums)
            .map(|(shape, sums)| Self {
                shape,
                first: hours.first,
                sums,
                hours_of_day: Arc::clone(&hours_of_day),
            })
            .collect()
    }

    pub(crate) fn index(&self, cell: i64) -> Option<usize> {
        usize::try_from(cell - self.first).ok()
    }

    /// Whether a cell is further than so many from every hour of the log.
    pub(crate) fn is_beyond(&self, cell: i64, cells: i64) -> bool {
        let n = i64::try_from(self.sums.len()).unwrap_or(i64::MAX);
        n == 0 || cell + cells < self.first || cell - cells >= self.first + n
    }
}

/// The integral of a shape over the covered part of a span, per hour.
pub(crate) fn integral(log: &Log<'_>, shape: &Shape, span: Span) -> f64 {
    let sum = log.over_moves(span, 0.0, |sum, step| {
        sum + step.millis() * shape.mean_between(step.start, step.end)
    });
    sum / MILLIS_PER_HOUR
}

/// A UTC hour is called by the local hour at its middle.
pub(crate) fn hour_of_day(log: &Log<'_>, cell: i64) -> usize {
    log.hour_of_day(hour_start(cell).plus_millis(HOUR / 2))
}
