//! A log gathered for drawing: runs without a hole, at most one column for
//! each unit of x.
//!
//! Not a smoother and not an integration: the lowest and the highest value
//! of every column stay, and nothing is filled.

use crate::chart::axis::{TimeAxis, drawable};
use crate::chart::trace::{Hole, Look, Stretch, Trace};

/// What stands at one x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Column {
    pub(crate) x: f64,
    pub(crate) mean: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// The stretches as runs without a hole, one column for each unit of x.
pub(crate) fn runs(
    trace: &Trace,
    time: &TimeAxis<'_>,
    look: &Look,
) -> Vec<Vec<Column>> {
    let mut pieces = pieces(trace, time, look);
    pieces.sort_by_key(|piece| (piece.from, piece.to));
    let longest_step = usual_step(&pieces).saturating_mul(3);
    let holes = merged(&trace.holes, time);
    let mut runs: Vec<Vec<Stretch>> = Vec::new();
    for piece in pieces {
        let joined = runs.last().and_then(|run| run.last()).is_some_and(|l| {
            let gap = (time.x(l.to), time.x(piece.from));
            let hole =
                holes.iter().any(|h| h.0 < gap.1 + 0.05 && h.1 > gap.0 - 0.05);
            let silent = piece.from.millis_since(l.to) > longest_step;
            !(hole || silent && gap.1 - gap.0 > 1.0)
        });
        match runs.last_mut() {
            Some(run) if joined => run.push(piece),
            _ => runs.push(vec![piece]),
        }
    }
    runs.iter().map(|run| columns(run, time)).collect()
}

/// Sound stretches inside the span, with the holes cut out.
fn pieces(trace: &Trace, time: &TimeAxis<'_>, look: &Look) -> Vec<Stretch> {
    let mut holes: Vec<Hole> =
        trace.holes.iter().copied().filter(|h| h.to > h.from).collect();
    holes.sort_by_key(|hole| hole.from);
    let mut pieces = Vec::new();
    for stretch in &trace.stretches {
        let sound = [stretch.mean, stretch.low, stretch.high]
            .iter()
            .all(|v| drawable(*v));
        let (from, to) = (stretch.from.max(time.from), stretch.to.min(time.to));
        if !sound || to < from {
            continue;
        }
        let within = |v: f64| v.clamp(look.limits.0, look.limits.1);
        let mean = within(stretch.mean);
        let low = within(stretch.low.min(stretch.high)).min(mean);
        let high = within(stretch.high.max(stretch.low)).max(mean);
        let mut start = from;
        let first = holes.partition_point(|hole| hole.to <= from);
        for hole in holes[first..].iter().take_while(|h| h.from < to) {
            if hole.from > start {
                let to = hole.from;
                pieces.push(Stretch { from: start, to, mean, low, high });
            }
            start = start.max(hole.to);
        }
        if start < to || (start == to && from == to) {
            pieces.push(Stretch { from: start, to, mean, low, high });
        }
    }
    pieces
}

/// Median distance between beginnings, ms.
fn usual_step(pieces: &[Stretch]) -> i64 {
    let mut steps: Vec<i64> = pieces
        .windows(2)
        .map(|pair| pair[1].from.millis_since(pair[0].from))
        .collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().unwrap_or(i64::MAX)
}

/// One run as columns: beginning, middles, end; at most one for each unit.
fn columns(run: &[Stretch], time: &TimeAxis<'_>) -> Vec<Column> {
    let column = |s: &Stretch, x: f64| Column {
        x,
        mean: s.mean,
        low: s.low,
        high: s.high,
    };
    let (Some(first), Some(last)) = (run.first(), run.last()) else {
        return Vec::new();
    };
    let mut columns = vec![column(first, time.x(first.from))];
    let mut gathered: Option<(Column, f64)> = None;
    for stretch in run {
        let x = f64::midpoint(time.x(stretch.from), time.x(stretch.to));
        match &mut gathered {
            Some((same, n)) if x - same.x < 1.0 => {
                same.low = same.low.min(stretch.low);
                same.high = same.high.max(stretch.high);
                *n += 1.0;
                same.mean += (stretch.mean - same.mean) / *n;
            }
            _ => {
                columns.extend(gathered.take().map(|(column, _)| column));
                gathered = Some((column(stretch, x), 1.0));
            }
        }
    }
    columns.extend(gathered.map(|(column, _)| column));
    columns.push(column(last, time.x(last.to)));
    columns.dedup_by(|b, a| (b.x - a.x).abs() < 0.05);
    columns
}

/// Holes as x ranges, those that touch taken together.
pub(crate) fn merged(holes: &[Hole], time: &TimeAxis<'_>) -> Vec<(f64, f64)> {
    let mut ranges: Vec<(f64, f64)> = holes
        .iter()
        .filter(|h| h.to > h.from && h.to > time.from && h.from < time.to)
        .map(|h| (time.x(h.from), time.x(h.to)))
        .filter(|(from, to)| to - from >= 0.5)
        .collect();
    ranges.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut together: Vec<(f64, f64)> = Vec::new();
    for (from, to) in ranges {
        match together.last_mut() {
            Some(last) if from < last.1 + 0.5 => last.1 = last.1.max(to),
            _ => together.push((from, to)),
        }
    }
    together
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::trace::TEMPERATURE;
    use crate::units::Instant;

    const HOUR: i64 = 3_600_000;

    fn at(hour: i64) -> Instant {
        Instant::from_millis(1_773_489_600_000 + hour * HOUR)
    }

    fn reading(hour: i64, value: f64) -> Stretch {
        let at = at(hour);
        Stretch { from: at, to: at, mean: value, low: value, high: value }
    }

    fn runs_of(stretches: Vec<Stretch>, holes: Vec<Hole>) -> Vec<Vec<Column>> {
        let trace = Trace { stretches, holes, ..Trace::default() };
        let span = (at(0), at(1000));
        let time = TimeAxis::new(span, (0.0, 500.0), &|_| 0);
        runs(&trace, &time, &TEMPERATURE)
    }

    #[test]
    fn a_hole_in_the_log_is_a_hole_in_the_line() {
        let day = |n: i64| Stretch {
            from: at(24 * n),
            to: at(24 * n + 24),
            mean: 5.0,
            low: 4.0,
            high: 6.0,
        };
        let hole = Hole { from: at(60), to: at(110) };
        let runs = runs_of((0..10).map(day).collect(), vec![hole]);
        assert_eq!(runs.len(), 2);
        let end = runs[0].last().unwrap().x;
        let start = runs[1].first().unwrap().x;
        assert!((end - 30.0).abs() < 0.1 && (start - 55.0).abs() < 0.1);
    }

    #[test]
    fn silence_nobody_declared_is_not_bridged() {
        let readings =
            (0..50).chain(200..250).map(|h| reading(h, 4.0)).collect();
        assert_eq!(runs_of(readings, vec![]).len(), 2);
    }

    #[test]
    fn gathering_keeps_the_lowest_and_the_highest() {
        let mut readings: Vec<_> = (0..1000)
            .flat_map(|h| {
                (0..60).map(move |m| {
                    let at = at(h).plus_millis(m * 60_000);
                    Stretch { from: at, to: at, ..reading(h, 4.0) }
                })
            })
            .collect();
        readings[31_234].high = 19.0;
        readings[7_777].low = -3.0;
        readings[9_999].mean = f64::NAN;
        let runs = runs_of(readings, vec![]);
        let columns: Vec<_> = runs.into_iter().flatten().collect();
        assert!(columns.len() <= 502, "{}", columns.len());
        assert!(columns.iter().any(|c| (c.high - 19.0).abs() < 1e-9));
        assert!(columns.iter().any(|c| (c.low + 3.0).abs() < 1e-9));
        assert!(columns.iter().all(|c| c.mean.is_finite()));
    }
}
