//! What may be said. What must be said with it stands in `cautions`.
//!
//! Planned comparisons first and corrected for their number; the rest is
//! description without p. No sentence ranks two levels that the units behind
//! them cannot tell apart.

mod cold;

use crate::stats::interval::Interval;
use crate::stats::strata::{
    FactorTest, Level, LevelDifference, TOGETHER, WhyNoP,
};
use crate::study::Study;
use crate::study::factors::{FactorStudy, PLACE, is_pair};
use crate::study::pairs::Together;
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
    findings.extend(cold::germinated(study));
    findings.extend(study.fridges.iter().filter_map(|f| cold::mould(study, f)));
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
    let levels: Vec<String> = test
        .levels
        .iter()
        .enumerate()
        .map(|(i, level)| {
            let came_up = if i == 0 { " came up" } else { "" };
            level_words(study, factor, level, came_up)
        })
        .collect();
    let came_up = format!("Of every 100 seeds sown, {}.", list(&levels));
    let name = spoken(&test.name);
    let (kind, verdict) = if !factor.planned {
        (FindingKind::Exploratory, exploratory(study, factor))
    } else if let Some(p) = factor.corrected_p {
        let verdict = if is_pair(&test.name) {
            verdict_of_pair(study, factor, p)
        } else {
            verdict(study, factor, p)
        };
        (FindingKind::Planned, verdict)
    } else {
        (FindingKind::PlannedUndecided, undecided(study, factor, &name))
    };
    let compared = study.common_age_days.map_or_else(String::new, |days| {
        format!(" Compared {days:.0} days after sowing.")
    });
    Finding {
        kind,
        factor: test.name.clone(),
        text: verdict,
        levels: if levels.is_empty() { String::new() } else { came_up },
        basis: format!("{}.{compared}", basis(study, factor)),
    }
}

/// All seeds of all levels did the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum AllAlike {
    /// Nothing germinated.
    None,
    /// Everything did.
    Every,
}

impl AllAlike {
    /// Whether nothing or everything germinated at every level.
    pub(crate) fn of(factor: &FactorStudy) -> Option<Self> {
        let levels = &factor.test.levels;
        let all = |share: f64| {
            levels.iter().all(|l| (l.pooled.fraction() - share).abs() < 1e-12)
        };
        match levels.is_empty() {
            false if all(0.0) => Some(Self::None),
            false if all(1.0) => Some(Self::Every),
            _ => None,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::None => {
                "Nothing germinated in any container, so there is nothing to \
                 compare."
            }
            Self::Every => {
                "Every seed sown germinated, so there is no difference to \
                 tell."
            }
        }
    }
}

/// What may be said of a factor that nobody planned to compare.
fn exploratory(study: &Study, factor: &FactorStudy) -> String {
    let name = spoken(factor.name());
    if let Some(alike) = AllAlike::of(factor) {
        return alike.words().to_owned();
    }
    if factor.test.levels.len() < 2 {
        return "No other level was left, so there is nothing to compare."
            .to_owned();
    }
    let with = bound_to(study, &name);
    if !with.is_empty() {
        return format!(
            "It always changed together with {}, so this may as well be what \
             that did.",
            list(&with)
        );
    }
    if factor.name() == PLACE {
        return "This describes these spots in this run.".to_owned();
    }
    "This was not planned beforehand: a hint for a next trial.".to_owned()
}

/// Factors that never changed without this one, as spoken.
pub(crate) fn bound_to(study: &Study, name: &str) -> Vec<String> {
    study
        .pairs
        .iter()
        .filter(|pair| pair.together == Together::Bound)
        .filter_map(|pair| match (pair.a == name, pair.b == name) {
            (true, _) => Some(pair.b.clone()),
            (_, true) => Some(pair.a.clone()),
            _ => None,
        })
        .collect()
}

/// Why there is no p, in words.
fn undecided(study: &Study, factor: &FactorStudy, name: &str) -> String {
    if let Some(alike) = AllAlike::of(factor) {
        return alike.words().to_owned();
    }
    let with = bound_to(study, name);
    let why = match &factor.test.why_no_p {
        Some(WhyNoP::Inseparable) if !with.is_empty() => format!(
            "it always changed together with {} and cannot be told apart \
             from it",
            list(&with)
        ),
        Some(WhyNoP::Inseparable) => "no units are left that differ in it \
                                      alone: with so few of them, all other \
                                      factors together leave nothing to \
                                      compare"
            .to_owned(),
        Some(why) => why.to_string(),
        None => "there is no comparison to make".to_owned(),
    };
    format!("Whether {name} made a difference, this trial cannot tell: {why}.")
}

fn level_words(
    study: &Study,
    factor: &FactorStudy,
    level: &Level,
    came_up: &str,
) -> String {
    let pooled = level.pooled;
    let estimate = 100.0 * level.estimate;
    let limits = level
        .interval
        .map_or_else(String::new, |i| format!(", interval {}", hundreds(i)));
    format!(
        "{estimate:.0}{came_up} {} ({}/{} seeds in {}{limits})",
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
    wording::between(100.0 * interval.lower, 100.0 * interval.upper, 0)
}

fn whole(value: f64) -> String {
    wording::signed(value, 0)
}

/// What a planned comparison with a p-value says.
fn verdict(study: &Study, factor: &FactorStudy, p: f64) -> String {
    let words = Words { study, factor };
    let name = spoken(factor.name());
    let pairs = &factor.joint_differences;
    if p >= SIGNIFICANCE {
        let widest = pairs
            .iter()
            .max_by(|a, b| a.estimate.abs().total_cmp(&b.estimate.abs()));
        let effect = widest.map_or_else(String::new, |pair| {
            format!(" The largest difference seen: {}.", words.open(pair))
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
    apart.sort_by(|a, b| b.estimate.abs().total_cmp(&a.estimate.abs()));
    let steps = words.steps();
    let step = |pair: &&LevelDifference| steps.contains(pair);
    let by_steps = apart.iter().any(step);
    let mut open: Vec<&LevelDifference> = together;
    if by_steps {
        // How long is long enough is answered from one length to the next.
        sentences.extend(
            steps
                .iter()
                .filter(|pair| apart.contains(pair))
                .map(|pair| words.claim(pair)),
        );
        open.retain(step);
    } else if apart.len() <= MOST_CLAIMS {
        sentences.extend(apart.iter().map(|pair| words.claim(pair)));
    } else if let Some((largest, others)) = apart.split_first() {
        sentences.push(words.claim(largest));
        let others: Vec<String> =
            others.iter().map(|pair| words.between(pair)).collect();
        sentences.push(format!("Also told apart: {}.", list(&others)));
    }
    if !open.is_empty() && !apart.is_empty() {
        let pairs: Vec<String> =
            open.iter().map(|pair| words.open(pair)).collect();
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

/// The words of one factor's pairs.
struct Words<'a> {
    study: &'a Study,
    factor: &'a FactorStudy,
}

impl<'a> Words<'a> {
    fn say(&self, level: &str) -> wording::LevelWords {
        self.study.level_words(self.factor.name(), level)
    }

    /// From each length of time to the next; empty for other factors.
    fn steps(&self) -> Vec<&'a LevelDifference> {
        let mut levels: Vec<(f64, &str)> = Vec::new();
        for level in &self.factor.test.levels {
            let number = level.name.trim().parse::<f64>();
            let (true, Ok(number)) =
                (self.say(&level.name).is_duration(), number)
            else {
                return Vec::new();
            };
            levels.push((number, &level.name));
        }
        levels.sort_by(|a, b| a.0.total_cmp(&b.0));
        levels
            .windows(2)
            .filter_map(|two| {
                let ends = (two[0].1, two[1].1);
                self.factor.joint_differences.iter().find(|pair| {
                    let own = (pair.from.as_str(), pair.to.as_str());
                    own == ends || (own.1, own.0) == ends
                })
            })
            .collect()
    }

    /// The level of which more came up, and the other.
    fn by_share(
        &self,
        pair: &LevelDifference,
    ) -> (wording::LevelWords, wording::LevelWords) {
        if pair.estimate >= 0.0 {
            (self.say(&pair.to), self.say(&pair.from))
        } else {
            (self.say(&pair.from), self.say(&pair.to))
        }
    }

    /// `12 weeks from 0 weeks`.
    fn between(&self, pair: &LevelDifference) -> String {
        let (high, low) = self.by_share(pair);
        format!("{} from {}", high.short(), low.short())
    }

    /// `4 batches each`, `13 and 11 batches`.
    fn units_behind(&self, one: &str, other: &str) -> String {
        let test = &self.factor.test;
        let n = |name: &str| {
            let level = test.levels.iter().find(|level| level.name == name);
            level.map_or(0, |level| level.n_units)
        };
        let (one, other) = (n(one), n(other));
        let unit = test.tested_on.to_string();
        let words =
            counted(usize::try_from(other).unwrap_or(usize::MAX), &unit);
        if one == other {
            format!("{words} each")
        } else {
            format!("{one} and {words}")
        }
    }

    /// A pair that is told apart.
    fn claim(&self, pair: &LevelDifference) -> String {
        let (high, low) = self.by_share(pair);
        let of = if high.is_duration() {
            format!(" of {}", spoken(self.factor.name()))
        } else {
            String::new()
        };
        format!(
            "{} more of every 100 came up {}{of} than {}, interval {} ({}).",
            whole(100.0 * pair.estimate.abs()),
            high.phrase(),
            low.phrase(),
            hundreds(rising(pair)),
            self.behind(pair)
        )
    }

    /// A pair that is not: no direction is claimed, only numbers given.
    fn open(&self, pair: &LevelDifference) -> String {
        let (high, low) = self.by_share(pair);
        format!(
            "{} against {} ({} of every 100, interval {}, {})",
            high.short(),
            low.short(),
            whole(100.0 * pair.estimate.abs()),
            hundreds(rising(pair)),
            self.behind(pair)
        )
    }

    /// The units behind a pair, those of the level that did more first.
    fn behind(&self, pair: &LevelDifference) -> String {
        if pair.estimate >= 0.0 {
            self.units_behind(&pair.to, &pair.from)
        } else {
            self.units_behind(&pair.from, &pair.to)
        }
    }
}

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

fn basis(study: &Study, factor: &FactorStudy) -> String {
    let test = &factor.test;
    let stated: u32 = test.levels.iter().map(|level| level.n_units).sum();
    let n = usize::try_from(stated.max(test.n_units)).unwrap_or(usize::MAX);
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
        let tested =
            study.factors.iter().filter(|f| f.corrected_p.is_some()).count();
        parts.push(if tested > 1 {
            format!(
                "{} after correction for the {tested} planned comparisons \
                 with a p (Holm)",
                p_value(corrected)
            )
        } else {
            "no other planned comparison has a p, so nothing to correct for"
                .to_owned()
        });
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
    let evened = test.levels.iter().any(|level| {
        let shown = |share: f64| format!("{:.0}", 100.0 * share);
        shown(level.estimate) != shown(level.pooled.fraction())
    });
    if evened {
        parts.push(
            "shares are evened out over the other factors, so that they can \
             differ from the plain counts"
                .to_owned(),
        );
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
