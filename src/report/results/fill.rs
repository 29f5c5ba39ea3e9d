//! From the study to the structs of `results.json`.

use crate::climate::integrate;
use crate::climate::light::{LightSource, moles_per_square_metre};
use crate::observation::{Name, Quantity};
use crate::report::Scene;
use crate::report::dose::{Told, standing_word, told};
use crate::report::levels::ordered;
use crate::report::results::{
    CautionResult, ClosureResult, ContainerResult, Count, Coverage, Days, Dose,
    Doses, FORMAT, FactorLevel, FactorResult, Filled, FindingResult,
    FridgeLimit, FridgeResult, FridgeStayResult, Hole, InteractionResult,
    Interval, MouldResult, NeedsResult, NextResult, PairDifference,
    PlaceResult, Quality, QuantityResult, Results, Speaker, StayResult, T50,
    ThermalGroupResult, ThermalModel, ThermalTime, TimingLevel, TimingResult,
    TrialResult, UnitResult, Warmth,
};
use crate::stats;
use crate::stats::thermal_time::Base;
use crate::stats::turnbull::TimeToShare;
use crate::study::UnitStudy;
use crate::study::factors::{FactorStudy, level};
use crate::study::fridge::{FridgeStay, FridgeStudy};
use crate::study::next::Next;
use crate::study::outcome::{Outcome, Sighting};
use crate::study::place::{BASES, PlaceStudy, QuantityStudy};
use crate::study::thermal::{
    self, STATED_BASE_CELSIUS, ThermalGroup, ThermalStudy,
};
use crate::trial::entry::{PlaceKind, Severity, word_of};
use crate::trial::house::Voice;

/// Every number of a report.
#[must_use]
pub fn of(scene: Scene<'_>) -> Results {
    let study = scene.study;
    Results {
        format: FORMAT.to_owned(),
        trial: trial(scene),
        data_quality: quality(scene),
        places: study.places.iter().map(place).collect(),
        units: study.units.iter().map(|u| unit(scene, u)).collect(),
        containers: study.containers().map(|u| container(scene, u)).collect(),
        factors: study.factors.iter().map(factor).collect(),
        timing: timing(scene),
        speed: study.speed.iter().map(super::apart::speed).collect(),
        pairs: study.pairs.iter().map(super::apart::pair).collect(),
        thermal_time: thermal_time(&study.thermal_time),
        prediction: study.prediction.as_ref().map(super::ahead::prediction),
        fridge: study.fridges.iter().map(|f| fridge(scene, f)).collect(),
        findings: study
            .findings
            .iter()
            .map(|finding| FindingResult {
                kind: finding.kind.word().to_owned(),
                factor: some_text(&finding.factor),
                text: finding.text.clone(),
                levels: some_text(&finding.levels),
                basis: finding.basis.clone(),
            })
            .collect(),
        cautions: study
            .cautions
            .iter()
            .map(|caution| CautionResult {
                id: caution.id.to_owned(),
                text: caution.text.clone(),
            })
            .collect(),
        next: study.next.iter().map(next).collect(),
    }
}

fn next(found: &Next) -> NextResult {
    NextResult {
        id: found.id.to_owned(),
        factor: some_text(&found.factor),
        text: found.text.clone(),
        needs: found.needs.map(|needs| NeedsResult {
            unit: needs.unit.to_string(),
            levels: needs.levels,
            units_each: needs.units_each,
            seeds_each: needs.seeds_each,
            seeds: needs.seeds(),
            difference: sure(needs.difference),
            power: sure(needs.power),
            exact_power: needs.exact_power.and_then(tidy),
            dispersion: sure(needs.dispersion),
            scatter_seen: needs.scatter_seen.and_then(tidy),
        }),
    }
}

fn thermal_time(study: &ThermalStudy) -> ThermalTime {
    let groups = std::iter::once(&study.all).chain(&study.groups);
    ThermalTime {
        base_celsius: STATED_BASE_CELSIUS,
        groups: groups.map(thermal_group).collect(),
    }
}

fn thermal_group(group: &ThermalGroup) -> ThermalGroupResult {
    let found = group.outcome.as_ref();
    ThermalGroupResult {
        level: some_text(&group.level),
        containers: group.containers.len(),
        left_out: group.left_out.len(),
        model: found.ok().map(thermal_model),
        why_none: found.err().map(ToString::to_string),
    }
}

fn thermal_model(found: &thermal::ThermalTime) -> ThermalModel {
    let limits = found.limits.as_ref().ok();
    let (base_told_celsius, base_interval) = match &found.base {
        Base::Told { estimate, interval: told } => {
            (tidy(*estimate), interval(*told))
        }
        Base::CannotTell { .. } => (None, None),
    };
    ThermalModel {
        g_max: sure(found.fitted.g_max),
        g_max_interval: limits.and_then(|l| interval(l.g_max)),
        theta50_degree_hours: sure(found.fitted.theta50),
        theta50_interval: limits.and_then(|l| interval(l.theta50)),
        sigma: sure(found.fitted.sigma),
        sigma_interval: limits.and_then(|l| interval(l.sigma)),
        dispersion: tidy(found.dispersion),
        base_told_celsius,
        base_interval,
    }
}

fn some_text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

/// Digits that are kept: what lies beyond differs between computers.
const DIGITS: usize = 10;

/// A number as written: to ten digits, and nothing where it is no number.
pub(crate) fn tidy(value: f64) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    format!("{value:.digits$e}", digits = DIGITS - 1).parse().ok()
}

/// A number that is finite by its making.
pub(super) fn sure(value: f64) -> f64 {
    tidy(value).unwrap_or_default()
}

fn trial(scene: Scene<'_>) -> TrialResult {
    let study = scene.study;
    let from_outside = |u: &&UnitStudy| {
        let unit = scene.trial.units.get(&u.outcome.name);
        unit.is_some_and(|unit| unit.source.is_none())
    };
    TrialResult {
        id: study.trial.to_string(),
        question: study.question.clone(),
        started: study.started,
        until: study.until,
        planned: scene.trial.planned.clone(),
        common_age_days: study.common_age_days.and_then(tidy),
        lots: scene.trial.lots.len(),
        batches: study.batches().count(),
        containers: study.containers().count(),
        seeds_prepared: study
            .batches()
            .filter(from_outside)
            .map(|unit| unit.outcome.entered)
            .sum(),
        seeds_sown: study.containers().map(|u| u.outcome.entered).sum(),
        looks: study.units.iter().map(|u| u.outcome.looks).sum(),
    }
}

fn quality(scene: Scene<'_>) -> Quality {
    let quality = &scene.study.data_quality;
    Quality {
        readings_used: quality.readings_used,
        readings_left_out: quality
            .left_out
            .iter()
            .map(|(mark, n)| ((*mark).to_owned(), *n))
            .collect(),
        readings_excluded: quality.excluded,
        readings_corrected: quality.corrected,
        coverage: quality
            .covered
            .iter()
            .map(|covered| Coverage {
                place: covered.place.to_string(),
                quantity: covered.quantity.word().to_owned(),
                coverage: sure(covered.coverage),
                holes: covered.holes,
                missing_hours: sure(covered.missing_hours),
            })
            .collect(),
        entries_left_out: scene.problems.to_vec(),
    }
}

fn speakers(voices: &[Voice]) -> Vec<Speaker> {
    let mut speakers: Vec<Speaker> = voices
        .iter()
        .map(|voice| Speaker {
            series: voice.series.to_string(),
            standing: standing_word(voice.standing).to_owned(),
        })
        .collect();
    speakers.dedup();
    speakers
}

fn place(place: &PlaceStudy) -> PlaceResult {
    let voices = |quantity: Quantity| {
        place
            .quantities
            .get(&quantity)
            .map(|known| speakers(&known.voices))
            .unwrap_or_default()
    };
    let photons = photons(place);
    PlaceResult {
        id: place.name.to_string(),
        title: place.title.clone(),
        kind: word_of(&PlaceKind::WORDS, &place.kind).to_owned(),
        light_source: some_text(&place.light_source),
        from: place.span.from,
        until: place.span.to,
        hours: sure(place.span.hours()),
        units: place.units.iter().map(Name::to_string).collect(),
        quantities: place
            .quantities
            .iter()
            .map(|(quantity, known)| {
                let result = quantity_result(*quantity, known, place);
                (quantity.word().to_owned(), result)
            })
            .collect(),
        warmth: BASES
            .iter()
            .zip(&place.warmth)
            .map(|(base, sum)| Warmth {
                base_celsius: *base,
                dose: plain_dose(sum, "°C·h", voices(Quantity::Temperature)),
            })
            .collect(),
        light: plain_dose(&place.light, "lx·h", voices(Quantity::Light)),
        photons_mol_m2: photons.map(|[low, high]| [sure(low), sure(high)]),
        daily_light_integral_mol_m2: daily_light_integral(place)
            .map(|[low, high]| [sure(low), sure(high)]),
    }
}

/// Photons over the whole time, mol m⁻²; only with a named source of light.
pub(crate) fn photons(place: &PlaceStudy) -> Option<[f64; 2]> {
    let source = named_source(place)?;
    (place.light.covered_hours > 0.0).then_some(())?;
    let sum = place.light.filled.map_or(place.light.covered_sum, |f| f.value);
    let range = moles_per_square_metre(sum, source);
    Some([range.low, range.high])
}

/// Photons a day, mol m⁻² d⁻¹, from the mean of the wholly covered days.
pub(crate) fn daily_light_integral(place: &PlaceStudy) -> Option<[f64; 2]> {
    let source = named_source(place)?;
    let known = place.quantities.get(&Quantity::Light)?;
    let sums: Vec<f64> = known
        .days
        .iter()
        .filter(|day| day.span.hours() > 22.5)
        .filter(|day| day.covered_hours > 0.98 * day.span.hours())
        .map(|day| day.sum)
        .collect();
    let n = f64::from(u32::try_from(sums.len()).ok().filter(|n| *n > 0)?);
    let range = moles_per_square_metre(sums.iter().sum::<f64>() / n, source);
    Some([range.low, range.high])
}

fn named_source(place: &PlaceStudy) -> Option<LightSource> {
    LightSource::from_word(&place.light_source)
        .filter(|source| *source != LightSource::Unknown)
}

fn quantity_result(
    quantity: Quantity,
    known: &QuantityStudy,
    place: &PlaceStudy,
) -> QuantityResult {
    let missing = place.span.hours() - known.covered_hours;
    QuantityResult {
        unit: quantity.unit().to_owned(),
        series: speakers(&known.voices),
        covered_hours: sure(known.covered_hours),
        missing_hours: sure(missing.max(0.0)),
        mean: known.mean.and_then(tidy),
        low: known.low.and_then(tidy),
        high: known.high.and_then(tidy),
        holes: known
            .holes
            .iter()
            .map(|hole| Hole { from: hole.from, until: hole.to })
            .collect(),
        day: known.day_and_night.day.map(super::apart::spread),
        night: known.day_and_night.night.map(super::apart::spread),
        outside: known.outside.map(super::apart::outside),
    }
}

fn filled(filled: integrate::Filled) -> Option<Filled> {
    Some(Filled {
        value: tidy(filled.value)?,
        low: tidy(filled.low)?,
        high: tidy(filled.high)?,
    })
}

fn plain_dose(
    dose: &integrate::Dose,
    unit: &str,
    series: Vec<Speaker>,
) -> Dose {
    let known = dose.covered_hours > 0.0;
    let fit_for = match dose.comparable() {
        _ if !known => "unknown",
        integrate::Comparable::Value(_) => "comparable",
        integrate::Comparable::TooLittleData => "too-little-data",
        integrate::Comparable::CannotFill => "cannot-fill",
    };
    Dose {
        value: tidy(dose.covered_sum).filter(|_| known),
        filled: dose.filled.filter(|_| known).and_then(filled),
        unit: unit.to_owned(),
        covered_hours: sure(dose.covered_hours),
        missing_hours: sure(dose.missing_hours),
        at_least: dose.at_least,
        fit_for: fit_for.to_owned(),
        series,
    }
}

fn doses(all: &[Told]) -> Doses {
    let dose = |told: &Told| Dose {
        value: told.value.and_then(tidy),
        filled: told.filled.and_then(filled),
        unit: told.unit.to_owned(),
        covered_hours: sure(told.covered_hours),
        missing_hours: sure(told.missing_hours),
        at_least: told.at_least,
        fit_for: told.fit_for.word().to_owned(),
        series: told
            .series
            .iter()
            .map(|(series, standing)| Speaker {
                series: series.to_string(),
                standing: standing_word(*standing).to_owned(),
            })
            .collect(),
    };
    all.iter().map(|told| (told.name.to_owned(), dose(told))).collect()
}

fn unit(scene: Scene<'_>, unit: &UnitStudy) -> UnitResult {
    let outcome = &unit.outcome;
    let entry =
        scene.trial.units.get(&outcome.name).map_or(0, |unit| unit.entry.0);
    UnitResult {
        id: outcome.name.to_string(),
        kind: if outcome.is_container { "container" } else { "batch" }
            .to_owned(),
        entry,
        label: outcome.label.map(|label| label.to_string()),
        lot: outcome.lot.as_ref().map(Name::to_string),
        batch: outcome.batch.as_ref().map(Name::to_string),
        levels: outcome
            .levels
            .iter()
            .map(|(factor, (level, _))| (factor.clone(), level.clone()))
            .collect(),
        begun: outcome.begun,
        stays: outcome
            .stretches
            .iter()
            .map(|stretch| StayResult {
                place: stretch.place.to_string(),
                from: stretch.from,
                until: stretch.to,
                moist: stretch.moist,
            })
            .collect(),
        stated_cold_hours: sure(unit.doses.stated_cold_hours),
        seeds: outcome.entered,
        germinated: outcome.germinated,
        removed_mould: outcome.removed_mould,
        removed_other: outcome.removed_other,
        transferred: outcome.transferred,
        left: outcome.left,
        closure: outcome.closure.as_ref().map(|closure| ClosureResult {
            viable: closure.viable,
            empty: closure.empty,
            dead: closure.dead,
            mouldy: closure.mouldy,
            lost: closure.lost,
        }),
        looks: outcome.looks,
        mould: outcome.mould.map(mould),
        doses: doses(&told(scene, unit)),
    }
}

fn mould(seen: Sighting) -> MouldResult {
    MouldResult {
        clean_until: seen.clean_until,
        seen: seen.seen,
        worst: word_of(&Severity::WORDS, &seen.worst).to_owned(),
    }
}

fn interval(interval: stats::interval::Interval) -> Option<Interval> {
    Some(Interval {
        lower: tidy(interval.lower)?,
        upper: tidy(interval.upper)?,
        confidence: sure(interval.confidence.level()),
    })
}

fn container(scene: Scene<'_>, unit: &UnitStudy) -> ContainerResult {
    let outcome = &unit.outcome;
    ContainerResult {
        id: outcome.name.to_string(),
        place: outcome.main_place().map(Name::to_string),
        seeds: outcome.entered,
        germinated: outcome.germinated_at_common_age,
        germinated_in_all: outcome.germinated,
        follow_up_days: sure(outcome.follow_up_days),
        fraction: outcome.fraction.and_then(tidy),
        interval: outcome.interval.and_then(interval),
        t50_days: t50(outcome),
        mean_time_days: outcome
            .timing
            .as_ref()
            .and_then(|timing| tidy(timing.mean_days)),
        germinated_while_moving: outcome
            .steps
            .iter()
            .filter(|step| step.straddles_a_move)
            .map(|step| step.germinated)
            .sum(),
        doses: doses(&told(scene, unit)),
    }
}

/// The interval, when the share was reached.
pub(crate) fn within(time: Option<TimeToShare>) -> Option<Days> {
    match time? {
        TimeToShare::Within { left, right } => {
            Some(Days { after: tidy(left)?, by: tidy(right)? })
        }
        TimeToShare::NotReached { .. } => None,
    }
}

fn t50(outcome: &Outcome) -> T50 {
    let reached = match outcome.t50_entered {
        Some(TimeToShare::NotReached { reached }) => tidy(reached),
        Some(TimeToShare::Within { .. }) => None,
        None => outcome.fraction.and_then(tidy),
    };
    T50 {
        of_sown: within(outcome.t50_entered),
        of_germinated: within(outcome.t50_germinated),
        reached,
    }
}

fn factor(study: &FactorStudy) -> FactorResult {
    let test = &study.test;
    let planned = study.planned;
    FactorResult {
        name: test.name.clone(),
        planned,
        applied_to: test.applied_to.to_string(),
        tested_on: test.tested_on.to_string(),
        n_units: test.n_units,
        dispersion: test.dispersion.and_then(tidy),
        f: test.f.filter(|_| planned).and_then(tidy),
        df: [sure(test.df.0), sure(test.df.1)],
        p: test.p.filter(|_| planned).and_then(tidy),
        p_holm: study.corrected_p.and_then(tidy),
        why_no_p: match (&test.why_no_p, planned) {
            (_, false) => Some("it was not planned beforehand".to_owned()),
            (why, true) => why.as_ref().map(ToString::to_string),
        },
        separated: test.separated,
        levels: test
            .levels
            .iter()
            .map(|level| FactorLevel {
                level: level.name.clone(),
                n_units: level.n_units,
                pooled: Count {
                    germinated: level.pooled.k(),
                    seeds: level.pooled.n(),
                },
                estimate: sure(level.estimate),
                interval: level.interval.and_then(interval),
            })
            .collect(),
        differences: study
            .joint_differences
            .iter()
            .filter_map(|pair| {
                Some(PairDifference {
                    from: pair.from.clone(),
                    to: pair.to.clone(),
                    estimate: tidy(pair.estimate)?,
                    interval: interval(pair.interval)?,
                })
            })
            .collect(),
        interaction: test.interaction.and_then(|found| {
            Some(InteractionResult {
                log_odds: tidy(found.log_odds)?,
                standard_error: tidy(found.standard_error)?,
                interval: interval(found.interval)?,
            })
        }),
        left_out: study.left_out.iter().map(Name::to_string).collect(),
    }
}

fn timing(scene: Scene<'_>) -> TimingResult {
    let study = scene.study;
    let mut between: Vec<f64> = study
        .containers()
        .flat_map(|unit| &unit.outcome.steps)
        .map(|step| step.at.days_since(step.since))
        .filter(|days| *days > 0.0)
        .collect();
    between.sort_by(f64::total_cmp);
    let levels = study
        .factors
        .iter()
        .flat_map(|factor| {
            ordered(study, factor.name())
                .into_iter()
                .map(|level| timing_level(scene, factor.name(), level.name))
        })
        .collect();
    TimingResult {
        days_between_looks: between
            .get(between.len() / 2)
            .copied()
            .and_then(tidy),
        levels,
    }
}

fn timing_level(scene: Scene<'_>, factor: &str, name: String) -> TimingLevel {
    let units: Vec<&UnitStudy> = scene
        .study
        .containers()
        .filter(|unit| level(unit, factor).as_ref() == Some(&name))
        .collect();
    let firsts: Vec<Days> = units
        .iter()
        .filter_map(|unit| {
            let first = unit.outcome.timing.as_ref()?.first;
            Some(Days {
                after: tidy(first.left_days)?,
                by: tidy(first.right_days)?,
            })
        })
        .collect();
    let halves: Vec<Days> = units
        .iter()
        .filter_map(|unit| within(unit.outcome.t50_germinated))
        .collect();
    let earliest = |all: &[Days]| {
        let by = |a: &&Days, b: &&Days| a.by.total_cmp(&b.by);
        all.iter().min_by(by).copied()
    };
    TimingLevel {
        factor: factor.to_owned(),
        level: name,
        containers: units.len(),
        with_germination: firsts.len(),
        first: earliest(&firsts),
        t50_of_germinated: halves
            .iter()
            .map(|half| half.after)
            .min_by(f64::total_cmp)
            .zip(halves.iter().map(|half| half.by).max_by(f64::total_cmp))
            .map(|(after, by)| Days { after, by }),
    }
}

fn fridge(scene: Scene<'_>, fridge: &FridgeStudy) -> FridgeResult {
    let logged = scene.study.places.iter().any(|place| {
        place.name == fridge.place
            && place
                .quantities
                .get(&Quantity::Temperature)
                .is_some_and(QuantityStudy::is_known)
    });
    let (with, without) = fridge.median_hours_at_risk;
    FridgeResult {
        place: fridge.place.to_string(),
        wanted_celsius: [sure(fridge.wanted.0), sure(fridge.wanted.1)],
        wanted_is_stated: fridge.wanted_is_stated,
        hours_below: tidy(fridge.outside.0.covered_sum).filter(|_| logged),
        hours_above: tidy(fridge.outside.1.covered_sum).filter(|_| logged),
        door_opened: logged
            .then(|| fridge.doors.iter().map(|door| door.opened).collect()),
        stays_judged: fridge.judged().count(),
        stays_mouldy: fridge.n_mouldy(),
        hours_at_risk_mouldy: with.and_then(tidy),
        hours_at_risk_clean: without.and_then(tidy),
        limits: fridge
            .limits
            .iter()
            .map(|line| FridgeLimit {
                limit_percent: sure(line.limit_percent),
                hours_mouldy: line.median_hours.0.and_then(tidy),
                hours_clean: line.median_hours.1.and_then(tidy),
                share_mouldy: line.median_share.0.and_then(tidy),
                share_clean: line.median_share.1.and_then(tidy),
            })
            .collect(),
        stays: fridge.stays.iter().map(fridge_stay).collect(),
    }
}

fn fridge_stay(stay: &FridgeStay) -> FridgeStayResult {
    let known = |dose: &integrate::Dose| {
        tidy(dose.covered_sum).filter(|_| dose.covered_hours > 0.0)
    };
    FridgeStayResult {
        unit: stay.unit.to_string(),
        from: stay.span.from,
        until: stay.span.to,
        moist: stay.moist,
        seeds: stay.seeds,
        germinated: stay.germinated,
        looks: stay.looks,
        mean_celsius: stay.mean_celsius.and_then(tidy),
        mean_humidity_percent: stay.mean_humidity.and_then(tidy),
        chill_hours: known(&stay.chill_hours).filter(|_| stay.moist),
        damp_hours: stay.damp_hours.iter().map(|(_, d)| known(d)).collect(),
        hours_at_risk: sure(stay.hours_at_risk),
        mould: stay.mould.map(mould),
    }
}
