//! `prediction` of `results.json`: what is still to come while a trial runs.

use serde::{Deserialize, Serialize};

use crate::report::results::fill::{sure, tidy};
use crate::study::prediction::{Ahead, ContainerAhead, Prediction};
use crate::units::Instant;

/// What is still to come, by the model so far and under the conditions of
/// the past week.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PredictionResult {
    /// What the model counts in: `degree-hours` (hazard that follows the
    /// warmth) or `days` (split population; a log is missing).
    pub clock: String,
    /// Containers it was fitted on.
    pub fitted_containers: usize,
    /// The factor whose levels have curves of their own.
    pub by: Option<String>,
    /// Why nothing is predicted of any container; null when something is.
    pub why_none: Option<String>,
    /// Every container that runs.
    pub containers: Vec<ContainerAheadResult>,
}

/// What is still to come in one container.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ContainerAheadResult {
    /// The container.
    pub id: String,
    /// Seeds left in it at the last look.
    pub left: u32,
    /// The last look.
    pub looked: Instant,
    /// More germinated seeds than at the last look, step by step; empty
    /// where nothing is said.
    pub steps: Vec<StepAheadResult>,
    /// When what the last step expects will have come; null likewise.
    pub when: Option<WhenAheadResult>,
    /// Why nothing is said.
    pub why_none: Option<String>,
}

/// What is to come by a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepAheadResult {
    /// Days from the end of what is told.
    pub days: u32,
    /// That moment.
    pub by: Instant,
    /// Seeds expected.
    pub expected: f64,
    /// 95 %: not fewer than this …
    pub low: u32,
    /// … and not more than this; scatter of containers included.
    pub high: u32,
}

/// When it comes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WhenAheadResult {
    /// A tenth of what the last step expects will have come.
    pub tenth: Instant,
    /// Half of it.
    pub half: Instant,
    /// Nine tenths of it.
    pub nine_tenths: Instant,
}

pub(super) fn prediction(found: &Prediction) -> PredictionResult {
    PredictionResult {
        clock: found.clock.word().to_owned(),
        fitted_containers: found.fitted,
        by: found.factor.clone(),
        why_none: found.refused().map(ToString::to_string),
        containers: found.containers.iter().map(container).collect(),
    }
}

fn container(found: &ContainerAhead) -> ContainerAheadResult {
    let ahead = found.outcome.as_ref();
    ContainerAheadResult {
        id: found.name.to_string(),
        left: found.left,
        looked: found.looked,
        steps: ahead.map_or_else(|_| Vec::new(), steps),
        when: ahead.ok().map(|ahead| {
            let [tenth, half, nine_tenths] = ahead.when;
            WhenAheadResult { tenth, half, nine_tenths }
        }),
        why_none: ahead.err().map(ToString::to_string),
    }
}

fn steps(ahead: &Ahead) -> Vec<StepAheadResult> {
    ahead
        .steps
        .iter()
        .map(|step| StepAheadResult {
            days: step.days,
            by: step.by,
            expected: tidy(step.count.mean).map_or(0.0, sure),
            low: step.count.low,
            high: step.count.high,
        })
        .collect()
}
