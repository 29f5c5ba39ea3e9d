//! What was counted at each place, look by look, beside the days and the
//! warmth the seeds had had by then.
//!
//! Not a fit: the containers of a place added up, for the eye and for how
//! far places lie apart.

use std::collections::BTreeMap;

use super::{Container, STATED_BASE_CELSIUS, ThermalGroup, Warmths};
use crate::observation::Name;
use crate::study::place::PlaceSums;

/// The containers of one place, added up.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceCurve {
    /// The place.
    pub place: Name,
    /// Seeds sown in them.
    pub seeds: u32,
    /// Sowing, then every look, in order.
    pub points: Vec<CurvePoint>,
}

/// What was known at a look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Days since sowing.
    pub days: f64,
    /// Degree-hours above the stated base since sowing, °C·h.
    pub warmth: f64,
    /// Share of the seeds sown that had germinated.
    pub share: f64,
}

/// Looks of one evening are one point.
const SAME_EVENING_DAYS: f64 = 0.25;

pub(super) fn of(
    containers: &[Container<'_>],
    sums: &PlaceSums<'_>,
) -> Vec<PlaceCurve> {
    let warmths = Warmths::of(containers, sums);
    let mut places: BTreeMap<&Name, Vec<usize>> = BTreeMap::new();
    for (i, container) in containers.iter().enumerate() {
        if let Some(place) = container.known.outcome.main_place() {
            places.entry(place).or_default().push(i);
        }
    }
    places
        .into_iter()
        .map(|(place, members)| curve(place, &members, containers, &warmths))
        .collect()
}

fn curve(
    place: &Name,
    members: &[usize],
    containers: &[Container<'_>],
    warmths: &Warmths,
) -> PlaceCurve {
    let outcome = |i: usize| &containers[i].known.outcome;
    let day = |i: usize, at: crate::units::Instant| {
        at.days_since(outcome(i).begun).max(0.0)
    };
    let mut days: Vec<f64> = members
        .iter()
        .flat_map(|i| outcome(*i).steps.iter().map(|step| day(*i, step.at)))
        .collect();
    days.sort_by(f64::total_cmp);
    days.reverse();
    // Of the looks of one evening the last stands for all.
    days.dedup_by(|earlier, later| *later - *earlier < SAME_EVENING_DAYS);
    days.reverse();
    let seeds: u32 = members.iter().map(|i| outcome(*i).entered).sum();
    let all = f64::from(seeds.max(1));
    let n = f64::from(u32::try_from(members.len()).unwrap_or(u32::MAX));
    let point = |days: f64| {
        let germinated: u32 = members
            .iter()
            .flat_map(|i| {
                let own = outcome(*i).steps.iter();
                own.filter(|step| day(*i, step.at) <= days)
            })
            .map(|step| step.germinated)
            .sum();
        let warmth: f64 = members
            .iter()
            .map(|i| warmths.above(*i, STATED_BASE_CELSIUS, days))
            .sum();
        CurvePoint {
            days,
            warmth: warmth / n,
            share: f64::from(germinated) / all,
        }
    };
    let start = CurvePoint { days: 0.0, warmth: 0.0, share: 0.0 };
    let points = std::iter::once(start)
        .chain(days.into_iter().filter(|d| *d > 0.0).map(point))
        .collect();
    PlaceCurve { place: place.clone(), seeds, points }
}

impl ThermalGroup {
    /// The largest difference between the shares of two places on the same
    /// day; none with one place.
    #[must_use]
    pub fn apart_by_days(&self) -> Option<f64> {
        self.apart(|point| point.days)
    }

    /// The same at the same accumulated warmth, as far as both places got.
    #[must_use]
    pub fn apart_by_warmth(&self) -> Option<f64> {
        self.apart(|point| point.warmth)
    }

    /// The largest distance of a place's share from the fitted curve.
    #[must_use]
    pub fn misfit(&self) -> Option<f64> {
        let found = self.outcome.as_ref().ok()?;
        self.curves
            .iter()
            .flat_map(|curve| &curve.points)
            .map(|p| (p.share - found.fitted.share_after(p.warmth)).abs())
            .max_by(f64::total_cmp)
    }

    fn apart(&self, along: fn(&CurvePoint) -> f64) -> Option<f64> {
        let mut most: Option<f64> = None;
        for (i, a) in self.curves.iter().enumerate() {
            for b in &self.curves[i + 1..] {
                for (one, other) in [(a, b), (b, a)] {
                    for point in &one.points {
                        let there = share_at(other, along, along(point));
                        let gap =
                            there.map(|share| (share - point.share).abs());
                        most = match (most, gap) {
                            (Some(most), Some(gap)) => Some(most.max(gap)),
                            (most, gap) => most.or(gap),
                        };
                    }
                }
            }
        }
        most
    }
}

/// The share of a curve at some x, straight between its looks; none beyond
/// its last.
fn share_at(
    curve: &PlaceCurve,
    along: fn(&CurvePoint) -> f64,
    x: f64,
) -> Option<f64> {
    let reached = curve.points.partition_point(|point| along(point) < x);
    let after = curve.points.get(reached.max(1))?;
    let before = &curve.points[reached.max(1) - 1];
    let (from, to) = (along(before), along(after));
    (from <= x).then(|| {
        let part = if to > from { (x - from) / (to - from) } else { 1.0 };
        before.share + part * (after.share - before.share)
    })
}
