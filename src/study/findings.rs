//! What may be said. What must be said with it stands in `cautions`.
//!
//! Planned comparisons first and corrected for their number; the rest is
//! description without p. No sentence ranks two levels that the units behind
//! them cannot tell apart.

use crate::stats::interval::Interval;
use crate::stats::strata::{FactorTest, Level, LevelDifference, TOGETHER};
use crate::study::Study;
use crate::study::factors::{FactorStudy, PLACE, is_pair};
use crate::study::fridge::FridgeStudy;
use crate::study::wording::{self, counted, list, p_value};

/// Below this a planned comparison is called a difference.
pub const SIGNIFICANCE: f64 = 0.05;
/// Below so many place-runs, dose plots carry no line, slope or p.
pub const LEAST_PLACE_RUNS: usize = 10;

/// What kind of statement a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FindingKind {
    /// A comparison planned beforehand, with units enough for a p-value.
    Planned,
    /// A comparison planned beforehand that this trial cannot decide.
    PlannedUndecided,
    /// Description of what was not planned.
    Exploratory,
    /// A plain count.
    Count,
}

impl FindingKind {
    /// The word in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::PlannedUndecided => "planned-undecided",
            Self::Exploratory => "exploratory",
            Self::Count => "count",
        }
    }
}

/// A statement with the units behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What kind of statement.
    pub kind: FindingKind,
    /// The factor it is about; empty for plain counts.
    pub factor: String,
    /// The statement.
    pub text: String,
    /// What came up at each level; empty for plain counts.
    pub levels: String,
    /// What the statement rests on: unit and n, F, p.
    pub basis: String,
}

pub(crate) fn findings(study: &Study) -> Vec<Finding> {
    let mut findings: Vec<Finding> =
        study.factors.iter().map(|factor| about(study, factor)).collect();
    findings.extend(germinated_in_the_cold(study));
    findings.extend(
        study.fridges.iter().filter_map(|f| mould_in_a_fridge(study, f)),
    );
    findings
}

use wording::factor as spoken;

impl Study {
    /// A level as spoken: a place by what the grower calls it.
    #[must_use]
    pub fn level_words(&self, factor: &str, name: &str) -> wording::LevelWords {
        let mut words = wording::level(factor, name);
        let place = self.places.iter().find(|p| p.name.as_str() == name);
        if let Some(place) = place.filter(|_| factor == PLACE) {
            words.level.clone_from(&place.title);
        }
        words
    }
}

fn about(study: &Study, factor: &FactorStudy) -> Finding {
    let test = &factor.test;
    let levels: Vec<String> =
        test.levels.iter().map(|l| level_words(study, factor, l)).collect();
    let came_up = format!("Of every 100 seeds sown came up {}.", list(&levels));
    let name = spoken(&test.name);
    let (kind, verdict) = if !factor.planned {
        let verdict = if test.name == PLACE {
            "This describes these spots in this run."
        } else {
            "This was not planned beforehand: a hint for a next trial."
        };
        (FindingKind::Exploratory, verdict.to_owned())
    } else if let Some(p) = factor.corrected_p {
        let verdict = if is_pair(&test.name) {
            verdict_of_pair(study, factor, p)
        } else {
            verdict(study, factor, p)
        };
        (FindingKind::Planned, verdict)
    } else {
        let why = test.why_no_p.as_ref().map_or_else(
            || "there is no comparison to make".to_owned(),
            ToString::to_string,
        );
        let verdict = format!(
            "Whether {name} made the difference, this trial cannot tell: {why}."
        );
        (FindingKind::PlannedUndecided, verdict)
    };
    let compared = study.common_age_days.map_or_else(String::new, |days| {
        format!(" Compared {days:.0} days after sowing.")
    });
    Finding {
        kind,
        factor: test.name.clone(),
        text: verdict,
        levels: if levels.is_empty() { String::new() } else { came_up },
        basis: format!("{}.{compared}", basis(factor)),
    }
}

fn level_words(study: &Study, factor: &FactorStudy, level: &Level) -> String {
    let pooled = level.pooled;
    let estimate = 100.0 * level.estimate;
    let limits = level
        .interval
        .map_or_else(String::new, |i| format!(", interval {}", hundreds(i)));
    format!(
        "{estimate:.0} {} ({}/{} seeds in {}{limits})",
        study.level_words(factor.name(), &level.name).phrase(),
        pooled.k(),
        pooled.n(),
        counted(
            usize::try_from(level.n_units).unwrap_or(usize::MAX),
            &factor.test.tested_on.to_string()
        )
    )
}

/// `12 to 31` of every 100.
fn hundreds(interval: Interval) -> String {
    format!(
        "{} to {}",
        whole(100.0 * interval.lower),
        whole(100.0 * interval.upper)
    )
}

/// A whole number with a real minus sign and no negative nought.
fn whole(value: f64) -> String {
    let rounded = value.round();
    if rounded < 0.0 {
        format!("−{:.0}", -rounded)
    } else {
        format!("{:.0}", rounded.abs())
    }
}

/// What a planned comparison with a p-value says.
fn verdict(study: &Study, factor: &FactorStudy, p: f64) -> String {
    let name = spoken(factor.name());
    let say = |level: &str| study.level_words(factor.name(), level);
    let between = |pair: &LevelDifference| {
        format!("{} against {}", say(&pair.to).short(), say(&pair.from).short())
    };
    let pairs = &factor.joint_differences;
    if p >= SIGNIFICANCE {
        let widest = pairs
            .iter()
            .max_by(|a, b| a.estimate.abs().total_cmp(&b.estimate.abs()));
        let effect = widest.map_or_else(String::new, |pair| {
            format!(
                " The largest difference, {}, is {} of every 100, interval \
                 {}.",
                between(pair),
                whole(100.0 * pair.estimate.abs()),
                hundreds(rising(pair))
            )
        });
        return format!(
            "Whether {name} made a difference, this trial cannot tell.{effect}"
        );
    }
    let (mut apart, together): (Vec<&LevelDifference>, Vec<&LevelDifference>) =
        pairs.iter().partition(|pair| !pair.interval.holds(0.0));
    let mut sentences = Vec::new();
    if apart.is_empty() {
        sentences.push(format!(
            "The levels of {name} did not all do alike, but no single pair \
             can be told apart."
        ));
    }
    let claim = |pair: &LevelDifference| {
        let (high, low) = if pair.estimate >= 0.0 {
            (&pair.to, &pair.from)
        } else {
            (&pair.from, &pair.to)
        };
        let (high, low) = (say(high), say(low));
        let of = if high.is_duration() {
            format!(" of {name}")
        } else {
            String::new()
        };
        format!(
            "{} more of every 100 came up {}{of} than {}, interval {}.",
            whole(100.0 * pair.estimate.abs()),
            high.phrase(),
            low.phrase(),
            hundreds(rising(pair))
        )
    };
    apart.sort_by(|a, b| b.estimate.abs().total_cmp(&a.estimate.abs()));
    if apart.len() <= MOST_CLAIMS {
        sentences.extend(apart.iter().map(|pair| claim(pair)));
    } else {
        let (largest, others) = apart.split_first().expect("there are many");
        sentences.push(claim(largest));
        let others: Vec<String> = others
            .iter()
            .map(|pair| {
                let (a, b) = (say(&pair.from), say(&pair.to));
                format!("{} from {}", a.short(), b.short())
            })
            .collect();
        sentences.push(format!("Also told apart: {}.", list(&others)));
    }
    if !together.is_empty() && together.len() < pairs.len() {
        let pairs: Vec<String> = together
            .iter()
            .map(|pair| {
                format!(
                    "{} (difference {} of every 100, interval {})",
                    between(pair),
                    whole(100.0 * pair.estimate),
                    hundreds(pair.interval)
                )
            })
            .collect();
        sentences
            .push(format!("This trial cannot tell apart: {}.", list(&pairs)));
    }
    if factor.name() == PLACE {
        sentences.push("This is about these spots in this run.".to_owned());
    }
    sentences.join(" ")
}

/// Whether what one factor does hangs on another.
fn verdict_of_pair(study: &Study, factor: &FactorStudy, p: f64) -> String {
    let Some((one, other)) = factor.name().split_once(TOGETHER) else {
        return String::new();
    };
    let shown = differences_of_pair(study, factor, (one, other));
    let (one, other) = (spoken(one), spoken(other));
    if p >= SIGNIFICANCE {
        format!(
            "Whether what {other} does hangs on {one}, this trial cannot \
             tell.{shown}"
        )
    } else {
        format!("What {other} does hangs on {one}.{shown}")
    }
}

/// The effect of one factor at each level of the other, for two of two
/// levels.
fn differences_of_pair(
    study: &Study,
    factor: &FactorStudy,
    (one, other): (&str, &str),
) -> String {
    let cells = &factor.test.levels;
    let (Some(interaction), [a, b, c, d]) =
        (factor.test.interaction, &cells[..])
    else {
        return String::new();
    };
    let part = |level: &Level| {
        let (first, second) = level.name.split_once(TOGETHER)?;
        Some((
            study.level_words(one, first),
            study.level_words(other, second).short(),
        ))
    };
    let (Some((early, from)), Some((_, to)), Some((late, _))) =
        (part(a), part(b), part(c))
    else {
        return String::new();
    };
    let gain = |low: &Level, high: &Level| {
        whole(100.0 * (high.estimate - low.estimate))
    };
    let ratio = |log: f64| format!("{:.2}", log.exp());
    format!(
        " {to} less {from}: {} of every 100 {}, {} {}; the second odds ratio \
         is {} times the first, interval {} to {}.",
        gain(a, b),
        early.phrase(),
        gain(c, d),
        late.phrase(),
        ratio(interaction.log_odds),
        ratio(interaction.interval.lower),
        ratio(interaction.interval.upper)
    )
}

/// More pairs than this are named, not each told with its numbers.
const MOST_CLAIMS: usize = 3;

/// The difference counted from the lower level to the higher.
fn rising(pair: &LevelDifference) -> Interval {
    if pair.estimate >= 0.0 {
        return pair.interval;
    }
    Interval {
        lower: -pair.interval.upper,
        upper: -pair.interval.lower,
        confidence: pair.interval.confidence,
    }
}

fn basis(factor: &FactorStudy) -> String {
    let test = &factor.test;
    let n = usize::try_from(test.n_units).unwrap_or(usize::MAX);
    let mut parts = vec![units_words(test, n)];
    if !factor.planned {
        parts.push("not planned beforehand, so no p-value".to_owned());
        return parts.join("; ");
    }
    if let (Some(f), Some(p)) = (test.f, test.p) {
        parts.push(format!(
            "F({:.0}, {:.0}) = {f:.2}, {}",
            test.df.0,
            test.df.1,
            p_value(p)
        ));
    }
    if let Some(corrected) = factor.corrected_p {
        parts.push(format!(
            "{} after correction for the planned comparisons (Holm)",
            p_value(corrected)
        ));
    }
    parts.extend(factor.beside());
    if factor.joint_differences.len() > 1 {
        parts.push(
            "intervals of differences hold for all pairs together".to_owned(),
        );
    }
    if let Some(dispersion) = test.dispersion {
        parts.push(format!(
            "scatter between units {dispersion:.1} times that of seeds alone"
        ));
    }
    parts.join("; ")
}

fn units_words(test: &FactorTest, n: usize) -> String {
    let unit = test.tested_on.to_string();
    let applied = test.applied_to.to_string();
    if unit == applied {
        format!("Unit: {unit}, n = {n}")
    } else {
        format!(
            "Applied to each {applied}, but it never differed within a \
             {unit}: unit {unit}, n = {n}"
        )
    }
}

fn germinated_in_the_cold(study: &Study) -> Option<Finding> {
    let stays: Vec<_> =
        study.fridges.iter().flat_map(|fridge| &fridge.stays).collect();
    let early: Vec<_> =
        stays.iter().filter(|stay| stay.germinated > 0).collect();
    let (first, _, _) = early
        .iter()
        .flat_map(|stay| &stay.germinated_between)
        .min_by_key(|(since, _, _)| *since)?;
    let start = early.iter().map(|stay| stay.span.from).min()?;
    let seeds: u32 = early.iter().map(|stay| stay.germinated).sum();
    let entered: u32 = early.iter().map(|stay| stay.seeds).sum();
    let units = counted(early.len(), "unit");
    Some(Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: format!(
            "In the cold itself {seeds} of {entered} seeds germinated, in \
             {units} of {}; the first after day {:.0} of chilling at the \
             earliest. They count as germinated of the seeds that entered \
             the batch, not of those sown.",
            stays.len(),
            first.days_since(start).max(0.0)
        ),
        levels: String::new(),
        basis: "Plain counts from looks into the fridge.".to_owned(),
    })
}

fn mould_in_a_fridge(study: &Study, fridge: &FridgeStudy) -> Option<Finding> {
    let (judged, mouldy) = (fridge.judged().count(), fridge.n_mouldy());
    let name = if study.fridges.len() == 1 {
        "the fridge"
    } else {
        fridge.title.as_str()
    };
    if judged == 0 {
        return None;
    }
    let days = |hours: Option<f64>| {
        hours.map_or_else(|| "–".to_owned(), |h| format!("{:.0}", h / 24.0))
    };
    let (with, without) = fridge.median_hours_at_risk;
    let rival = if mouldy == 0 || mouldy == judged {
        String::new()
    } else {
        format!(
            " Length of stay is the rival explanation: until the sighting a \
             median of {} days where there was mould, {} days where there was \
             none.",
            days(with),
            days(without)
        )
    };
    Some(Finding {
        kind: FindingKind::Count,
        factor: String::new(),
        text: format!(
            "Mould was seen in {mouldy} of {judged} moist stays in \
             {name}.{rival}"
        ),
        levels: String::new(),
        basis: "Plain counts; one fridge in one run gives no chance of mould \
                and no cause."
            .to_owned(),
    })
}
