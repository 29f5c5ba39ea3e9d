//! What a report foretells while a season runs, scored when it has ended.
//!
//! The forecast is that of the program from what had been written and sent
//! by then; the outcome is what the grower counted later. The plain rival
//! carries on the rate of the past week, with Poisson limits.

use vernalog::report::results::{PredictionResult, StepAheadResult};
use vernalog::season::plan::{Season, SeasonPlan};
use vernalog::season::rowan::rowan_plan;
use vernalog::trial::entry::{Counted, Statement};
use vernalog::units::Instant;

use crate::program::reported;
use crate::scale::{Rate, Table, runs};

const SEED: u64 = 20_261_127;
/// Limits miss in so many of every hundred cases by their own account.
const MISS: f64 = 0.05;

fn season(seed: u64) -> SeasonPlan {
    let mut plan = rowan_plan(seed);
    plan.truth.chills.truncate(3);
    for board in &mut plan.boards {
        board.interval_minutes = 60;
        board.faults.clear();
    }
    plan
}

/// The same house without its boards.
fn unlogged(seed: u64) -> SeasonPlan {
    let mut plan = season(seed);
    plan.boards.clear();
    plan
}

/// Germinated in a container in looks after `from`, up to `to`.
fn counted(season: &Season, unit: &str, from: Instant, to: Instant) -> u32 {
    season
        .drafts
        .iter()
        .filter(|draft| draft.when.at > from && draft.when.at <= to)
        .map(|draft| match &draft.statement {
            Statement::Check(check) if check.unit.as_str() == unit => {
                match check.germinated {
                    Counted::New(n) => n,
                    Counted::Total(_) => unreachable!("seasons count new ones"),
                }
            }
            _ => 0,
        })
        .sum()
}

/// Errors and limits of one way to foretell.
#[derive(Default)]
struct Score {
    held: Rate,
    error: f64,
    width: f64,
    /// Width and 2/α for each seed outside: Gneiting & Raftery 2007, J. Am.
    /// Stat. Assoc. 102: 359–378, eq. 43 (from memory).
    interval: f64,
}

impl Score {
    fn add(&mut self, expected: f64, low: f64, high: f64, came: f64) {
        self.held.add(low <= came && came <= high);
        self.error += (expected - came).abs();
        self.width += high - low;
        let outside = (low - came).max(came - high).max(0.0);
        self.interval += high - low + 2.0 / MISS * outside;
    }

    fn say(&self, table: &mut Table, name: &str) {
        table.shown(&format!("{name}: limits held"), self.held);
        let n = f64::from(self.held.of.max(1));
        table.say(&format!(
            "{name}: off by {:.2} seeds, limits {:.2} wide, interval score \
             {:.2}",
            self.error / n,
            self.width / n,
            self.interval / n
        ));
    }
}

/// Limits of a Poisson count, by adding up.
fn poisson(mean: f64) -> (f64, f64) {
    let (mut term, mut sum) = ((-mean).exp(), 0.0);
    let (mut low, mut k) = (None, 0.0);
    loop {
        sum += term;
        if sum >= MISS / 2.0 && low.is_none() {
            low = Some(k);
        }
        if sum >= 1.0 - MISS / 2.0 || k > 200.0 {
            return (low.unwrap_or(0.0), k);
        }
        k += 1.0;
        term *= mean / k;
    }
}

struct Both {
    ours: Score,
    plain: Score,
    said: Rate,
}

/// Scores all steps that end before the season does.
fn score(
    season: &Season,
    ahead: &PredictionResult,
    now: Instant,
    both: &mut Both,
) {
    let last = season
        .drafts
        .iter()
        .filter(|draft| matches!(draft.statement, Statement::Check(_)))
        .map(|draft| draft.when.at)
        .max()
        .unwrap();
    for container in &ahead.containers {
        both.said.add(container.why_none.is_none());
        for step in &container.steps {
            if step.by <= last {
                compare(
                    season,
                    container.id.as_str(),
                    container,
                    step,
                    now,
                    both,
                );
            }
        }
    }
}

fn compare(
    season: &Season,
    unit: &str,
    container: &vernalog::report::results::ContainerAheadResult,
    step: &StepAheadResult,
    now: Instant,
    both: &mut Both,
) {
    let came = f64::from(counted(season, unit, now, step.by));
    both.ours.add(
        step.expected,
        f64::from(step.low),
        f64::from(step.high),
        came,
    );
    let week = counted(season, unit, now.plus_hours(-168.0), now);
    let left = f64::from(container.left);
    let mean = (f64::from(week * step.days) / 7.0).min(left);
    let (low, high) = poisson(mean);
    both.plain.add(mean, low.min(left), high.min(left), came);
}

fn scored(
    table: &mut Table,
    name: &str,
    plan: fn(u64) -> SeasonPlan,
    days: u32,
    n: u32,
) -> Both {
    let (ours, plain) = (Score::default(), Score::default());
    let mut both = Both { ours, plain, said: Rate::default() };
    for run in 0..u64::from(n) {
        let season = plan(SEED + run).grow();
        let now =
            season.plan.sowing_of(0).plus_hours(24.0 * f64::from(days) + 2.0);
        let results = reported(&season, now);
        let ahead = results.prediction.expect("containers run");
        score(&season, &ahead, now, &mut both);
    }
    let name = format!("{name}, day {days}");
    table.shown(&format!("{name}: containers foretold"), both.said);
    both.ours.say(table, &format!("{name}: model"));
    both.plain.say(table, &format!("{name}: last week's rate"));
    both
}

#[test]
fn forecasts_hold_what_they_say_and_beat_the_last_rate() {
    let mut table = Table::titled("Forecasts, scored when the season ended");
    let mut all = Rate::default();
    let (mut ours, mut plain) = (0.0, 0.0);
    for (name, plan, days, n) in [
        ("logged", season as fn(u64) -> SeasonPlan, 10, runs(60, 0)),
        ("logged", season, 16, runs(60, 1)),
        ("logged", season, 24, runs(60, 1)),
        ("no board", unlogged, 16, runs(60, 1)),
        ("no board", unlogged, 24, runs(60, 0)),
    ] {
        let both = scored(&mut table, name, plan, days, n);
        all.hits += both.ours.held.hits;
        all.of += both.ours.held.of;
        ours += both.ours.interval;
        plain += both.plain.interval;
    }
    table.gate("limits of all forecasts held", all, 0.90, 1.0);
    table.close();
    assert!(all.of > 0);
    assert!(ours < plain, "interval scores: {ours} against {plain}");
}

/// A trial of a few days is told too little, in words, and one that is over
/// has no forecast at all.
#[test]
fn too_little_is_refused_and_the_end_ends_it() {
    let season = season(SEED).grow();
    let early = season.plan.sowing_of(0).plus_hours(24.0 * 5.0);
    let ahead = reported(&season, early).prediction.unwrap();
    let why = ahead.why_none.unwrap();
    assert!(why.contains("seeds have germinated"), "{why}");
    assert!(ahead.containers.iter().all(|c| c.steps.is_empty()));
    assert_eq!(reported(&season, season.plan.ends()).prediction, None);
}
