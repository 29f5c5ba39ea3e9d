//! One container's counts as the trade's usual figures: final fraction, mean
//! time, T50 and the other indices.
//!
//! Not a model and not a comparison: the indices take each seed as germinated
//! at the check that saw it and leave out the seeds that never did
//! (`turnbull.rs` and `split_population.rs` do neither).

use crate::stats::error::{StatsError, within};
use crate::stats::proportion::Proportion;

/// Seeds newly germinated between two looks: after `left_days`, at or before
/// `right_days`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NewlyGerminated {
    /// The look before, days since sowing.
    pub left_days: f64,
    /// The look that saw them, days since sowing.
    pub right_days: f64,
    /// How many were new.
    pub n: u32,
}

/// Everything counted in one container, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct CountSeries {
    sown: u32,
    looks: Vec<NewlyGerminated>,
}

/// A time read off a straight line between two looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InterpolatedTime {
    /// The time, days. A number made by interpolation, not by observation.
    pub days: f64,
    /// It lies after this look …
    pub left_days: f64,
    /// … and at or before this one. This much was seen.
    pub right_days: f64,
}

/// When the seeds that germinated did so. Times are those of the looks.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// The look that saw the first, and the one before.
    pub first: NewlyGerminated,
    /// The look that saw the last, and the one before.
    pub last: NewlyGerminated,
    /// Mean time, days: `Σ n t / N`.
    pub mean_days: f64,
    /// Variance of the time, days², divisor N − 1; needs two seeds.
    pub variance: Option<f64>,
    /// Standard deviation over mean, per cent; needs two seeds.
    pub variation_percent: Option<f64>,
    /// One over the mean time, per day.
    pub mean_rate_per_day: f64,
    /// Uniformity `N / Σ n (t − mean)²`; none when all came in one look.
    pub uniformity: Option<f64>,
    /// Maguire's speed `Σ n / t`, seeds per day.
    pub maguire_per_day: f64,
    /// Spread over the looks, bits: `−Σ f log₂ f`.
    pub uncertainty_bits: f64,
    /// Share of pairs of seeds seen at the same look; needs two seeds.
    pub synchrony: Option<f64>,
    /// T10 of germinated seeds (interpolated to N / 10).
    pub t10: InterpolatedTime,
    /// T50 of germinated seeds, Coolbear's form: interpolated to (N + 1) / 2.
    pub t50_coolbear: InterpolatedTime,
    /// T50 of germinated seeds, Farooq's form: interpolated to N / 2.
    pub t50_farooq: InterpolatedTime,
    /// T90 of germinated seeds (interpolated to 9 N / 10).
    pub t90: InterpolatedTime,
}

/// Timson's sum: the cumulative percentage of seeds sown on every whole day,
/// added up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timson {
    /// The sum, per cent × days.
    pub percent_sum: f64,
    /// Whole days summed over, up to the last look.
    pub days: u32,
}

impl CountSeries {
    /// The counts of a container of `sown` seeds; any order, zeros included.
    ///
    /// # Errors
    /// [`StatsError::Empty`] when nothing was sown or nobody looked,
    /// [`StatsError::OutOfRange`] for a time before sowing or not finite,
    /// [`StatsError::BackwardInterval`] and [`StatsError::Overlap`] for
    /// intervals that cannot be, [`StatsError::PartAboveWhole`] when more
    /// germinated than were sown.
    pub fn new(
        sown: u32,
        mut looks: Vec<NewlyGerminated>,
    ) -> Result<Self, StatsError> {
        if sown == 0 || looks.is_empty() {
            return Err(StatsError::Empty { what: "counts of a container" });
        }
        for look in &looks {
            within("look (days)", look.left_days, 0.0, 1e6)?;
            within("look (days)", look.right_days, 0.0, 1e6)?;
            if look.left_days >= look.right_days {
                return Err(StatsError::BackwardInterval {
                    left: look.left_days,
                    right: look.right_days,
                });
            }
        }
        looks.sort_by(|a, b| a.right_days.total_cmp(&b.right_days));
        for pair in looks.windows(2) {
            if pair[1].left_days < pair[0].right_days {
                return Err(StatsError::Overlap {
                    left: pair[1].left_days,
                    before: pair[0].right_days,
                });
            }
        }
        let germinated =
            looks.iter().fold(0_u32, |sum, look| sum.saturating_add(look.n));
        if germinated > sown {
            return Err(StatsError::PartAboveWhole { k: germinated, n: sown });
        }
        Ok(Self { sown, looks })
    }

    /// Seeds sown.
    #[must_use]
    pub fn sown(&self) -> u32 {
        self.sown
    }

    /// The looks, in order of time.
    #[must_use]
    pub fn looks(&self) -> &[NewlyGerminated] {
        &self.looks
    }

    /// Seeds germinated up to the last look.
    #[must_use]
    pub fn germinated(&self) -> u32 {
        self.looks.iter().map(|look| look.n).sum()
    }

    /// Seeds seen germinated at looks up to an age, for comparing containers
    /// at one age.
    #[must_use]
    pub fn germinated_by(&self, age_days: f64) -> Proportion {
        let seen = self.looks.iter().filter(|l| l.right_days <= age_days);
        let k = seen.map(|look| look.n).sum();
        Proportion::new(k, self.sown)
            .expect("a series is refused when more germinate than were sown")
    }

    /// Age at the last look, days since sowing.
    #[must_use]
    pub fn followed_days(&self) -> f64 {
        self.looks.last().map_or(0.0, |look| look.right_days)
    }

    /// Germinated of sown, at the last look.
    #[must_use]
    pub fn final_fraction(&self) -> Proportion {
        Proportion::new(self.germinated(), self.sown)
            .expect("a series is refused when more germinate than were sown")
    }

    /// When `target` seeds had germinated, by a straight line between looks.
    ///
    /// # Arguments
    /// - `target`: a number of seeds, above 0; need not be whole.
    ///
    /// # Returns
    /// The time and the interval it lies in; `None` when `target` is not
    /// above 0 or was never reached.
    ///
    /// # When it misleads
    /// With one late look the line starts at sowing: 20 of 20 on day 3 gives
    /// 1.5 days, though nobody looked before day 3. Show the interval.
    ///
    /// # Example
    /// ```
    /// use vernalog::stats::germination::{CountSeries, NewlyGerminated};
    /// let one_late_look =
    ///     NewlyGerminated { left_days: 0.0, right_days: 3.0, n: 20 };
    /// let series = CountSeries::new(20, vec![one_late_look]).unwrap();
    /// let half = series.time_to(10.0).unwrap();
    /// assert_eq!((half.days, half.left_days, half.right_days),
    ///     (1.5, 0.0, 3.0));
    /// ```
    #[must_use]
    pub fn time_to(&self, target: f64) -> Option<InterpolatedTime> {
        if target.is_nan() || target <= 0.0 {
            return None;
        }
        let mut before = 0.0;
        for look in &self.looks {
            let n = f64::from(look.n);
            if look.n > 0 && before + n >= target {
                let share = (target - before) / n;
                let span = look.right_days - look.left_days;
                return Some(InterpolatedTime {
                    days: look.left_days + share * span,
                    left_days: look.left_days,
                    right_days: look.right_days,
                });
            }
            before += n;
        }
        None
    }

    /// The usual figures of when the germinated seeds germinated.
    ///
    /// # Returns
    /// `None` when no seed germinated: then only the final fraction exists.
    ///
    /// # When it misleads
    /// Seeds that never germinated are left out, so a container where few
    /// came up early looks fast. Every figure depends on when somebody
    /// looked; never compare two containers looked at on different days.
    ///
    /// # Source
    /// Formulas as gathered by Ranal & Santana 2006, Rev. Bras. Bot. 29: 1–11
    /// (from memory); both forms of T50: Coolbear et al. 1984, Farooq et al.
    /// 2005 (from memory). See test `indices_match_the_reference_series`.
    #[must_use]
    pub fn timing(&self) -> Option<Timing> {
        let seen: Vec<NewlyGerminated> =
            self.looks.iter().copied().filter(|look| look.n > 0).collect();
        let (first, last) = (*seen.first()?, *seen.last()?);
        let n = f64::from(self.germinated());
        let sum = |term: &dyn Fn(f64, f64) -> f64| -> f64 {
            seen.iter().map(|l| term(f64::from(l.n), l.right_days)).sum()
        };
        let mean_days = sum(&|n, t| n * t) / n;
        let squares = sum(&|n, t| n * (t - mean_days).powi(2));
        let variance = (n > 1.0).then(|| squares / (n - 1.0));
        let pairs = n * (n - 1.0) / 2.0;
        let same_look = sum(&|n, _| n * (n - 1.0) / 2.0);
        let bits = sum(&|part, _| -(part / n) * (part / n).log2());
        Some(Timing {
            first,
            last,
            mean_days,
            variance,
            variation_percent: variance.map(|v| 100.0 * v.sqrt() / mean_days),
            mean_rate_per_day: 1.0 / mean_days,
            uniformity: (seen.len() > 1).then(|| n / squares),
            maguire_per_day: sum(&|n, t| n / t),
            uncertainty_bits: bits.max(0.0),
            synchrony: (n > 1.0).then(|| same_look / pairs),
            t10: self.time_to(n / 10.0)?,
            t50_coolbear: self.time_to((n + 1.0) / 2.0)?,
            t50_farooq: self.time_to(n / 2.0)?,
            t90: self.time_to(0.9 * n)?,
        })
    }

    /// Timson's sum over the whole days up to the last look.
    ///
    /// # Returns
    /// `None` when the last look came before the first whole day. Speed and
    /// final fraction are mixed in it: it cannot tell few early seeds from
    /// many late ones.
    #[must_use]
    pub fn timson(&self) -> Option<Timson> {
        let last = self.looks.last()?.right_days;
        let (mut percent_sum, mut days) = (0.0, 0_u32);
        while f64::from(days + 1) <= last {
            days += 1;
            let so_far: u32 = self
                .looks
                .iter()
                .filter(|look| look.right_days <= f64::from(days))
                .map(|look| look.n)
                .sum();
            percent_sum += 100.0 * f64::from(so_far) / f64::from(self.sown);
        }
        (days > 0).then_some(Timson { percent_sum, days })
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;

    const SERIES: &str =
        include_str!("../../tests/reference/stats/germination_indices.json");

    fn series(case: &Value) -> CountSeries {
        let mut left_days = 0.0;
        let days = case["days"].as_array().unwrap();
        let counts = case["counts"].as_array().unwrap();
        let looks = days
            .iter()
            .zip(counts)
            .map(|(day, count)| {
                let right_days = day.as_f64().unwrap();
                let n = u32::try_from(count.as_u64().unwrap()).unwrap();
                let look = NewlyGerminated { left_days, right_days, n };
                left_days = right_days;
                look
            })
            .collect();
        let sown = u32::try_from(case["sown"].as_u64().unwrap()).unwrap();
        CountSeries::new(sown, looks).unwrap()
    }

    fn same(what: &str, got: Option<f64>, expected: &Value) {
        match (got, expected.as_f64()) {
            (None, None) => {}
            (Some(got), Some(expected)) => {
                let off = (got - expected).abs();
                assert!(off <= 1e-9 * expected.abs().max(0.1), "{what} {got}");
            }
            other => panic!("{what}: {other:?}"),
        }
    }

    #[test]
    fn indices_match_the_reference_series() {
        // Computed twice outside this program: in exact fractions, and seed
        // by seed.
        let data: Value = serde_json::from_str(SERIES).unwrap();
        let cases = data["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 7);
        for case in cases {
            let series = series(case);
            let percent = 100.0 * series.final_fraction().fraction();
            same("final", Some(percent), &case["final_pct"]);
            let Some(timing) = series.timing() else {
                assert_eq!(case["germinated"], 0);
                continue;
            };
            for (key, got) in [
                ("mgt", Some(timing.mean_days)),
                ("mean_rate", Some(timing.mean_rate_per_day)),
                ("cvg_pct", Some(100.0 * timing.mean_rate_per_day)),
                ("var_n_minus_1", timing.variance),
                ("cv_time_pct", timing.variation_percent),
                ("cug", timing.uniformity),
                ("maguire", Some(timing.maguire_per_day)),
                ("uncertainty_bits", Some(timing.uncertainty_bits)),
                ("synchrony_z", timing.synchrony),
                ("t10", Some(timing.t10.days)),
                ("t50_coolbear", Some(timing.t50_coolbear.days)),
                ("t50_farooq", Some(timing.t50_farooq.days)),
                ("t90", Some(timing.t90.days)),
                ("first_day", Some(timing.first.right_days)),
                ("last_day", Some(timing.last.right_days)),
            ] {
                same(key, got, &case[key]);
            }
            let timson = series.timson().unwrap();
            let sum = &case["timson_sum_of_daily_cum_pct"];
            same("timson", Some(timson.percent_sum), sum);
            assert_eq!(case["timson_days"], timson.days);
        }
    }

    #[test]
    fn limits_of_the_final_fraction_match_the_reference_series() {
        use crate::stats::interval::Confidence;
        use crate::stats::proportion::IntervalMethod;
        let data: Value = serde_json::from_str(SERIES).unwrap();
        for case in data["cases"].as_array().unwrap() {
            for (key, method) in [
                ("wilson95_pct", IntervalMethod::Wilson),
                ("clopper_pearson95_pct", IntervalMethod::ClopperPearson),
            ] {
                if case[key].is_null() {
                    assert_eq!(case["germinated"], 0);
                    continue;
                }
                let limits = series(case)
                    .final_fraction()
                    .interval(method, Confidence::NINETY_FIVE);
                same(key, Some(100.0 * limits.lower), &case[key][0]);
                same(key, Some(100.0 * limits.upper), &case[key][1]);
            }
        }
    }

    #[test]
    fn an_age_between_two_looks_counts_what_had_been_seen() {
        let data: Value = serde_json::from_str(SERIES).unwrap();
        // Looks on days 4, 7, 10, 14, 21 with 3, 11, 20, 9, 2 new of 50.
        let series = series(&data["cases"][3]);
        assert_eq!(series.germinated_by(9.9), Proportion::new(14, 50).unwrap());
        assert_eq!(series.germinated_by(10.0).k(), 34);
        assert_eq!(series.germinated_by(0.0).k(), 0);
        assert_eq!(series.followed_days(), 21.0);
    }

    #[test]
    fn one_late_look_gives_an_interval_and_not_only_a_number() {
        let data: Value = serde_json::from_str(SERIES).unwrap();
        let timing = series(&data["cases"][2]).timing().unwrap();
        let t50 = timing.t50_farooq;
        assert_eq!((t50.left_days, t50.right_days), (0.0, 3.0));
    }

    #[test]
    fn impossible_series_are_refused() {
        let look = |left_days, right_days, n| NewlyGerminated {
            left_days,
            right_days,
            n,
        };
        assert_eq!(
            CountSeries::new(5, vec![look(2.0, 1.0, 0)]),
            Err(StatsError::BackwardInterval { left: 2.0, right: 1.0 })
        );
        assert_eq!(
            CountSeries::new(5, vec![look(0.0, 2.0, 1), look(1.0, 3.0, 0)]),
            Err(StatsError::Overlap { left: 1.0, before: 2.0 })
        );
        assert_eq!(
            CountSeries::new(5, vec![look(0.0, 2.0, 6)]),
            Err(StatsError::PartAboveWhole { k: 6, n: 5 })
        );
        assert!(CountSeries::new(5, vec![]).is_err());
        assert!(CountSeries::new(5, vec![look(-1.0, 2.0, 0)]).is_err());
        assert!(CountSeries::new(5, vec![look(0.0, f64::NAN, 0)]).is_err());
    }

    proptest! {
        #[test]
        fn the_order_of_rows_does_not_matter(
            counts in prop::collection::vec(0_u32..6, 1..12),
        ) {
            let looks: Vec<_> = counts.iter().zip(0_u32..).map(|(&n, day)| {
                NewlyGerminated {
                    left_days: f64::from(day), right_days: f64::from(day + 1),
                    n,
                }
            }).collect();
            let mut turned = looks.clone();
            turned.reverse();
            prop_assert_eq!(
                CountSeries::new(100, looks).unwrap(),
                CountSeries::new(100, turned).unwrap());
        }
    }
}
