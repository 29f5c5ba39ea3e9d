//! A ten-line idea of a watch, to test the real one against: it keeps no
//! state but "open" and judges everything again from all readings.
//!
//! Times in minutes; means by the trapezoid rule on one-minute steps.

use std::time::Duration;

use proptest::prelude::*;

use crate::alert::course::{WatchState, step};
use crate::alert::{Change, Input};
use crate::observation::{Name, Quality, Quantity, Reading};
use crate::trial::entry::{QuantityWord, Rule, Watch};
use crate::units::Instant;

const SILENT_AFTER: Duration = Duration::from_mins(15);

fn minute(minute: i64) -> Instant {
    Instant::from_millis(minute * 60_000)
}

fn reading(at: i64, value: f64) -> Reading {
    Reading { at: minute(at), value, quality: Quality::GOOD }
}

fn at(readings: &[(i64, f64)], minute: i64) -> Option<f64> {
    let later = readings.iter().position(|r| r.0 >= minute)?;
    let (t1, v1) = readings[later];
    if t1 == minute {
        return Some(v1);
    }
    let (t0, v0) = readings[later.checked_sub(1)?];
    let share = (minute - t0) as f64 / (t1 - t0) as f64;
    (t1 - t0 <= 15).then_some(v0 + share * (v1 - v0))
}

fn mean(readings: &[(i64, f64)], to: i64, span: i64) -> Option<f64> {
    if span == 0 {
        return at(readings, to);
    }
    let halves = (to - span..to)
        .map(|m| Some((at(readings, m)? + at(readings, m + 1)?) / 2.0));
    Some(halves.sum::<Option<f64>>()? / span as f64)
}

/// Whether `holds` was true of every judgement from `length` minutes
/// before the newest reading on, and after the alert's last change.
fn held(
    judged: &[(i64, Option<f64>)],
    length: i64,
    after: usize,
    holds: impl Fn(f64) -> bool,
) -> bool {
    let newest = judged[judged.len() - 1].0;
    let run = judged[after..]
        .iter()
        .rev()
        .take_while(|(_, mean)| mean.is_some_and(&holds));
    run.last().is_some_and(|(first, _)| newest - first >= length)
}

fn told_anew(watch: &Watch, readings: &[(i64, f64)]) -> Vec<(Change, i64)> {
    let (span, length) =
        (i64::from(watch.mean_minutes), i64::from(watch.for_minutes));
    let high = watch.high.unwrap();
    let (mut open, mut after, mut told) = (false, 0, Vec::new());
    let mut judged: Vec<(i64, Option<f64>)> = Vec::new();
    for (minute, _) in readings {
        if judged.last().is_some_and(|last| minute - last.0 > 15) {
            judged.push((*minute, None)); // The hole breaks every run.
        }
        judged.push((*minute, mean(readings, *minute, span)));
        let turned = if open {
            held(&judged, length, after, |m| m <= high - watch.margin)
        } else {
            held(&judged, length, after, |m| m > high)
        };
        if turned {
            open = !open;
            after = judged.len();
            told.push((
                if open { Change::Raised } else { Change::Cleared },
                *minute,
            ));
        }
    }
    told
}

/// The range watched from above, or the same turned upside down.
#[derive(Debug, Clone, Copy)]
enum Turned {
    Upright,
    UpsideDown,
}

/// The alerts of the real watch on these inputs.
fn told_in_steps(
    watch: &Watch,
    inputs: &[Input],
    turned: Turned,
) -> Vec<(Change, Instant)> {
    let mut watch = watch.clone();
    if let Turned::UpsideDown = turned {
        watch.low = watch.high.take().map(|high| -high);
    }
    let mut state = WatchState::new(minute(-1));
    let mut told = Vec::new();
    for input in inputs {
        let input = match (input, turned) {
            (Input::Reading(reading), Turned::UpsideDown) => {
                Input::Reading(Reading { value: -reading.value, ..*reading })
            }
            _ => *input,
        };
        let (next, events) = step(&watch, state, input, SILENT_AFTER);
        state = next;
        told.extend(events.iter().map(|event| (event.change, event.at)));
    }
    told.retain(|(change, _)| {
        matches!(change, Change::Raised | Change::Cleared)
    });
    told
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Random gaps, levels, clock looks and repeats: the same alerts as a
    /// model that keeps no state, at the highest and at the lowest value.
    #[test]
    fn watches_agree_with_a_model_that_judges_everything_anew(
        legs in prop::collection::vec(
            (1_i64..22, 0_u8..4, 1_usize..12, any::<bool>()), 1..25),
        mean_minutes in prop::sample::select(vec![0_u32, 4, 11]),
        for_minutes in prop::sample::select(vec![0_u32, 7, 13]),
    ) {
        let watch = Watch {
            place: Name::new("shelf").unwrap(),
            quantity: QuantityWord(Quantity::Temperature),
            rule: Rule::Range,
            low: None,
            high: Some(8.012_345),
            mean_minutes,
            for_minutes,
            margin: 0.5,
            urgent: false,
            wet_is_normal: false,
        };
        let mut inputs = Vec::new();
        let mut readings: Vec<(i64, f64)> = Vec::new();
        let mut now = 0;
        for (gap, level, count, replay) in legs {
            for i in 0..count {
                now += if i == 0 { gap } else { 1 + gap % 3 };
                let value = [5.0, 7.7, 8.4, 11.0][usize::from(level)];
                inputs.push(Input::Clock(minute(now)));
                inputs.push(Input::Reading(reading(now, value)));
                readings.push((now, value));
            }
            if replay {
                inputs.extend(readings.iter().map(|(at, value)| {
                    Input::Reading(reading(*at, *value))
                }));
            }
        }
        let expected: Vec<_> = told_anew(&watch, &readings)
            .into_iter()
            .map(|(change, at)| (change, minute(at)))
            .collect();
        for turned in [Turned::Upright, Turned::UpsideDown] {
            let told = told_in_steps(&watch, &inputs, turned);
            prop_assert_eq!(&told, &expected, "{:?}", turned);
        }
    }
}
