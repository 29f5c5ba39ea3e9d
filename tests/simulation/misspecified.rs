//! A whole season in which the model is wrong, on purpose: the base falls in
//! the cold, mould is likelier in wet bags and boxes, and boards are silent
//! at noon, when the sill is warmest.
//!
//! Printed, not asserted: it says how wrong one would be, not how right.

use std::collections::BTreeMap;

use vernalog::observation::{Reading, Series};
use vernalog::season::boards::Fault;
use vernalog::season::plan::{Season, SeasonPlan};
use vernalog::season::rowan::rowan_plan;
use vernalog::stats::thermal_time::Base;

use crate::scale::{Rate, Table, runs};
use crate::season::studied;

const SEED: u64 = 20_261_125;

fn misspecified(seed: u64) -> SeasonPlan {
    let mut plan = logged_at_noon(seed);
    for board in &mut plan.boards {
        board.faults.push(Fault::SilentHours { from: 11, to: 14 });
    }
    plan
}

/// The same with noons in the log: where they are missing every day, the
/// thermal-time fit is refused, and its other faults would stay unseen.
fn logged_at_noon(seed: u64) -> SeasonPlan {
    let mut plan = rowan_plan(seed);
    plan.truth.base_fall_per_week = 0.15;
    plan.truth.mould.per_damp_week = 0.3;
    plan.truth.mould.in_container = 0.8;
    plan
}

type Readings = BTreeMap<Series, Vec<Reading>>;

fn readings(season: &Season) -> Readings {
    let mut readings = Readings::new();
    let plan = &season.plan;
    for (series, reading) in season.readings(plan.begins(), plan.ends()) {
        readings.entry(series).or_default().push(reading);
    }
    readings
}

/// Mean true fraction at a level of a factor, over the containers of all
/// seasons of a run.
fn level_truth(seasons: &[Season], factor: &str, level: &str) -> f64 {
    let (sum, n) = seasons
        .iter()
        .flat_map(Season::container_truths)
        .filter(|truth| match factor {
            "place" => truth.place.as_str() == level,
            _ => truth.chill_weeks.to_string() == level,
        })
        .fold((0.0, 0.0), |(sum, n), truth| {
            (sum + truth.fraction.value(), n + 1.0)
        });
    sum / n
}

/// Coverage of single containers and of differences over many seasons, from
/// counts alone.
fn from_counts(table: &mut Table, name: &str, plan: fn(u64) -> SeasonPlan) {
    let each = u64::from(runs(400, 8));
    let nothing = Readings::new();
    let mut boxes = Rate::default();
    let mut factors: BTreeMap<String, Rate> = BTreeMap::new();
    let seasons: Vec<Season> =
        (0..each).map(|run| plan(SEED + run).grow()).collect();
    let mut truths: BTreeMap<(String, String), f64> = BTreeMap::new();
    for season in &seasons {
        let study = studied(season, &nothing);
        for truth in season.container_truths() {
            let unit = study
                .containers()
                .find(|unit| unit.outcome.name == truth.container)
                .unwrap();
            let limits = unit.outcome.interval.unwrap();
            boxes.add(limits.holds(truth.fraction.value()));
        }
        for factor in study.factors.iter().filter(|f| f.planned) {
            let name = factor.name();
            let mut of = |level: &str| {
                *truths
                    .entry((name.to_owned(), level.to_owned()))
                    .or_insert_with(|| level_truth(&seasons, name, level))
            };
            for pair in &factor.test.differences {
                let truth = of(&pair.to) - of(&pair.from);
                let rate = factors.entry(name.to_owned()).or_default();
                rate.add(pair.interval.holds(truth));
            }
        }
    }
    table.shown(&format!("{name}: single boxes, Wilson"), boxes);
    for (factor, rate) in factors {
        table.shown(&format!("{name}: differences of {factor}"), rate);
    }
}

/// What the doses and the thermal-time fit make of it.
fn from_logs(table: &mut Table, name: &str, plan: fn(u64) -> SeasonPlan) {
    let each = runs(20, 1);
    let (mut fits, mut told, mut held) =
        (Rate::default(), Rate::default(), Rate::default());
    let (mut off, mut n) = (0.0_f64, 0.0);
    let mut share = Rate::default();
    for run in 0..u64::from(each) {
        let season = plan(SEED + run).grow();
        let study = studied(&season, &readings(&season));
        for unit in study.containers() {
            let outcome = &unit.outcome;
            let truth = true_degree_hours(&season, outcome);
            let dose = &unit.doses.degree_hours[0];
            let got = dose.filled.map_or(dose.covered_sum, |f| f.value);
            off += 100.0 * (got / truth - 1.0);
            n += 1.0;
        }
        for (chill, group) in study.thermal_time.groups.iter().enumerate() {
            fits.add(group.outcome.is_ok());
            let Ok(found) = &group.outcome else { continue };
            let is_told = matches!(found.base, Base::Told { .. });
            told.add(is_told);
            if let Base::Told { interval, .. } = found.base {
                let truth = season.plan.truth.base_of(chill);
                held.add(interval.holds(truth));
            }
            if let Ok(limits) = found.limits {
                let able: f64 = season
                    .container_truths()
                    .iter()
                    .filter(|t| t.chill_weeks.to_string() == group.level)
                    .map(|t| t.able.value())
                    .sum::<f64>()
                    / 12.0;
                share.add(limits.g_max.holds(able));
            }
        }
    }
    table.say(&format!(
        "{name}: degree-hours of boxes off by {:.2} % on average",
        off / n
    ));
    table.shown(&format!("{name}: thermal-time fits not refused"), fits);
    table.shown(&format!("{name}: base told"), told);
    table.shown(&format!("{name}: of those, limits hold the base"), held);
    table.shown(&format!("{name}: limits of g_max hold the share"), share);
}

/// Degree-hours above 0 °C by the true climate, every quarter of an hour.
fn true_degree_hours(
    season: &Season,
    outcome: &vernalog::study::outcome::Outcome,
) -> f64 {
    let mut sum = 0.0;
    for stretch in &outcome.stretches {
        let mut at = stretch.from.plus_hours(0.125);
        while at < stretch.to {
            let climate = season.climate_at(&stretch.place, at).unwrap();
            sum += climate.temperature.degrees().max(0.0) / 4.0;
            at = at.plus_hours(0.25);
        }
    }
    sum
}

#[test]
fn a_wrong_model_is_off_by_so_much() {
    let mut table = Table::titled("Whole seasons, matching and misspecified");
    for (name, plan) in [
        ("matching", rowan_plan as fn(u64) -> SeasonPlan),
        ("misspecified", misspecified),
    ] {
        from_counts(&mut table, name, plan);
        from_logs(&mut table, name, plan);
    }
    from_logs(&mut table, "misspecified, noons logged", logged_at_noon);
    table.close();
}
