//! The curve of germination that the looks allow, without assuming a shape.
//!
//! Not a smooth curve: between two looks it says nothing about when, and the
//! T50 it gives is an interval. Scatter between containers is not in it
//! (`resample.rs`).

mod likelihood;

use crate::stats::censored::{Censored, checked};
use crate::stats::convergence::Convergence;
use crate::stats::error::{StatsError, within};
use likelihood::{Highest, Likelihood, NO_MASS};

/// Share of the seeds that germinated in (`left`, `right`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// Start of the interval, not in it.
    pub left: f64,
    /// End of the interval; +∞ for the share not germinated by `left`.
    pub right: f64,
    /// The share.
    pub mass: f64,
}

/// The estimate: shares in intervals, where they fall in between is unknown.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Intervals with a share above 0, in order of time.
    pub masses: Vec<Mass>,
    /// Seeds it rests on.
    pub n: u32,
    /// Log-likelihood at the estimate.
    pub log_likelihood: f64,
    /// Largest directional derivative above 1; 0 at the optimum. The
    /// log-likelihood lies at most `n` times this below the best.
    pub optimality_gap: f64,
    /// Whether the gap closed.
    pub convergence: Convergence,
}

/// Of which seeds a T50 speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// Of all seeds sown.
    Sown,
    /// Of the seeds that germinated while watched.
    Germinated,
}

/// When a share of the seeds had germinated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeToShare {
    /// After `left` and at or before `right`.
    Within {
        /// Start, not in it.
        left: f64,
        /// End.
        right: f64,
    },
    /// The share was not reached while the seeds were watched.
    NotReached {
        /// What was reached, of seeds sown.
        reached: f64,
    },
}

/// Lowest and highest share that may have germinated by a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareBounds {
    /// If every seed came as late as its interval allows.
    pub lower: f64,
    /// If every seed came as early as its interval allows.
    pub upper: f64,
}

/// Non-parametric maximum likelihood for interval-censored counts.
///
/// Self-consistency iteration (expectation–maximisation) on the innermost
/// intervals, then Newton steps among those that keep a share, checked by the
/// directional derivatives (all at most 1 at the optimum).
///
/// # Arguments
/// - `rows`: intervals (left, right] with numbers of seeds; any order.
///
/// # Returns
/// The curve; its `optimality_gap` says how near to the optimum.
///
/// # Errors
/// [`StatsError`] for no seeds or an interval that does not run forward.
///
/// # When it misleads
/// Seeds taken out because of mould are treated as if they would have gone on
/// like the rest; mould picks weak seeds. Seeds that shared a container are
/// treated as independent: no interval should be made from this alone.
///
/// # Source
/// Turnbull 1976, J. R. Stat. Soc. B 38: 290–295 (from memory). Checked with
/// the breast cosmesis data; see test
/// `masses_match_the_published_cosmesis_estimate`.
///
/// # Example
/// ```
/// use vernalog::stats::censored::Censored;
/// use vernalog::stats::turnbull::{Of, TimeToShare, turnbull};
/// let rows = [
///     Censored::between(0.0, 2.0, 1),
///     Censored::between(2.0, 4.0, 5),
///     Censored::not_by(4.0, 4),
/// ];
/// let curve = turnbull(&rows).unwrap();
/// assert_eq!(curve.time_to(0.5, Of::Sown).unwrap(),
///     TimeToShare::Within { left: 2.0, right: 4.0 });
/// ```
pub fn turnbull(rows: &[Censored]) -> Result<Curve, StatsError> {
    let rows = merged(checked("curve of germination", rows)?);
    let inner = innermost(&rows);
    let problem = Likelihood::new(&rows, &inner);
    let Highest { shares, gap, convergence } = problem.highest();
    let masses = inner
        .iter()
        .zip(&shares)
        .filter(|(_, mass)| **mass > NO_MASS)
        .map(|(&(left, right), &mass)| Mass { left, right, mass })
        .collect();
    Ok(Curve {
        masses,
        n: rows.iter().map(|row| row.n).sum(),
        log_likelihood: problem.value(&shares),
        optimality_gap: gap,
        convergence,
    })
}

impl Curve {
    /// Share germinated while watched, of seeds sown.
    #[must_use]
    pub fn germinated(&self) -> f64 {
        self.masses.iter().filter(|m| m.right.is_finite()).map(|m| m.mass).sum()
    }

    /// When a share had germinated: `0.5` for T50.
    ///
    /// # Returns
    /// The earliest interval at whose end at least that share had germinated.
    ///
    /// # Errors
    /// [`StatsError::OutOfRange`] unless `0 < share ≤ 1`.
    pub fn time_to(
        &self,
        share: f64,
        of: Of,
    ) -> Result<TimeToShare, StatsError> {
        within("share", share, f64::MIN_POSITIVE, 1.0)?;
        let reached = self.germinated();
        let target = match of {
            Of::Sown => share,
            Of::Germinated => share * reached,
        };
        let mut so_far = 0.0;
        for mass in self.masses.iter().filter(|m| m.right.is_finite()) {
            so_far += mass.mass;
            if so_far >= target - 1e-8 {
                let (left, right) = (mass.left, mass.right);
                return Ok(TimeToShare::Within { left, right });
            }
        }
        Ok(TimeToShare::NotReached { reached })
    }

    /// How much may have germinated by `time`, of seeds sown.
    #[must_use]
    pub fn share_by(&self, time: f64) -> ShareBounds {
        let sum = |counts: &dyn Fn(&Mass) -> bool| {
            self.masses.iter().filter(|m| counts(m)).map(|m| m.mass).sum()
        };
        ShareBounds {
            lower: sum(&|m| m.right <= time),
            upper: sum(&|m| m.left < time && m.right.is_finite()),
        }
    }
}

/// Rows with the same ends added up, so that large trials stay small.
fn merged(mut rows: Vec<Censored>) -> Vec<Censored> {
    rows.sort_by(|a, b| {
        a.left.total_cmp(&b.left).then(a.right.total_cmp(&b.right))
    });
    rows.dedup_by(|next, kept| {
        let same = next.left.total_cmp(&kept.left).is_eq()
            && next.right.total_cmp(&kept.right).is_eq();
        if same {
            kept.n += next.n;
        }
        same
    });
    rows
}

/// Intervals (q, p] with q a left end, p a right end and no end in between:
/// only there can the estimate put mass. At a tie the right end comes first,
/// because (a, b] and (b, c] do not meet.
fn innermost(rows: &[Censored]) -> Vec<(f64, f64)> {
    let mut ends: Vec<(f64, bool)> = rows
        .iter()
        .flat_map(|row| [(row.left, true), (row.right, false)])
        .collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    ends.windows(2)
        .filter(|pair| pair[0].1 && !pair[1].1)
        .map(|pair| (pair[0].0, pair[1].0))
        .collect()
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;

    const COSMESIS: &str =
        include_str!("../../tests/reference/stats/cosmesis.csv");
    const COSMESIS_MASSES: &str =
        include_str!("../../tests/reference/stats/cosmesis_npmle.json");
    const SMALL: &str =
        include_str!("../../tests/reference/stats/small_interval_example.json");

    fn cosmesis(group: Option<&str>) -> Vec<Censored> {
        csv::Reader::from_reader(COSMESIS.as_bytes())
            .records()
            .map(Result::unwrap)
            .filter(|row| group.is_none_or(|group| &row[2] == group))
            .map(|row| {
                let right = row[1].parse().unwrap_or(f64::INFINITY);
                Censored::between(row[0].parse().unwrap(), right, 1)
            })
            .collect()
    }

    fn check_masses(curve: &Curve, expected: &Value, off: f64) {
        let expected = expected.as_array().unwrap();
        assert_eq!(curve.masses.len(), expected.len(), "{curve:?}");
        for (got, expected) in curve.masses.iter().zip(expected) {
            let right = expected["right"].as_f64().unwrap_or(f64::INFINITY);
            assert_eq!(Some(got.left), expected["left"].as_f64());
            assert_eq!(got.right, right);
            let mass = expected["mass"].as_f64().unwrap();
            assert!((got.mass - mass).abs() < off, "{got:?} {mass}");
        }
        assert!(curve.convergence.arrived(), "{curve:?}");
    }

    #[test]
    fn masses_match_the_published_cosmesis_estimate() {
        // Fay & Shaw 2010 (from memory, 4 decimals, reproduced); an
        // independent EM and R survival 3.5.3 (computed).
        let data: Value = serde_json::from_str(COSMESIS_MASSES).unwrap();
        for (name, group) in [
            ("radiotherapy", Some("radiotherapy")),
            ("radiotherapy+chemotherapy", Some("radiotherapy+chemotherapy")),
            ("pooled", None),
        ] {
            let curve = turnbull(&cosmesis(group)).unwrap();
            let expected = &data["groups"][name];
            check_masses(&curve, &expected["intervals"], 5e-8);
            let log_likelihood = expected["loglik"].as_f64().unwrap();
            assert!((curve.log_likelihood - log_likelihood).abs() < 1e-6);
        }
        let published = data["published"]["radiotherapy"].as_array().unwrap();
        let curve = turnbull(&cosmesis(Some("radiotherapy"))).unwrap();
        assert_eq!(published.len(), curve.masses.len());
        for (got, row) in curve.masses.iter().zip(published) {
            let printed = row[2].as_f64().unwrap();
            assert!((got.mass - printed).abs() < 5.1e-5);
        }
    }

    #[test]
    fn masses_match_the_small_example() {
        // Independent EM to 1e-15 with its optimality checked (computed).
        let data: Value = serde_json::from_str(SMALL).unwrap();
        let rows: Vec<_> = data["rows"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| {
                let right = row["right"].as_f64().unwrap_or(f64::INFINITY);
                Censored::between(row["left"].as_f64().unwrap(), right, 1)
            })
            .collect();
        let curve = turnbull(&rows).unwrap();
        check_masses(&curve, &data["npmle"], 1e-8);
        let expected = data["loglik"].as_f64().unwrap();
        assert!((curve.log_likelihood - expected).abs() < 1e-7);
    }

    #[test]
    fn common_looks_give_back_the_plain_shares() {
        // By hand: nothing is lost before the end, so shares are n / N.
        let rows = [
            Censored::between(0.0, 2.0, 3),
            Censored::between(2.0, 3.0, 6),
            Censored::not_by(3.0, 1),
        ];
        let curve = turnbull(&rows).unwrap();
        let shares: Vec<_> = curve.masses.iter().map(|m| m.mass).collect();
        for (got, expected) in shares.iter().zip([0.3, 0.6, 0.1]) {
            assert!((got - expected).abs() < 1e-9);
        }
        assert_eq!(
            curve.time_to(0.95, Of::Sown).unwrap(),
            TimeToShare::NotReached { reached: curve.germinated() }
        );
        assert_eq!(
            curve.time_to(0.95, Of::Germinated).unwrap(),
            TimeToShare::Within { left: 2.0, right: 3.0 }
        );
        let bounds = curve.share_by(2.5);
        assert!((bounds.lower - 0.3).abs() < 1e-9);
        assert!((bounds.upper - 0.9).abs() < 1e-9);
    }

    #[test]
    fn a_container_where_nothing_germinated_has_a_curve_at_zero() {
        let curve = turnbull(&[Censored::not_by(30.0, 25)]).unwrap();
        assert_eq!(curve.germinated(), 0.0);
        assert_eq!(
            curve.time_to(0.5, Of::Sown).unwrap(),
            TimeToShare::NotReached { reached: 0.0 }
        );
        assert_eq!(
            turnbull(&[]).unwrap_err().to_string(),
            "curve of germination: no data"
        );
    }

    proptest! {
        #[test]
        fn the_estimate_is_a_distribution_whatever_the_order(
            rows in prop::collection::vec(
                (0_u32..8, 1_u32..6, 1_u32..5, any::<bool>()), 1..25),
        ) {
            let mut rows: Vec<_> = rows.into_iter().map(|(left, wide, n, seen)| {
                let left = f64::from(left);
                if seen { Censored::between(left, left + f64::from(wide), n) }
                else { Censored::not_by(left, n) }
            }).collect();
            let curve = turnbull(&rows).unwrap();
            let total: f64 = curve.masses.iter().map(|m| m.mass).sum();
            prop_assert!((total - 1.0).abs() < 1e-6, "{total}");
            prop_assert!(curve.convergence.arrived(), "{curve:?}");
            rows.reverse();
            let turned = turnbull(&rows).unwrap();
            prop_assert!(
                (curve.log_likelihood - turned.log_likelihood).abs() < 1e-7);
        }

        #[test]
        fn hours_in_place_of_days_or_a_later_start_move_only_the_times(
            rows in prop::collection::vec(
                (0_u32..8, 1_u32..6, 1_u32..5, any::<bool>()), 1..25),
            by in 0_u32..40,
        ) {
            let rows: Vec<_> = rows.into_iter().map(|(left, wide, n, seen)| {
                let left = f64::from(left);
                if seen { Censored::between(left, left + f64::from(wide), n) }
                else { Censored::not_by(left, n) }
            }).collect();
            let curve = turnbull(&rows).unwrap();
            let moved = |to: &dyn Fn(f64) -> f64| {
                let rows: Vec<_> = rows.iter().map(|row| Censored {
                    left: to(row.left), right: to(row.right), n: row.n,
                }).collect();
                turnbull(&rows).unwrap()
            };
            let later = |days: f64| days + f64::from(by);
            let hours = |days: f64| 24.0 * days;
            for to in [&hours as &dyn Fn(f64) -> f64, &later] {
                let other = moved(to);
                prop_assert_eq!(curve.masses.len(), other.masses.len());
                for (a, b) in curve.masses.iter().zip(&other.masses) {
                    prop_assert!((a.mass - b.mass).abs() < 1e-7);
                    prop_assert!((to(a.left) - b.left).abs() < 1e-9);
                }
            }
        }
    }
}
