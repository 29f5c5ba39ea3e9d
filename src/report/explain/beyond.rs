//! Traces of what is no number of a single unit: places, speed, pairs, times,
//! warmth, fridges, what is to come, what next.
//!
//! As in `explain`, nothing is computed anew.

use serde::Serialize;
use serde_json::Value;

use super::{Explanation, NoTrace, Trace, UsedEntry, UsedReadings, of_series};
use crate::climate::log::Span;
use crate::observation::{Name, Quantity};
use crate::study::factors::level;
use crate::study::place::PlaceStudy;
use crate::study::wording::factor as spoken;

const PLACE_FIELDS: &str = "degree_hours, degree_hours_above_3, \
                            degree_hours_above_5, lux_hours, photons_mol_m2, \
                            daily_light_integral_mol_m2, or \
                            temperature, humidity, light with mean, low, \
                            high, day, night, outside, covered_hours, \
                            missing_hours";

impl Trace<'_> {
    fn blank(&self, value: Value, rule: &str) -> Explanation {
        Explanation {
            path: self.path.to_owned(),
            value,
            rule: rule.to_owned(),
            readings: Vec::new(),
            entries: Vec::new(),
            rests_on: Vec::new(),
        }
    }

    /// Names as an answer to one that is not there.
    fn none_of<'a>(&self, known: impl Iterator<Item = &'a str>) -> NoTrace {
        let known: Vec<&str> = known.collect();
        self.unknown(if known.is_empty() {
            "nothing of that kind in this report".to_owned()
        } else {
            known.join(", ")
        })
    }

    fn known_place(&self, name: &str) -> Result<&PlaceStudy, NoTrace> {
        let places = &self.scene.study.places;
        let found = places.iter().find(|place| place.name.as_str() == name);
        found.ok_or_else(|| {
            self.none_of(places.iter().map(|place| place.name.as_str()))
        })
    }

    /// A dose of a place over the whole time units were there.
    pub(super) fn place(
        &self,
        name: &str,
        field: &str,
    ) -> Result<Explanation, NoTrace> {
        let place = self.known_place(name)?;
        let fields = || self.unknown(format!("places/{name}/{PLACE_FIELDS}"));
        let told = self.told.places.iter().find(|told| told.id == name);
        let told = told.ok_or_else(fields)?;
        let above = |base: f64| {
            let mut warmth = told.warmth.iter();
            let own = warmth.find(|w| (w.base_celsius - base).abs() < 1e-9);
            json(&own.map(|w| &w.dose))
        };
        let (quantity, value, rule) = match field {
            "degree_hours" => (
                Quantity::Temperature,
                json(&told.warmth.first().map(|w| &w.dose)),
                "degree-hours above 0 °C while units of the trial were here: \
                 the straight line between readings integrated in UTC",
            ),
            "degree_hours_above_3" => (
                Quantity::Temperature,
                above(3.0),
                "degree-hours above 3 °C, otherwise as degree_hours",
            ),
            "degree_hours_above_5" => (
                Quantity::Temperature,
                above(5.0),
                "degree-hours above 5 °C, otherwise as degree_hours",
            ),
            "lux_hours" => (
                Quantity::Light,
                json(&told.light),
                "lux-hours while units of the trial were here; coverage of \
                 the hours of day at which the place gets light",
            ),
            "photons_mol_m2" => (
                Quantity::Light,
                json(&told.photons_mol_m2),
                "lux-hours, holes filled, turned into photons by the lowest \
                 and the highest published factor of the light source named",
            ),
            "daily_light_integral_mol_m2" => (
                Quantity::Light,
                json(&told.daily_light_integral_mol_m2),
                "the mean of the days' lux-hours turned into photons by the \
                 lowest and the highest published factor of the light source",
            ),
            _ => return Err(fields()),
        };
        let mut found = self.blank(value, rule);
        self.trace_place(place, quantity, &mut found);
        if field.ends_with("mol_m2") {
            found.rests_on = vec![format!("places/{name}/lux_hours")];
        }
        Ok(found)
    }

    /// A figure of one quantity at a place, such as its hours by day.
    pub(super) fn quantity(
        &self,
        name: &str,
        quantity: &str,
        field: &str,
    ) -> Result<Explanation, NoTrace> {
        let place = self.known_place(name)?;
        let fields = || self.unknown(format!("places/{name}/{PLACE_FIELDS}"));
        let mut kinds = Quantity::CLIMATE.into_iter();
        let of = kinds.find(|kind| kind.word() == quantity);
        let of = of.ok_or_else(fields)?;
        let told = self.told.places.iter().find(|told| told.id == name);
        let told = told.and_then(|told| told.quantities.get(quantity));
        let all = json(&told);
        let value = all.get(field).cloned().ok_or_else(fields)?;
        let rule = match field {
            "mean" => {
                "the straight line between readings, over the time \
                       covered"
            }
            "low" | "high" => "the lowest or highest reading that counts",
            "day" | "night" => {
                "means of whole hours by local time, day from 8 to 20 \
                 o'clock: their number, mean and twentieths"
            }
            "outside" => {
                "means of whole hours beside the range that a watch wants \
                 here"
            }
            "covered_hours" | "missing_hours" => {
                "a hole is where two readings lie further apart than the \
                 board's limit"
            }
            _ => "as recorded",
        };
        let mut found = self.blank(value, rule);
        self.trace_place(place, of, &mut found);
        Ok(found)
    }

    /// The readings that spoke for a place, and what made them.
    fn trace_place(
        &self,
        place: &PlaceStudy,
        quantity: Quantity,
        found: &mut Explanation,
    ) {
        let house = self.scene.house;
        let span = place.span;
        for voice in house.voices(&place.name, quantity, span.from, span.to) {
            let own = Span::new(voice.from, voice.to);
            let (used, left_out) = self.counted(house, &voice.series, own);
            found.readings.push(UsedReadings {
                series: voice.series.to_string(),
                place: place.name.to_string(),
                standing: voice.standing.words().to_owned(),
                from: own.from,
                until: own.to,
                used,
                left_out,
            });
            found.entries.extend(of_series(house, &voice.series, &place.name));
        }
        for unit in self.scene.trial.units.values() {
            for stay in &unit.stays {
                if stay.place == place.name {
                    found.entries.push(UsedEntry {
                        entry: stay.entry.0,
                        says: format!(
                            "{} was at {} from {}",
                            unit.name, stay.place, stay.from.at
                        ),
                    });
                }
            }
        }
        found.entries.sort();
        found.entries.dedup();
    }

    /// Containers at a level of a factor, as paths to their counts.
    fn counts_at(&self, factor: &str, at: Option<&str>) -> Vec<String> {
        self.scene
            .study
            .containers()
            .filter(|unit| unit.outcome.entered > 0)
            .filter(|unit| {
                let own = level(unit, factor);
                own.is_some() && at.is_none_or(|at| own.as_deref() == Some(at))
            })
            .map(|unit| format!("containers/{}/t50_days", unit.outcome.name))
            .collect()
    }

    pub(super) fn speed(
        &self,
        factor: &str,
        at: Option<&str>,
    ) -> Result<Explanation, NoTrace> {
        let all = &self.told.speed;
        let found = all.iter().find(|speed| speed.factor == factor);
        let found = found.ok_or_else(|| {
            self.none_of(all.iter().map(|speed| speed.factor.as_str()))
        })?;
        let value = match at {
            None => json(found),
            Some(at) => {
                let mut levels = found.levels.iter();
                let own = levels.find(|level| level.level == at);
                json(own.ok_or_else(|| {
                    self.none_of(found.levels.iter().map(|l| l.level.as_str()))
                })?)
            }
        };
        let mut told = self.blank(
            value,
            "split-population model with log-normal times, each germination \
             between two looks, seeds left or taken out censored; limits by \
             leaving out each container (or batch) in turn, none under six; \
             more or less by the planned comparison",
        );
        told.entries = self.levels_from(factor);
        told.rests_on = self.counts_at(factor, at);
        told.rests_on.push(format!("factors/{factor}"));
        Ok(told)
    }

    pub(super) fn timing(
        &self,
        factor: &str,
        at: &str,
    ) -> Result<Explanation, NoTrace> {
        let all = &self.told.timing.levels;
        let mut levels = all.iter();
        let found = levels.find(|t| t.factor == factor && t.level == at);
        let Some(found) = found else {
            let known: Vec<String> = all
                .iter()
                .map(|own| format!("{}/{}", own.factor, own.level))
                .collect();
            return Err(self.none_of(known.iter().map(String::as_str)));
        };
        let mut told = self.blank(
            json(found),
            "from the earliest to the latest container of the level, each \
             time between two looks",
        );
        told.entries = self.levels_from(factor);
        told.rests_on = self.counts_at(factor, Some(at));
        Ok(told)
    }

    pub(super) fn pair(
        &self,
        one: &str,
        other: &str,
    ) -> Result<Explanation, NoTrace> {
        let all = &self.told.pairs;
        // As in the file, or by the name of the factor itself.
        let (a, b) = (spoken(one), spoken(other));
        let found = all.iter().find(|pair| {
            let own = (pair.a.as_str(), pair.b.as_str());
            own == (a.as_str(), b.as_str()) || own == (b.as_str(), a.as_str())
        });
        let Some(found) = found else {
            let known: Vec<String> =
                all.iter().map(|p| format!("{}/{}", p.a, p.b)).collect();
            return Err(self.none_of(known.iter().map(String::as_str)));
        };
        let rule = match found.together.as_str() {
            "places" => {
                "Pearson's correlation of the means of the places where \
                 containers stood; told apart from ten places on, where it \
                 lies within 0.8 of nought"
            }
            "one-spot" => {
                "a place has one climate in one run, so that place and \
                 condition are one thing below ten places"
            }
            _ => {
                "combinations of levels that containers had: crossed when \
                 every level of one met every level of the other"
            }
        };
        let mut told = self.blank(json(found), rule);
        let condition = |word: &str| match word {
            "warmth" => Some("temperature"),
            "light" => Some("light"),
            "humidity" => Some("humidity"),
            _ => None,
        };
        for side in [&found.a, &found.b] {
            match condition(side) {
                Some(quantity) => {
                    let places = self.scene.study.germination_places();
                    told.rests_on.extend(places.iter().map(|place| {
                        format!("places/{}/{quantity}/mean", place.name)
                    }));
                }
                None => {
                    let factors = &self.told.factors;
                    let own = factors.iter().find(|f| spoken(&f.name) == *side);
                    if let Some(own) = own {
                        told.entries.extend(self.levels_from(&own.name));
                        told.rests_on.push(format!("factors/{}", own.name));
                    }
                }
            }
        }
        told.entries.sort();
        told.entries.dedup();
        Ok(told)
    }

    pub(super) fn thermal_time(
        &self,
        at: &str,
    ) -> Result<Explanation, NoTrace> {
        let name = |level: &Option<String>| {
            level.clone().unwrap_or_else(|| "all".to_owned())
        };
        let study = &self.scene.study.thermal_time;
        let groups = std::iter::once(&study.all).chain(&study.groups);
        let told = self.told.thermal_time.groups.iter().zip(groups);
        let mut known = Vec::new();
        for (group, from) in told {
            let own = name(&group.level);
            if own != at {
                known.push(own);
                continue;
            }
            let mut found = self.blank(
                json(group),
                "share = g_max · Φ((lg warmth − lg θ50) / σ) by maximum \
                 likelihood, each germination between two looks, warmth the \
                 container's own degree-hours by then; limits by leaving out \
                 each container in turn",
            );
            found.rests_on = from
                .containers
                .iter()
                .flat_map(|name| own_counts(name, "degree_hours"))
                .collect();
            return Ok(found);
        }
        Err(self.none_of(known.iter().map(String::as_str)))
    }

    pub(super) fn fridge(&self, place: &str) -> Result<Explanation, NoTrace> {
        let all = &self.told.fridge;
        let found = all.iter().find(|fridge| fridge.place == place);
        let found = found.ok_or_else(|| {
            self.none_of(all.iter().map(|fridge| fridge.place.as_str()))
        })?;
        let mut told = self.blank(
            json(found),
            "stays by the ledger; exposure is the time in humid air of the \
             fridge until mould was seen or the stay ended; a sighting lies \
             between two looks",
        );
        if let Ok(place) = self.known_place(place) {
            for quantity in [Quantity::Temperature, Quantity::Humidity] {
                self.trace_place(place, quantity, &mut told);
            }
        }
        told.rests_on = found
            .stays
            .iter()
            .map(|stay| format!("units/{}/chill_hours", stay.unit))
            .collect();
        told.rests_on.dedup();
        Ok(told)
    }

    pub(super) fn prediction(
        &self,
        name: &str,
    ) -> Result<Explanation, NoTrace> {
        let Some(all) = &self.told.prediction else {
            return Err(self.unknown(
                "nothing: no container of this trial still runs".to_owned(),
            ));
        };
        let found = all.containers.iter().find(|own| own.id == name);
        let found = found.ok_or_else(|| {
            self.none_of(all.containers.iter().map(|own| own.id.as_str()))
        })?;
        let (rule, dose) = if all.clock == "days" {
            (
                "split-population model in days over all containers so far, a \
                 container's own factor from what it has shown; counts to \
                 come beta-binomial",
                "t50_days",
            )
        } else {
            (
                "complementary log-log hazard that follows degree-hours, over \
                 all containers so far, a container's own factor (gamma) from \
                 what it has shown; the warmth of the past week goes on; \
                 counts to come beta-binomial",
                "degree_hours",
            )
        };
        let mut told = self.blank(json(found), rule);
        if let Some(unit) = self.scene.trial.units.get(name) {
            self.trace_counts(unit, "", &mut told);
        }
        told.rests_on = self
            .scene
            .study
            .containers()
            .filter(|unit| unit.outcome.entered > 0)
            .flat_map(|unit| own_counts(&unit.outcome.name, dose))
            .collect();
        Ok(told)
    }

    pub(super) fn next(&self, number: &str) -> Result<Explanation, NoTrace> {
        let all = &self.told.next;
        let found = number
            .parse::<usize>()
            .ok()
            .and_then(|number| number.checked_sub(1))
            .and_then(|index| all.get(index));
        let Some(found) = found else {
            return Err(self.unknown(match all.len() {
                0 => "nothing: this trial told apart what was planned".into(),
                n => format!("next/1 to {n}"),
            }));
        };
        let rule = match found.id.as_str() {
            "more-units" => {
                "fewest units a level with which 1,000 invented trials, as \
                 alike within units as here, state the difference in four of \
                 five: F on the scatter between units below 5 %, interval of \
                 the pair without 0; about the share that came up here"
            }
            "cross" => "combinations of levels that containers had",
            "log-places" => "places with less than 80 % of the temperature",
            "place-runs" => {
                "below ten places a condition cannot be told from the spot"
            }
            _ => "counts of all containers",
        };
        let mut told = self.blank(json(found), rule);
        let of_place = |quantity: &str| -> Vec<String> {
            let places = self.scene.study.places.iter();
            places.map(|p| format!("places/{}/{quantity}", p.name)).collect()
        };
        told.rests_on = match &found.factor {
            Some(factor) => vec![format!("factors/{factor}")],
            None if found.id == "log-places" => {
                of_place("temperature/covered_hours")
            }
            None => {
                let factors = self.told.factors.iter().filter(|f| f.planned);
                factors.map(|f| format!("factors/{}", f.name)).collect()
            }
        };
        Ok(told)
    }
}

fn own_counts(name: &Name, dose: &str) -> [String; 2] {
    [format!("containers/{name}/{dose}"), format!("containers/{name}/seeds")]
}

fn json<T: Serialize>(value: &T) -> Value {
    serde_json::to_value(value).unwrap_or(Value::Null)
}
