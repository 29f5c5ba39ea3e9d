//! The report recovers what was put in, and does not claim more.
//!
//! The season's truth is known: the truth of a container is its own
//! fraction after the scatter of batch and container.

use std::collections::BTreeMap;

use vernalog::season::plan::Season;
use vernalog::season::rowan::demo_season;
use vernalog::stats::interval::Confidence;
use vernalog::stats::proportion::{IntervalMethod, Proportion, exact_coverage};
use vernalog::study::Study;
use vernalog::study::findings::FindingKind;

use crate::support::season::studied;

/// The study of a season from its counts alone.
fn from_counts(season: &Season) -> Study {
    studied(season, &BTreeMap::new())
}

/// How many container truths lie in the interval of their container, for
/// counts in the order of `container_truths`.
fn covered(season: &Season, counts: &[u32]) -> usize {
    season
        .container_truths()
        .iter()
        .zip(counts)
        .filter(|(truth, germinated)| {
            Proportion::new(**germinated, truth.seeds)
                .unwrap()
                .interval(IntervalMethod::Wilson, Confidence::NINETY_FIVE)
                .holds(truth.fraction.value())
        })
        .count()
}

/// Chance of at most `k` successes when each trial has its own chance.
fn chance_of_at_most(k: usize, chances: &[f64]) -> f64 {
    let mut exactly = vec![1.0];
    for chance in chances {
        let mut next = vec![0.0; exactly.len() + 1];
        for (i, p) in exactly.iter().enumerate() {
            next[i] += p * (1.0 - chance);
            next[i + 1] += p * chance;
        }
        exactly = next;
    }
    exactly[..=k].iter().sum()
}

fn exact_coverages(season: &Season) -> Vec<f64> {
    season
        .container_truths()
        .iter()
        .map(|truth| {
            exact_coverage(
                IntervalMethod::Wilson,
                truth.seeds,
                truth.fraction.value(),
                Confidence::NINETY_FIVE,
            )
            .unwrap()
        })
        .collect()
}

/// Aim: 44 of 48 or more. The seed was fixed before anybody looked; it gives
/// 43, as 1 season in 15 does, and was not changed. So the test holds the
/// season to what its own exact chances allow.
#[test]
fn the_demo_season_covers_as_many_truths_as_its_chances_allow() {
    let season = demo_season();
    let study = from_counts(&season);
    let truths = season.container_truths();
    let inside = truths
        .iter()
        .filter(|truth| {
            let unit = study
                .containers()
                .find(|unit| unit.outcome.name == truth.container)
                .unwrap();
            assert_eq!(unit.outcome.entered, truth.seeds);
            unit.outcome.interval.unwrap().holds(truth.fraction.value())
        })
        .count();
    let chances = exact_coverages(&season);
    let so_few = chance_of_at_most(inside, &chances);
    let so_many = 1.0 - chance_of_at_most(inside - 1, &chances);
    assert!(
        so_few > 0.01 && so_many > 0.01,
        "{inside} of {} truths inside: chance of so few {so_few:.3}, of so \
         many {so_many:.3}",
        truths.len()
    );
    assert_eq!(inside, 43, "the documents say 43 of 48");
}

/// Many redraws, so that three standard errors are a narrow gate (0.0007).
/// Of the first 500 alone the mean lies 3.1 of its wider ones above.
#[test]
fn redrawn_counts_are_covered_as_often_as_the_enumeration_says() {
    const REDRAWS: u64 = 20_000;
    let season = demo_season();
    let chances = exact_coverages(&season);
    let n = chances.len() as f64 * REDRAWS as f64;
    let expected = chances.iter().sum::<f64>() / chances.len() as f64;
    let hits: usize = (0..REDRAWS)
        .map(|seed| covered(&season, &season.redraw_counts(seed)))
        .sum();
    let observed = hits as f64 / n;
    let variance: f64 = chances.iter().map(|p| p * (1.0 - p)).sum::<f64>()
        * REDRAWS as f64
        / (n * n);
    assert!(
        (observed - expected).abs() <= 3.0 * variance.sqrt(),
        "mean coverage {observed:.4}, enumerated {expected:.4}"
    );
}

/// Levels whose truths lie 20 points apart or more come out in the right
/// order; the tied pair, 12 and 18 weeks, is not ranked.
#[test]
fn chill_lengths_far_apart_are_ordered_and_the_tied_pair_is_not_ranked() {
    let season = demo_season();
    let study = from_counts(&season);
    let chill = study
        .factors
        .iter()
        .find(|factor| factor.name() == "chill_weeks")
        .unwrap();
    let share = |weeks: &str| {
        chill.test.levels.iter().find(|l| l.name == weeks).unwrap().estimate
    };
    let truth = |weeks: &str| {
        let of: Vec<f64> = season
            .container_truths()
            .iter()
            .filter(|t| t.chill_weeks.to_string() == weeks)
            .map(|t| t.fraction.value())
            .collect();
        of.iter().sum::<f64>() / of.len() as f64
    };
    for (low, high) in [("0", "6"), ("6", "12"), ("6", "18"), ("0", "12")] {
        assert!(truth(high) - truth(low) >= 0.2, "{low} and {high}");
        assert!(share(low) < share(high), "{low} and {high}");
    }

    let finding = study
        .findings
        .iter()
        .find(|finding| finding.factor == "chill_weeks")
        .unwrap();
    assert_eq!(finding.kind, FindingKind::Planned);
    let text = &finding.text;
    for (a, b) in [(18, 12), (12, 18)] {
        let ranked = format!("{a} weeks of chill than after {b} weeks");
        assert!(!text.contains(&ranked), "{text}");
    }
    let tie = "cannot tell apart: 12 weeks against 18 weeks";
    assert!(text.contains(tie), "{text}");
    for (more, less) in [(6, 0), (12, 6)] {
        let clear =
            format!("after {more} weeks of chill than after {less} weeks");
        assert!(text.contains(&clear), "{text}");
    }
    // Four batches a length are few: (8! / 2!⁴)² arrangements stand beside F.
    let exact = chill.exact.unwrap();
    assert!((exact.arrangements - 2520.0 * 2520.0).abs() < 1e-6);
    assert!(exact.p_two_sided >= exact.smallest_p);
    let basis = &finding.basis;
    assert!(basis.contains("exact permutation by batch (n = 16)"), "{basis}");
}

#[test]
fn a_study_from_counts_alone_says_which_conditions_are_unknown() {
    let study = from_counts(&demo_season());
    let caution = study
        .cautions
        .iter()
        .find(|caution| caution.id == "unknown-conditions")
        .unwrap();
    for place in &study.places {
        assert!(caution.text.contains(&place.title), "{}", caution.text);
    }
    for unit in study.containers() {
        let doses = &unit.doses;
        assert!(doses.degree_hours[0].covered_hours.abs() < 1e-9);
        assert!(doses.degree_hours[0].missing_hours > 0.0);
    }
    let longest = study
        .containers()
        .map(|unit| unit.doses.stated_cold_hours)
        .fold(0.0, f64::max);
    assert!((longest - 18.0 * 7.0 * 24.0).abs() <= 2.0, "{longest} h stated");
}
