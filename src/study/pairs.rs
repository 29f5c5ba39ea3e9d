//! What goes together with what, pair by pair, and whether this trial can
//! tell the two apart.
//!
//! Not a test: whether two things were crossed is a matter of the plan, and
//! a correlation over a few places is shown so that nobody trusts it.

use std::collections::BTreeSet;

use crate::observation::Quantity;
use crate::study::Study;
use crate::study::factors::{PLACE, level};
use crate::study::findings::LEAST_PLACE_RUNS;
use crate::study::place::PlaceStudy;
use crate::study::wording::factor as spoken;

/// Two things that may have made a difference.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// The first, as spoken.
    pub a: String,
    /// The second.
    pub b: String,
    /// How they went together.
    pub together: Together,
}

/// How two things went together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Together {
    /// Every level of one with every level of the other.
    Crossed,
    /// Some levels met, some never did.
    Partly {
        /// Combinations that were there.
        met: usize,
        /// Combinations there could have been.
        of: usize,
    },
    /// Each level of one came with one level of the other only.
    Bound,
    /// A place has one climate, so that place and condition are one thing.
    OneSpot,
    /// Two conditions over places.
    Places {
        /// Places at which both are known.
        n: usize,
        /// Pearson's correlation of their means; none below three places or
        /// where one never differs.
        r: Option<f64>,
    },
}

/// Beyond this a correlation leaves nothing to tell apart: a convention
/// (common practice, no source).
pub const TOO_CLOSE: f64 = 0.8;

impl Together {
    /// Whether this trial can tell the two apart.
    #[must_use]
    pub fn separable(self) -> bool {
        match self {
            Self::Crossed => true,
            Self::Partly { .. } | Self::Bound | Self::OneSpot => false,
            Self::Places { n, r } => {
                n >= LEAST_PLACE_RUNS && r.is_some_and(|r| r.abs() < TOO_CLOSE)
            }
        }
    }
}

/// Every pair of factors, place and conditions.
#[must_use]
pub fn pairs(study: &Study) -> Vec<Pair> {
    let mut pairs = factor_pairs(study);
    let places: Vec<&PlaceStudy> = study.germination_places();
    if places.len() < 2 {
        return pairs;
    }
    let conditions = [
        ("warmth", Quantity::Temperature),
        ("light", Quantity::Light),
        ("humidity", Quantity::Humidity),
    ];
    let mean = |quantity: Quantity| -> Vec<Option<f64>> {
        places
            .iter()
            .map(|place| place.quantities.get(&quantity)?.mean)
            .collect()
    };
    let known: Vec<(&str, Vec<Option<f64>>)> = conditions
        .into_iter()
        .map(|(words, quantity)| (words, mean(quantity)))
        .filter(|(_, means)| means.iter().flatten().count() > 1)
        .collect();
    if places.len() < LEAST_PLACE_RUNS {
        pairs.extend(known.iter().map(|(words, _)| Pair {
            a: PLACE.to_owned(),
            b: (*words).to_owned(),
            together: Together::OneSpot,
        }));
    }
    for (i, (a, one)) in known.iter().enumerate() {
        for (b, other) in &known[i + 1..] {
            let both: Vec<(f64, f64)> =
                one.iter().zip(other).filter_map(|(a, b)| a.zip(*b)).collect();
            pairs.push(Pair {
                a: (*a).to_owned(),
                b: (*b).to_owned(),
                together: Together::Places {
                    n: both.len(),
                    r: correlation(&both),
                },
            });
        }
    }
    pairs
}

fn factor_pairs(study: &Study) -> Vec<Pair> {
    let mut pairs = Vec::new();
    for (i, one) in study.factors.iter().enumerate() {
        for other in &study.factors[i + 1..] {
            let cells: BTreeSet<(String, String)> = study
                .containers()
                .filter_map(|unit| {
                    let (a, b) =
                        (level(unit, one.name()), level(unit, other.name()));
                    a.zip(b)
                })
                .collect();
            let a: BTreeSet<&String> = cells.iter().map(|c| &c.0).collect();
            let b: BTreeSet<&String> = cells.iter().map(|c| &c.1).collect();
            if a.len() < 2 || b.len() < 2 {
                continue;
            }
            let (met, of) = (cells.len(), a.len() * b.len());
            let together = if met == of {
                Together::Crossed
            } else if met == a.len().max(b.len()) {
                Together::Bound
            } else {
                Together::Partly { met, of }
            };
            pairs.push(Pair {
                a: spoken(one.name()),
                b: spoken(other.name()),
                together,
            });
        }
    }
    pairs
}

/// Pearson's r; needs three points and some spread in both.
fn correlation(both: &[(f64, f64)]) -> Option<f64> {
    if both.len() < 3 {
        return None;
    }
    let n = f64::from(u32::try_from(both.len()).ok()?);
    let mean =
        |pick: fn(&(f64, f64)) -> f64| both.iter().map(pick).sum::<f64>() / n;
    let (mean_a, mean_b) = (mean(|p| p.0), mean(|p| p.1));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in both {
        let (da, db) = (a - mean_a, b - mean_b);
        ab += da * db;
        aa += da * da;
        bb += db * db;
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: deviations −1, 0, 1 and −1, 1, 0 give 1 / 2.
    #[test]
    fn a_correlation_needs_three_places_and_spread() {
        let r = correlation(&[(1.0, 1.0), (2.0, 3.0), (3.0, 2.0)]);
        assert!((r.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!(correlation(&[(1.0, 1.0), (2.0, 3.0)]), None);
        assert_eq!(correlation(&[(1.0, 1.0); 3]), None);
    }

    #[test]
    fn few_places_never_part_two_conditions() {
        let few = Together::Places { n: 4, r: Some(0.1) };
        let many = Together::Places { n: 12, r: Some(0.1) };
        let close = Together::Places { n: 12, r: Some(-0.97) };
        assert!(!few.separable() && many.separable() && !close.separable());
    }
}
