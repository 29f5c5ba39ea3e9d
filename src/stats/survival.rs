//! The special case in which every time is known exactly: Kaplan–Meier and
//! the log-rank test.
//!
//! Not for counts made every few days (a look gives an interval:
//! `turnbull.rs`), and not for comparing places on seeds that shared
//! containers (`strata.rs`).

use nalgebra::{DMatrix, DVector};

use crate::stats::distribution::chi_squared_upper;
use crate::stats::error::{StatsError, within};

/// `n` things followed until `time`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Followed {
    /// When it happened, or when they were last seen.
    pub time: f64,
    /// Whether it happened (`false`: still waiting, censored).
    pub happened: bool,
    /// How many.
    pub n: u32,
}

/// The curve just after one of its steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// When.
    pub time: f64,
    /// Still waiting just before.
    pub at_risk: u32,
    /// How many it happened to at this time.
    pub events: u32,
    /// Share still waiting afterwards.
    pub waiting: f64,
    /// Greenwood's standard error; none once nobody waits.
    pub standard_error: Option<f64>,
}

/// One group in the log-rank test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogRankGroup {
    /// Events seen.
    pub observed: f64,
    /// Events expected if all groups were alike.
    pub expected: f64,
}

/// Outcome of the log-rank test.
#[derive(Debug, Clone, PartialEq)]
pub struct LogRank {
    /// Chi-squared statistic.
    pub statistic: f64,
    /// Its degrees of freedom: groups − 1.
    pub df: f64,
    /// Probability of a larger statistic if the groups are alike.
    pub p_value: f64,
    /// Observed and expected, in the order given.
    pub groups: Vec<LogRankGroup>,
}

/// Kaplan–Meier: share still waiting after each event time.
///
/// At a tie events come before censoring.
///
/// # Errors
/// [`StatsError`] for no data or a time that is negative or not finite.
///
/// # When it misleads
/// With times taken from the day of a look, every step is late by half an
/// interval on average, and by another half elsewhere.
///
/// # Source
/// Kaplan & Meier 1958, J. Am. Stat. Assoc. 53: 457–481 (from memory); test
/// `curves_match_freireich`.
///
/// # Example
/// ```
/// use vernalog::stats::survival::{Followed, kaplan_meier};
/// let curve = kaplan_meier(&[
///     Followed { time: 1.0, happened: true, n: 1 },
///     Followed { time: 2.0, happened: false, n: 1 },
/// ]).unwrap();
/// assert_eq!(curve[0].waiting, 0.5);
/// ```
pub fn kaplan_meier(data: &[Followed]) -> Result<Vec<Step>, StatsError> {
    check(data)?;
    let (mut waiting, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::new();
    for time in event_times(data) {
        let at_risk = at_risk(data, time);
        let events = events(data, time);
        let (r, d) = (f64::from(at_risk), f64::from(events));
        waiting *= (r - d) / r;
        greenwood += d / (r * (r - d));
        let standard_error =
            (at_risk > events).then(|| waiting * greenwood.sqrt());
        steps.push(Step { time, at_risk, events, waiting, standard_error });
    }
    Ok(steps)
}

/// First time at which no more than half still wait; none if it never comes.
#[must_use]
pub fn median(curve: &[Step]) -> Option<f64> {
    curve.iter().find(|s| s.waiting <= 0.5 + 1e-12).map(|s| s.time)
}

/// Log-rank test of several groups.
///
/// # Hypotheses
/// H₀: all groups have the same curve. H₁: some differ (the test is strongest
/// when the hazards are in one proportion throughout).
///
/// # Arguments
/// - `groups`: at least two, none of them empty.
///
/// # Returns
/// Statistic, degrees of freedom, p and the counts per group.
///
/// # Errors
/// [`StatsError::OneLevel`] for fewer than two groups,
/// [`StatsError::Empty`] for an empty one or when nothing happened,
/// [`StatsError::Inseparable`] when a group was never at risk with another.
///
/// # When it misleads
/// Each thing counts as independent: with seeds that shared a container the
/// p-value is far too small. Curves that cross cancel out. Heavy ties (daily
/// looks) are tolerable, unlike intervals that differ between groups.
///
/// # Source
/// Mantel 1966; Freireich et al. 1963 gives 16.79 (from memory, reproduced);
/// test `log_rank_matches_freireich`.
pub fn log_rank(groups: &[Vec<Followed>]) -> Result<LogRank, StatsError> {
    if groups.len() < 2 {
        return Err(StatsError::OneLevel { what: "log-rank test" });
    }
    for group in groups {
        check(group)?;
    }
    let all: Vec<Followed> = groups.iter().flatten().copied().collect();
    let k = groups.len();
    let mut observed = DVector::zeros(k);
    let mut expected = DVector::zeros(k);
    let mut covariance = DMatrix::zeros(k, k);
    for time in event_times(&all) {
        let r = f64::from(at_risk(&all, time));
        let d = f64::from(events(&all, time));
        let ratio = if r > 1.0 { d * (r - d) / (r - 1.0) } else { 0.0 };
        let share: Vec<f64> = groups
            .iter()
            .map(|group| f64::from(at_risk(group, time)) / r)
            .collect();
        for i in 0..k {
            observed[i] += f64::from(events(&groups[i], time));
            expected[i] += d * share[i];
            for j in 0..k {
                let same = if i == j { 1.0 } else { 0.0 };
                covariance[(i, j)] += ratio * share[i] * (same - share[j]);
            }
        }
    }
    if observed.sum() == 0.0 {
        return Err(StatsError::Empty { what: "log-rank test (no events)" });
    }
    let excess = (&observed - &expected).rows(0, k - 1).into_owned();
    let solved = covariance
        .view((0, 0), (k - 1, k - 1))
        .into_owned()
        .cholesky()
        .ok_or(StatsError::Inseparable { what: "log-rank test" })?
        .solve(&excess);
    let statistic = excess.dot(&solved);
    let df = f64::from(u32::try_from(k - 1).expect("few groups"));
    Ok(LogRank {
        statistic,
        df,
        p_value: chi_squared_upper(statistic, df),
        groups: observed
            .iter()
            .zip(expected.iter())
            .map(|(&observed, &expected)| LogRankGroup { observed, expected })
            .collect(),
    })
}

fn check(data: &[Followed]) -> Result<(), StatsError> {
    if data.iter().all(|one| one.n == 0) {
        return Err(StatsError::Empty { what: "curve" });
    }
    for one in data {
        within("time", one.time, 0.0, f64::MAX)?;
    }
    Ok(())
}

fn event_times(data: &[Followed]) -> Vec<f64> {
    let mut times: Vec<f64> = data
        .iter()
        .filter(|one| one.happened && one.n > 0)
        .map(|one| one.time)
        .collect();
    times.sort_by(f64::total_cmp);
    times.dedup_by(|a, b| a.total_cmp(b).is_eq());
    times
}

fn at_risk(data: &[Followed], time: f64) -> u32 {
    data.iter().filter(|one| one.time >= time).map(|one| one.n).sum()
}

fn events(data: &[Followed], time: f64) -> u32 {
    data.iter()
        .filter(|one| one.happened && one.time.total_cmp(&time).is_eq())
        .map(|one| one.n)
        .sum()
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;
    use serde_json::Value;

    const DATA: &str =
        include_str!("../../tests/reference/stats/freireich.csv");
    const ANSWERS: &str =
        include_str!("../../tests/reference/stats/freireich_reference.json");

    fn group(name: &str) -> Vec<Followed> {
        csv::Reader::from_reader(DATA.as_bytes())
            .records()
            .map(Result::unwrap)
            .filter(|row| &row[3] == name)
            .map(|row| Followed {
                time: row[1].parse().unwrap(),
                happened: &row[2] == "1",
                n: 1,
            })
            .collect()
    }

    fn close(got: f64, expected: &Value, off: f64) {
        let expected = expected.as_f64().unwrap();
        assert!((got - expected).abs() < off, "{got} {expected}");
    }

    #[test]
    fn curves_match_freireich() {
        // R survival 3.5.3 (computed).
        let answers: Value = serde_json::from_str(ANSWERS).unwrap();
        for name in ["6-MP", "placebo"] {
            let curve = kaplan_meier(&group(name)).unwrap();
            let expected = &answers["km"][name];
            assert_eq!(curve.len(), expected["time"].as_array().unwrap().len());
            for (i, step) in curve.iter().enumerate() {
                close(step.time, &expected["time"][i], 1e-12);
                assert_eq!(expected["n.risk"][i], step.at_risk);
                assert_eq!(expected["n.event"][i], step.events);
                close(step.waiting, &expected["surv"][i], 1e-9);
                match step.standard_error {
                    Some(error) => close(error, &expected["se"][i], 1e-9),
                    None => assert!(expected["se"][i].is_null()),
                }
            }
            close(median(&curve).unwrap(), &answers["median"][name], 1e-12);
        }
    }

    #[test]
    fn log_rank_matches_freireich() {
        // 16.79 as widely reprinted (from memory, reproduced); R survival
        // 3.5.3 and lifelines 0.30.3 agree (computed).
        let answers: Value = serde_json::from_str(ANSWERS).unwrap();
        let expected = &answers["logrank"];
        let test = log_rank(&[group("placebo"), group("6-MP")]).unwrap();
        close(test.statistic, &expected["chi2"], 1e-7);
        assert!((test.p_value - 4.168_809_109e-5).abs() < 1e-12);
        for (group, name) in test.groups.iter().zip(["placebo", "6-MP"]) {
            close(group.observed, &expected["observed"][name], 1e-9);
            close(group.expected, &expected["expected"][name], 1e-7);
        }
        let turned = log_rank(&[group("6-MP"), group("placebo")]).unwrap();
        assert!((test.statistic - turned.statistic).abs() < 1e-9);
    }

    #[test]
    fn three_groups_have_two_degrees_of_freedom() {
        // Splitting one group in two halves leaves a test of alike groups
        // that no split of order can change.
        let placebo = group("placebo");
        let (a, b) = placebo.split_at(10);
        let test = log_rank(&[a.to_vec(), b.to_vec(), group("6-MP")]).unwrap();
        assert_eq!(test.df, 2.0);
        assert!(test.statistic > 16.0, "{test:?}");
        let total: f64 = test.groups.iter().map(|g| g.expected).sum();
        assert!((total - 30.0).abs() < 1e-9);
    }

    #[test]
    fn one_group_or_no_event_is_no_test() {
        assert!(log_rank(&[group("6-MP")]).is_err());
        let waiting = vec![Followed { time: 3.0, happened: false, n: 5 }];
        assert!(log_rank(&[waiting.clone(), waiting]).is_err());
        assert!(kaplan_meier(&[]).is_err());
    }
}
