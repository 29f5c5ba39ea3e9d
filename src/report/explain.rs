//! Where a number comes from: which readings, which entries, which rule.
//!
//! It computes nothing anew: the number is the one of `results.json`, and
//! the trace names what that was made from.

mod beyond;

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;

use crate::climate::log::Span;
use crate::climate::strip::Strip;
use crate::observation::{Name, Quantity, Series};
use crate::report::results::{self, Results};
use crate::report::{ReportError, Request, Scene, with_scene};
use crate::store::Store;
use crate::study::factors::PLACE;
use crate::trial::history::Stretch;
use crate::trial::house::House;
use crate::trial::unit::Unit;
use crate::units::Instant;

/// The trace of one number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Explanation {
    /// What was asked for.
    pub path: String,
    /// The number, as in `results.json`.
    pub value: Value,
    /// The rule, in words.
    pub rule: String,
    /// Readings it rests on, stretch by stretch.
    pub readings: Vec<UsedReadings>,
    /// Ledger entries it rests on.
    pub entries: Vec<UsedEntry>,
    /// Other numbers it rests on, each of which can be asked for.
    pub rests_on: Vec<String>,
}

/// Readings of one series over one stretch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UsedReadings {
    /// Board, probe, quantity.
    pub series: String,
    /// The place it spoke for, and why it did.
    pub place: String,
    /// Why this one.
    pub standing: String,
    /// From here …
    pub from: Instant,
    /// … to here.
    pub until: Instant,
    /// Readings in between that count.
    pub used: usize,
    /// Readings in between that were left out, by mark or by the grower.
    pub left_out: usize,
}

/// A ledger entry and what it said.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct UsedEntry {
    /// Its number.
    pub entry: i64,
    /// What it said.
    pub says: String,
}

/// Why there is no trace.
#[derive(Debug, thiserror::Error)]
pub enum NoTrace {
    /// The report itself cannot be made.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// Nothing has this path.
    #[error("there is no number \"{path}\"; there is: {known}")]
    Unknown {
        /// What was asked for.
        path: String,
        /// What could be.
        known: String,
    },
}

/// Traces a number of a trial's report.
///
/// # Arguments
/// - `path`: as [`PATHS`] lists them; names as in `results.json`, findings and
///   what next counted from 1.
///
/// # Errors
/// [`NoTrace`].
pub fn explain(
    request: &Request,
    store: &Store,
    path: &str,
) -> Result<Explanation, NoTrace> {
    with_scene(request, store, &mut |_| {}, |scene, readings, _| {
        let told = results::of(scene);
        let trace = Trace { scene, readings, told: &told, path };
        trace.find()
    })
}

struct Trace<'a> {
    scene: Scene<'a>,
    readings: &'a BTreeMap<Series, Strip>,
    told: &'a Results,
    path: &'a str,
}

/// The paths there are.
pub const PATHS: &str = "containers/NAME/FIELD, units/NAME/FIELD, \
    places/NAME/FIELD, places/NAME/QUANTITY/FIELD, factors/NAME, \
    speed/FACTOR/LEVEL, pairs/ONE/OTHER, timing/FACTOR/LEVEL, \
    thermal_time/LEVEL (or all), fridge/PLACE, prediction/CONTAINER, \
    findings/NUMBER, next/NUMBER";

const FIELDS: &str = "seeds, germinated, fraction, interval, t50_days, \
                      mean_time_days or a dose such as degree_hours";

impl Trace<'_> {
    fn find(&self) -> Result<Explanation, NoTrace> {
        let parts: Vec<&str> = self.path.split('/').collect();
        match parts[..] {
            ["containers" | "units", name, field] => self.unit(name, field),
            ["factors", name] => self.factor(name),
            ["findings", number] => self.finding(number),
            ["places", name, field] => self.place(name, field),
            ["places", name, quantity, field] => {
                self.quantity(name, quantity, field)
            }
            ["speed", factor] => self.speed(factor, None),
            ["speed", factor, level] => self.speed(factor, Some(level)),
            ["pairs", one, other] => self.pair(one, other),
            ["timing", factor, level] => self.timing(factor, level),
            ["thermal_time", level] => self.thermal_time(level),
            ["fridge", place] => self.fridge(place),
            ["prediction", name] => self.prediction(name),
            ["next", number] => self.next(number),
            ["containers" | "units", name] => {
                self.named(name)?;
                Err(self.unknown(format!("{}/… with {FIELDS}", self.path)))
            }
            _ => Err(self.unknown(format!("{PATHS}; fields: {FIELDS}"))),
        }
    }

    fn unknown(&self, known: String) -> NoTrace {
        NoTrace::Unknown { path: self.path.to_owned(), known }
    }

    fn named(&self, name: &str) -> Result<&Unit, NoTrace> {
        let units = &self.scene.trial.units;
        units.get(name).ok_or_else(|| {
            let known: Vec<&str> = units.keys().map(Name::as_str).collect();
            self.unknown(known.join(", "))
        })
    }

    fn unit(&self, name: &str, field: &str) -> Result<Explanation, NoTrace> {
        let unit = self.named(name)?;
        let container = self.told.containers.iter().find(|c| c.id == name);
        let of_unit = self.told.units.iter().find(|u| u.id == name);
        let value = [
            container.map(serde_json::to_value),
            of_unit.map(serde_json::to_value),
        ]
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
        .find_map(|told| {
            let dose = told.get("doses").and_then(|doses| doses.get(field));
            dose.or_else(|| told.get(field)).cloned()
        });
        let Some(value) = value else {
            return Err(self.unknown(format!("{}/… with {FIELDS}", name)));
        };
        let mut found = Explanation {
            path: self.path.to_owned(),
            value,
            rule: rule(field).to_owned(),
            readings: Vec::new(),
            entries: made(unit),
            rests_on: Vec::new(),
        };
        match dose_of(field) {
            Some(dose) => self.trace_dose(unit, dose, &mut found),
            None => self.trace_counts(unit, field, &mut found),
        }
        found.entries.sort();
        found.entries.dedup();
        Ok(found)
    }

    fn trace_counts(&self, unit: &Unit, field: &str, found: &mut Explanation) {
        for look in &unit.looks {
            found.entries.push(UsedEntry {
                entry: look.entry.0,
                says: format!(
                    "look at {}: {} newly germinated, {} taken out, {} left",
                    look.when.at,
                    look.germinated,
                    look.removed_mould + look.removed_other,
                    look.left
                ),
            });
        }
        for (moved, way) in unit
            .added
            .iter()
            .map(|moved| (moved, "from"))
            .chain(unit.taken.iter().map(|moved| (moved, "to")))
        {
            found.entries.push(UsedEntry {
                entry: moved.entry.0,
                says: format!(
                    "{} seeds moved {way} {} at {}",
                    moved.seeds, moved.other, moved.when.at
                ),
            });
        }
        if field == "fraction" || field == "interval" {
            let own = |what: &str| format!("containers/{}/{what}", unit.name);
            found.rests_on = vec![own("germinated"), own("seeds")];
        }
    }

    fn trace_dose(&self, unit: &Unit, dose: Traced, found: &mut Explanation) {
        let (trial, until) = (self.scene.trial, self.scene.study.until);
        let stretches: Vec<Stretch> = match dose.over {
            Over::Own => trial.own_stretches(unit, until),
            Over::Whole => trial.history(unit, until),
            Over::Moist => moist(trial.history(unit, until)),
            Over::MoistBefore => moist(trial.history(unit, until))
                .into_iter()
                .filter(|stretch| stretch.unit != unit.name)
                .collect(),
        };
        let units = trial.lineage(unit);
        for member in units {
            if stretches.iter().any(|s| s.unit == member.name) {
                found.entries.extend(made(member));
            }
            for stay in &member.stays {
                found.entries.push(UsedEntry {
                    entry: stay.entry.0,
                    says: format!(
                        "{} was at {} from {}",
                        member.name, stay.place, stay.from.at
                    ),
                });
            }
        }
        for stretch in &stretches {
            self.trace_stretch(stretch, dose.quantity, found);
        }
    }

    fn trace_stretch(
        &self,
        stretch: &Stretch,
        quantity: Quantity,
        found: &mut Explanation,
    ) {
        let house = self.scene.house;
        let (place, from, to) = (&stretch.place, stretch.from, stretch.to);
        for voice in house.voices(place, quantity, from, to) {
            let own = Span::new(voice.from, voice.to);
            let (used, left_out) = self.counted(house, &voice.series, own);
            found.readings.push(UsedReadings {
                series: voice.series.to_string(),
                place: place.to_string(),
                standing: voice.standing.words().to_owned(),
                from: own.from,
                until: own.to,
                used,
                left_out,
            });
            found.entries.extend(of_series(house, &voice.series, place));
        }
    }

    /// Readings of a series in a stretch that count, and that do not.
    fn counted(
        &self,
        house: &House,
        series: &Series,
        span: Span,
    ) -> (usize, usize) {
        let Some(all) = self.readings.get(series) else { return (0, 0) };
        all.between(span.from, span.to).fold((0, 0), |(used, out), reading| {
            let excluded = house
                .excluded_windows(series)
                .any(|w| (w.from..w.until).contains(&reading.at));
            if excluded || !reading.quality.counts() {
                (used, out + 1)
            } else {
                (used + 1, out)
            }
        })
    }

    fn factor(&self, name: &str) -> Result<Explanation, NoTrace> {
        let found = self.told.factors.iter().find(|f| f.name == name);
        let Some(found) = found else {
            let known: Vec<&str> =
                self.told.factors.iter().map(|f| f.name.as_str()).collect();
            return Err(self.unknown(known.join(", ")));
        };
        let value = serde_json::to_value(found).unwrap_or(Value::Null);
        Ok(Explanation {
            path: self.path.to_owned(),
            value,
            rule: format!(
                "counts added up to each {}, quasi-binomial regression with \
                 every other factor, F on the scatter between {} of them",
                found.tested_on, found.n_units
            ),
            readings: Vec::new(),
            entries: self.levels_from(name),
            rests_on: self
                .told
                .containers
                .iter()
                .filter(|container| !found.left_out.contains(&container.id))
                .flat_map(|container| {
                    ["germinated", "seeds"].map(|what| {
                        format!("containers/{}/{what}", container.id)
                    })
                })
                .collect(),
        })
    }

    /// The entries that gave units their level of a factor.
    fn levels_from(&self, factor: &str) -> Vec<UsedEntry> {
        let mut entries = Vec::new();
        for unit in self.scene.trial.units.values() {
            if let Some(level) = unit.factors.get(factor) {
                entries.push(UsedEntry {
                    entry: unit.entry.0,
                    says: format!("{} has {factor} {level}", unit.name),
                });
            }
            for stay in unit.stays.iter().filter(|_| factor == PLACE) {
                entries.push(UsedEntry {
                    entry: stay.entry.0,
                    says: format!(
                        "{} was at {} from {}",
                        unit.name, stay.place, stay.from.at
                    ),
                });
            }
        }
        entries.sort();
        entries
    }

    fn finding(&self, number: &str) -> Result<Explanation, NoTrace> {
        let found = number
            .parse::<usize>()
            .ok()
            .and_then(|number| number.checked_sub(1))
            .and_then(|index| self.told.findings.get(index));
        let Some(found) = found else {
            let known = format!("findings/1 to {}", self.told.findings.len());
            return Err(self.unknown(known));
        };
        Ok(Explanation {
            path: self.path.to_owned(),
            value: serde_json::to_value(found).unwrap_or(Value::Null),
            rule: match &found.factor {
                Some(_) => "words follow the corrected p (Holm) and the joint \
                            intervals of the factor: a difference is stated \
                            only below 0.05, a pair only where its interval \
                            does not hold 0"
                    .to_owned(),
                None => "a plain count of looks".to_owned(),
            },
            readings: Vec::new(),
            entries: Vec::new(),
            rests_on: found
                .factor
                .iter()
                .map(|factor| format!("factors/{factor}"))
                .collect(),
        })
    }
}

fn moist(stretches: Vec<Stretch>) -> Vec<Stretch> {
    stretches.into_iter().filter(|stretch| stretch.moist).collect()
}

fn made(unit: &Unit) -> Vec<UsedEntry> {
    vec![UsedEntry {
        entry: unit.entry.0,
        says: format!(
            "{} {} begun at {} with {} seeds",
            unit.kind.word(),
            unit.name,
            unit.begun.at,
            unit.seeds
        ),
    }]
}

/// What the ledger says of a series at a place.
fn of_series(house: &House, series: &Series, place: &Name) -> Vec<UsedEntry> {
    let mut entries = Vec::new();
    for stay in house.board_stays.iter().filter(|stay| {
        stay.board == series.board
            && stay.probe == series.probe
            && stay.place == *place
    }) {
        entries.push(UsedEntry {
            entry: stay.entry.0,
            says: format!(
                "board {} ({}) was at {place} from {}",
                stay.board, stay.probe, stay.from.at
            ),
        });
    }
    for main in house.mains.iter().filter(|main| {
        main.board == series.board
            && main.probe == series.probe
            && main.place == *place
            && main.quantity == series.quantity
    }) {
        entries.push(UsedEntry {
            entry: main.entry.0,
            says: format!(
                "{} speaks for {place} in {} from {}",
                main.board, main.quantity, main.from.at
            ),
        });
    }
    for own in house.calibrations.iter().filter(|c| c.series == *series) {
        entries.push(UsedEntry {
            entry: own.entry.0,
            says: format!(
                "{series} is {} × raw {:+} from {}",
                own.gain, own.offset, own.from.at
            ),
        });
    }
    for window in house.excluded_windows(series) {
        entries.push(UsedEntry {
            entry: window.entry.0,
            says: format!(
                "{series} left out from {} until {}",
                window.from, window.until
            ),
        });
    }
    entries
}

/// Which stays a dose is summed over.
#[derive(Debug, Clone, Copy)]
enum Over {
    Own,
    Whole,
    Moist,
    MoistBefore,
}

#[derive(Debug, Clone, Copy)]
struct Traced {
    quantity: Quantity,
    over: Over,
}

fn dose_of(field: &str) -> Option<Traced> {
    let (quantity, over) = match field {
        "chill_hours" => (Quantity::Temperature, Over::Moist),
        "frost_hours" => (Quantity::Temperature, Over::Whole),
        "warm_phase_hours" => (Quantity::Temperature, Over::MoistBefore),
        "lux_hours" => (Quantity::Light, Over::Own),
        field if field.starts_with("degree_hours") => {
            (Quantity::Temperature, Over::Own)
        }
        _ => return None,
    };
    Some(Traced { quantity, over })
}

/// How a field is made.
fn rule(field: &str) -> &'static str {
    match field {
        "seeds" => "seeds that entered the unit: sown, or moved in",
        "germinated" => {
            "newly germinated seeds of all looks up to the common age (the \
             shortest follow-up of all containers)"
        }
        "fraction" => "germinated at the common age ÷ seeds that entered",
        "interval" => {
            "Wilson's score interval, 95 %, seeds taken as independent"
        }
        "t50_days" => {
            "interval-censored curve (Turnbull): a germination lies between \
             two looks, seeds left or taken out had not germinated by then"
        }
        "mean_time_days" => {
            "mean over germinated seeds of the days from sowing to the look \
             that saw them"
        }
        "chill_hours" => {
            "moist hours at 0 to 7 °C over the seeds' whole history, the \
             straight line between readings integrated in UTC"
        }
        "frost_hours" => "hours at or below 0 °C over the seeds' whole history",
        "warm_phase_hours" => {
            "moist hours at or above 15 °C before the unit began"
        }
        "degree_hours" => {
            "degree-hours above 0 °C over the unit's own stays: the straight \
             line between readings integrated in UTC; holes of up to 72 \
             hours filled from the same hour of neighbouring days"
        }
        "degree_hours_above_3" => {
            "degree-hours above 3 °C, otherwise as degree_hours"
        }
        "degree_hours_above_5" => {
            "degree-hours above 5 °C, otherwise as degree_hours"
        }
        "lux_hours" => {
            "lux-hours over the unit's own stays; coverage of the hours of \
             day at which the place gets light"
        }
        _ => "as recorded",
    }
}
