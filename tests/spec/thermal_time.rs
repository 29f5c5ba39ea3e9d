//! Warmth from the logs meets germination from the counts: what is said of
//! it, and what is refused.

use std::collections::BTreeMap;

use vernalog::observation::{Name, Quantity, Reading, Series};
use vernalog::season::plan::{Season, SeasonPlan};
use vernalog::season::rowan::rowan_plan;
use vernalog::stats::resample::NoLimits;
use vernalog::stats::thermal_time::Base;
use vernalog::study::Study;
use vernalog::study::thermal::NoThermalTime;

use crate::support::season::studied;

type Readings = BTreeMap<Series, Vec<Reading>>;

/// Temperatures of the whole season as the boards tell them.
fn temperatures(season: &Season) -> Readings {
    let mut readings = Readings::new();
    let plan = &season.plan;
    for (series, reading) in season.readings(plan.begins(), plan.ends()) {
        if series.quantity == Quantity::Temperature {
            readings.entry(series).or_default().push(reading);
        }
    }
    readings
}

/// A season in which warmth counts from the stated base on, and all lengths
/// of chilling need the same.
fn plain(seed: u64) -> SeasonPlan {
    let mut plan = rowan_plan(seed);
    plan.truth.base_celsius = 0.0;
    plan.truth.light_effect = 0.0;
    plan.truth.lot_effects.fill(0.0);
    plan.truth.container_scatter = 0.1;
    plan.truth.batch_scatter = 0.1;
    plan.truth.timing_scatter = 0.01;
    for board in &mut plan.boards {
        board.sensors.sun_error = 0.0;
    }
    plan
}

fn keep_places(plan: &mut SeasonPlan, names: &[&str]) {
    let kept = |place: &Name| names.contains(&place.as_str());
    plan.places.retain(|place| kept(&place.name));
    let fridge = plan.fridge.name.clone();
    plan.boards.retain(|board| board.place == fridge || kept(&board.place));
    plan.watches.clear();
}

/// Truth: 72 % can germinate, half of them by 125 °C·d, spread 0.16.
#[test]
fn warmth_and_share_that_were_put_in_are_recovered() {
    let season = plain(1).grow();
    let study = studied(&season, &temperatures(&season));
    assert_eq!(study.thermal_time.factor.as_deref(), Some("chill_weeks"));
    let levels: Vec<&str> = study
        .thermal_time
        .groups
        .iter()
        .map(|group| group.level.as_str())
        .collect();
    assert_eq!(levels, ["0", "6", "12", "18"]);
    let group = &study.thermal_time.groups[2];
    let found = group.outcome.as_ref().unwrap();
    let limits = found.limits.unwrap();
    assert!(limits.g_max.holds(0.72), "{limits:?}");
    assert!(limits.theta50.holds(125.0 * 24.0), "{limits:?}");
    assert!((found.fitted.theta50 / 3000.0 - 1.0).abs() < 0.1);
    assert!((found.fitted.sigma / 0.16 - 1.0).abs() < 0.3);
    assert_eq!(group.containers.len(), 12);
    assert_eq!(group.left_out, []);
}

#[test]
fn places_well_apart_tell_the_base_and_others_say_what_would() {
    let mut plan = plain(2);
    plan.truth.batch_scatter = 0.0;
    plan.truth.container_scatter = 0.0;
    plan.truth.timing_scatter = 0.0;
    plan.batches_each = 4;
    plan.look_every_days = 1;
    let season = plan.clone().grow();
    let told = studied(&season, &temperatures(&season));
    let group = &told.thermal_time.groups[2];
    let found = group.outcome.as_ref().unwrap();
    let Base::Told { interval, .. } = found.base else {
        panic!("{:?}", found.base);
    };
    assert!(interval.holds(0.0), "{interval:?}");
    assert_eq!(found.what_would_tell_the_base(), None);

    // The two places that are nearest to each other alone.
    keep_places(&mut plan, &["south-sill", "airing-shelf"]);
    plan.batches_each = 1;
    let season = plan.grow();
    let untold = studied(&season, &temperatures(&season));
    let group = &untold.thermal_time.groups[1];
    let found = group.outcome.as_ref().unwrap();
    assert!(matches!(found.base, Base::CannotTell { .. }), "{found:?}");
    let words = found.what_would_tell_the_base().unwrap();
    assert!(words.contains("cannot tell the base temperature"), "{words}");
    // One batch of two lots at two places: four containers.
    assert_eq!(
        found.limits,
        Err(NoLimits::TooFewContainers { n: group.containers.len() })
    );
}

#[test]
fn a_season_without_a_log_is_refused_with_the_reason() {
    let season = plain(3).grow();
    let study = studied(&season, &Readings::new());
    let all = &study.thermal_time.all;
    assert_eq!(
        all.outcome,
        Err(NoThermalTime::TooLittleData { left_out: 48, of: 48 })
    );
    assert_eq!((all.containers.len(), all.left_out.len()), (0, 48));
    let words = all.outcome.as_ref().unwrap_err().to_string();
    assert!(words.contains("80 %"), "{words}");
}

#[test]
fn one_place_or_nothing_germinated_is_refused_with_the_reason() {
    let mut plan = plain(4);
    keep_places(&mut plan, &["stair-landing"]);
    let season = plan.grow();
    let study = studied(&season, &temperatures(&season));
    assert_eq!(study.thermal_time.all.outcome, Err(NoThermalTime::OnePlace));

    let mut plan = plain(4);
    for chill in &mut plan.truth.chills {
        chill.half_warmth = 1e6;
    }
    let season = plan.grow();
    let study = studied(&season, &temperatures(&season));
    assert_eq!(
        study.thermal_time.all.outcome,
        Err(NoThermalTime::NothingGerminated)
    );
}

/// Warmth is a sum over the log: an hour's readings more or less, so long as
/// they lie on its lines, change nothing.
#[test]
fn a_reading_on_the_line_between_two_others_changes_nothing() {
    let season = plain(5).grow();
    let plain = temperatures(&season);
    let mut split = plain.clone();
    for readings in split.values_mut() {
        let mut more = Vec::with_capacity(2 * readings.len());
        for pair in readings.windows(2) {
            more.push(pair[0]);
            let gap = pair[1].at.hours_since(pair[0].at);
            if gap < 0.2 && pair.iter().all(|r| r.quality.counts()) {
                more.push(Reading {
                    at: pair[0].at.plus_hours(gap / 2.0),
                    value: f64::midpoint(pair[0].value, pair[1].value),
                    quality: pair[0].quality,
                });
            }
        }
        more.extend(readings.last().copied());
        *readings = more;
    }
    let (a, b) = (studied(&season, &plain), studied(&season, &split));
    let of = |study: &Study| study.thermal_time.groups[2].outcome.clone();
    let (a, b) = (of(&a).unwrap().fitted, of(&b).unwrap().fitted);
    assert!((a.theta50 / b.theta50 - 1.0).abs() < 1e-4, "{a:?} {b:?}");
    assert!((a.g_max - b.g_max).abs() < 1e-4);
}
