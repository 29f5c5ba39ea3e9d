//! Whole invented seasons through the whole program: are findings right as
//! often as they say, and do cautions stand where they must?
//!
//! Counts and readings go into a store and come back as the report's
//! results. What is asserted is what the report states, not what a formula
//! gives.

use std::collections::BTreeSet;

use vernalog::report::results::{FactorResult, Results};
use vernalog::season::plan::{Crossing, Season, SeasonPlan};
use vernalog::season::rowan::rowan_plan;
use vernalog::season::truth::ContainerTruth;
use vernalog::season::weather::Spot;

use crate::program::reported;
use crate::scale::{Rate, Table, runs};

const SEED: u64 = 20_261_126;

/// The demo's trial without its longest chilling, boards that speak each
/// hour, all sown on one date.
fn crossed(seed: u64) -> SeasonPlan {
    let mut plan = rowan_plan(seed);
    plan.truth.chills.truncate(3);
    for board in &mut plan.boards {
        board.interval_minutes = 60;
        board.faults.clear();
    }
    plan
}

/// The same with each batch at one place, every chill length at all.
fn in_turn(seed: u64) -> SeasonPlan {
    SeasonPlan {
        crossing: Crossing::BatchesInTurn,
        batches_each: 3,
        ..crossed(seed)
    }
}

/// Each chill length at a place of its own.
fn confounded(seed: u64) -> SeasonPlan {
    SeasonPlan {
        crossing: Crossing::ChillWithPlace,
        batches_each: 3,
        containers_each: 2,
        ..crossed(seed)
    }
}

/// Nothing matters: neither chill nor place nor lot.
fn null(seed: u64) -> SeasonPlan {
    let plan = crossed(seed);
    SeasonPlan { truth: plan.truth.clone().without_effects(), ..plan }
}

fn null_in_turn(seed: u64) -> SeasonPlan {
    let plan = in_turn(seed);
    SeasonPlan { truth: plan.truth.clone().without_effects(), ..plan }
}

/// Twelve spots whose warmth does not go with their light.
fn many_places(seed: u64) -> SeasonPlan {
    let mut plan = crossed(seed);
    plan.truth.chills.truncate(2);
    let rooms = plan.places.clone();
    let boards = plan.boards.clone();
    plan.boards.truncate(1);
    plan.places.clear();
    for copy in 0..12 {
        let mut place = rooms[copy % 3].clone();
        let name = format!("spot-{copy}");
        place.name = vernalog::observation::Name::new(&name).unwrap();
        place.short = format!("s{copy}");
        place.title = name.clone();
        if let Spot::Room(room) = &mut place.spot {
            let turn = u32::try_from(copy / 3).unwrap();
            let warm = f64::from((turn + 2) % 4);
            room.mean_celsius = 12.0 + warm * 2.5;
            // Warm air holds more: without this the warm spots are dry.
            room.damp_kilopascals =
                0.15 * warm + if copy % 2 == 0 { 0.1 } else { 0.5 };
        }
        let mut board = boards[1 + copy % 3].clone();
        board.name = place.name.clone();
        board.place = place.name.clone();
        plan.boards.push(board);
        plan.places.push(place);
    }
    plan.watches.clear();
    plan
}

/// Mean over the bell curve.
fn over_scatter(scatter: f64, share: impl Fn(f64) -> f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for step in -12..=12 {
        let z = f64::from(step) / 3.0;
        let weight = (-z * z / 2.0).exp();
        sum += weight * share(scatter * z);
        weights += weight;
    }
    sum / weights
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    sum / n
}

/// The share a factor's level stands for: chill over all batches there could
/// be, a place for the batches of this trial, each over the containers there
/// could be, in the weather there was.
struct Standing<'a> {
    season: &'a Season,
}

impl Standing<'_> {
    fn of(&self, factor: &str, level: &str) -> f64 {
        let truths = self.season.container_truths();
        let at_level: Vec<&ContainerTruth> = truths
            .iter()
            .filter(|truth| match factor {
                "place" => truth.place.as_str() == level,
                _ => truth.chill_weeks.to_string() == level,
            })
            .collect();
        mean(at_level.iter().map(|truth| self.share(factor, truth)))
    }

    /// What a container stands for, its own scatter averaged over.
    fn share(&self, factor: &str, truth: &ContainerTruth) -> f64 {
        let plan = &self.season.plan;
        let chills = &plan.truth.chills;
        let chill =
            chills.iter().position(|c| c.weeks == truth.chill_weeks).unwrap();
        let lot =
            plan.lots.iter().position(|l| l.lot.lot == truth.lot).unwrap();
        let batches = self.season.batch_truths();
        let batch = batches.iter().find(|b| b.batch == truth.batch).unwrap();
        let own = plan.truth.container_scatter;
        let crossed = plan.crossing == Crossing::Crossed;
        let (known, scatter) = if factor == "place" && crossed {
            (batch.scatter, own)
        } else {
            (0.0, own.hypot(plan.truth.batch_scatter))
        };
        let able = over_scatter(scatter, |z| {
            let at =
                plan.truth.share_with(chill, lot, truth.mean_lux, known + z);
            at.value()
        });
        able * truth.fraction.value() / truth.able.value()
    }
}

fn planned(results: &Results) -> impl Iterator<Item = &FactorResult> {
    results.factors.iter().filter(|factor| factor.planned)
}

fn told_different(factor: &FactorResult) -> bool {
    factor.p_holm.is_some_and(|p| p < 0.05)
}

/// What the report says of a factor.
fn text<'a>(results: &'a Results, factor: &str) -> &'a str {
    let own = |f: &&vernalog::report::results::FindingResult| {
        f.factor.as_deref() == Some(factor)
    };
    &results.findings.iter().find(own).unwrap().text
}

/// Every claim of a report: right sign, and an interval that covers.
fn judge(season: &Season, results: &Results, claims: &mut Claims) {
    let standing = Standing { season };
    for factor in planned(results) {
        let says = text(results, &factor.name);
        let mut n_apart = 0;
        for pair in &factor.differences {
            let truth = standing.of(&factor.name, &pair.to)
                - standing.of(&factor.name, &pair.from);
            let held =
                pair.interval.lower <= truth && truth <= pair.interval.upper;
            claims.intervals.add(held);
            let apart = pair.interval.lower > 0.0 || pair.interval.upper < 0.0;
            if told_different(factor) && apart {
                n_apart += 1;
                let right = (pair.estimate > 0.0) == (truth > 0.0);
                claims.right.add(right);
                claims.sound.add(right && held);
            }
        }
        assert_eq!(
            says.contains("more of every 100 came up"),
            n_apart > 0,
            "words and numbers differ: {says}"
        );
        if !told_different(factor) {
            assert!(says.contains("this trial cannot tell"), "{says}");
        }
    }
}

#[derive(Default)]
struct Claims {
    sound: Rate,
    right: Rate,
    intervals: Rate,
}

fn caution(results: &Results, id: &str) -> bool {
    results.cautions.iter().any(|caution| caution.id == id)
}

fn each_season(
    plan: fn(u64) -> SeasonPlan,
    n: u32,
    mut see: impl FnMut(&Season, &Results),
) {
    for run in 0..u64::from(n) {
        let season = plan(SEED + run).grow();
        let results = reported(&season, season.plan.ends());
        see(&season, &results);
    }
}

#[test]
fn stated_findings_are_right_and_their_intervals_cover() {
    let mut table = Table::titled("Whole seasons: what reports state");
    let mut all = Claims::default();
    for (name, plan, n) in [
        ("crossed", crossed as fn(u64) -> SeasonPlan, runs(300, 2)),
        ("batches in turn", in_turn, runs(200, 1)),
    ] {
        let mut own = Claims::default();
        each_season(plan, n, |season, results| {
            judge(season, results, &mut own);
            assert!(!caution(results, "not-crossed"), "{:?}", results.cautions);
            assert!(caution(results, "place-is-one-spot"));
        });
        table.shown(&format!("{name}: claims with the right sign"), own.right);
        table.shown(&format!("{name}: right sign and covered"), own.sound);
        table.shown(&format!("{name}: all pairs, covered"), own.intervals);
        for (sum, part) in [
            (&mut all.right, own.right),
            (&mut all.sound, own.sound),
            (&mut all.intervals, own.intervals),
        ] {
            sum.hits += part.hits;
            sum.of += part.of;
        }
    }
    table.gate("claims: right sign and covered", all.sound, 0.95, 1.0);
    table.close();
}

#[test]
fn seasons_in_which_nothing_differs_state_nothing() {
    let mut table = Table::titled("Whole seasons in which nothing differs");
    let mut all = Rate::default();
    for (name, plan, n) in [
        ("crossed", null as fn(u64) -> SeasonPlan, runs(300, 2)),
        ("batches in turn", null_in_turn, runs(200, 1)),
    ] {
        let mut own = Rate::default();
        each_season(plan, n, |_, results| {
            own.add(planned(results).any(told_different));
        });
        table.shown(&format!("{name}: states any difference"), own);
        all.hits += own.hits;
        all.of += own.of;
    }
    table.gate("states any difference", all, 0.0, 0.075);
    table.close();
}

/// Chill and place cannot be told apart where each length had its own place:
/// nothing is stated, and the caution stands.
#[test]
fn what_cannot_be_separated_is_said() {
    let mut table = Table::titled("Whole seasons: what cannot be separated");
    let (mut warned, mut silent) = (Rate::default(), Rate::default());
    each_season(confounded, runs(60, 1), |_, results| {
        warned.add(caution(results, "not-crossed"));
        silent.add(!planned(results).any(told_different));
        assert!(caution(results, "place-is-one-spot"));
    });
    table.shown("confounded: chill × place caution stands", warned);
    table.shown("confounded: no difference stated", silent);
    assert_eq!((warned.hits, silent.hits), (warned.of, silent.of));
    let mut broken = Rate::default();
    each_season(many_places, runs(10, 1), |season, results| {
        let places: BTreeSet<&str> = season
            .container_truths()
            .iter()
            .map(|t| t.place.as_str())
            .collect();
        assert_eq!(places.len(), 12);
        let stands = caution(results, "place-is-one-spot");
        if stands {
            table.say(&format!("{:?}", results.cautions[0]));
        }
        broken.add(!stands);
    });
    table.shown("twelve places: place against warmth is separable", broken);
    assert_eq!(broken.hits, broken.of);
    // Twelve spots of three kinds, warm ones bright: nothing is broken.
    let mut tied = many_places(SEED);
    for place in &mut tied.places {
        if let Spot::Room(room) = &mut place.spot {
            let lit = room.window.map_or(0.0, |window| window.sky_share);
            room.mean_celsius = 12.0 + 90.0 * lit;
        }
    }
    let season = tied.grow();
    let results = reported(&season, season.plan.ends());
    assert!(caution(&results, "place-is-one-spot"));
    table.close();
}
