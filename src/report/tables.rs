//! The two tables of a report as CSV: one row a container, one row a place.
//!
//! Units stand in the column names; the other indices of germination are
//! only here.

use crate::observation::Quantity;
use crate::report::Scene;
use crate::report::dose::told;
use crate::report::results::{daily_light_integral, tidy, within};
use crate::stats::turnbull::TimeToShare;
use crate::study::UnitStudy;
use crate::study::place::BASES;
use crate::trial::entry::{PlaceKind, Severity, word_of};

/// A table being written: columns appear as the first row names them.
#[derive(Default)]
struct Table {
    head: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn begin_row(&mut self) {
        self.rows.push(Vec::new());
    }

    fn put(&mut self, column: impl Into<String>, value: impl Into<String>) {
        let first = self.rows.len() == 1;
        if first {
            self.head.push(column.into());
        }
        let row = self.rows.last_mut().expect("a row was begun");
        row.push(value.into());
    }

    fn number(&mut self, column: impl Into<String>, value: Option<f64>) {
        let text = value.and_then(tidy).map(|v| v.to_string());
        self.put(column, text.unwrap_or_default());
    }

    fn finish(self) -> String {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let belief = "a table in memory can be written";
        if !self.head.is_empty() {
            writer.write_record(&self.head).expect(belief);
        }
        for row in &self.rows {
            writer.write_record(row).expect(belief);
        }
        let bytes = writer.into_inner().expect(belief);
        String::from_utf8(bytes).expect("only text was written")
    }
}

/// `containers.csv`.
pub(crate) fn containers(scene: Scene<'_>) -> String {
    let mut table = Table::default();
    let factors = scene.trial.factor_names();
    for unit in scene.study.containers() {
        table.begin_row();
        who(&mut table, unit, &factors);
        counts(&mut table, scene, unit);
        times(&mut table, unit);
        conditions(&mut table, scene, unit);
    }
    table.finish()
}

fn text(value: Option<&impl ToString>) -> String {
    value.map(ToString::to_string).unwrap_or_default()
}

fn who(table: &mut Table, unit: &UnitStudy, factors: &[String]) {
    let outcome = &unit.outcome;
    table.put("container", outcome.name.to_string());
    table.put("label", text(outcome.label.as_ref()));
    table.put("lot", text(outcome.lot.as_ref()));
    table.put("batch", text(outcome.batch.as_ref()));
    table.put("place", text(outcome.main_place()));
    for factor in factors {
        let level = outcome.level(factor).unwrap_or_default();
        table.put(format!("factor_{factor}"), level);
    }
}

fn counts(table: &mut Table, scene: Scene<'_>, unit: &UnitStudy) {
    let outcome = &unit.outcome;
    let count = |n: u32| n.to_string();
    table.put("sown_at", outcome.begun.to_string());
    table.number("follow_up_days", Some(outcome.follow_up_days));
    table.number("common_age_days", scene.study.common_age_days);
    table.put("seeds", count(outcome.entered));
    let at_age = outcome.germinated_at_common_age;
    table.put("germinated_at_common_age", count(at_age));
    table.put("germinated_in_all", count(outcome.germinated));
    table.number("fraction_of_sown", outcome.fraction);
    table.number("wilson_95_lower", outcome.interval.map(|i| i.lower));
    table.number("wilson_95_upper", outcome.interval.map(|i| i.upper));
    table.put("removed_mould", count(outcome.removed_mould));
    table.put("removed_other", count(outcome.removed_other));
    table.put("transferred", count(outcome.transferred));
    table.put("left", count(outcome.left));
    let closure = outcome.closure.as_ref();
    let classed = |pick: fn(&crate::trial::entry::Closure) -> u32| {
        text(closure.map(pick).as_ref())
    };
    table.put("closed_viable", classed(|c| c.viable));
    table.put("closed_empty", classed(|c| c.empty));
    table.put("closed_dead", classed(|c| c.dead));
    table.put("closed_mouldy", classed(|c| c.mouldy));
    table.put("closed_lost", classed(|c| c.lost));
    table.put("looks", outcome.looks.to_string());
    let mould = outcome.mould;
    let seen = mould.map(|mould| mould.seen);
    table.put("mould_seen_at", text(seen.as_ref()));
    let worst = mould.map(|m| word_of(&Severity::WORDS, &m.worst));
    table.put("mould_worst", worst.unwrap_or_default());
}

fn times(table: &mut Table, unit: &UnitStudy) {
    let outcome = &unit.outcome;
    let mut half = |of: &str, time: Option<TimeToShare>| {
        let days = within(time);
        table.number(format!("t50_of_{of}_after_days"), days.map(|d| d.after));
        table.number(format!("t50_of_{of}_by_days"), days.map(|d| d.by));
    };
    half("sown", outcome.t50_entered);
    half("germinated", outcome.t50_germinated);
    let timing = outcome.timing.as_ref();
    let mut put = |column: &str, value: Option<f64>| {
        table.number(column, value);
    };
    put("first_after_days", timing.map(|t| t.first.left_days));
    put("first_by_days", timing.map(|t| t.first.right_days));
    put("last_by_days", timing.map(|t| t.last.right_days));
    put("mean_time_days", timing.map(|t| t.mean_days));
    put("time_variance_days2", timing.and_then(|t| t.variance));
    put("time_variation_percent", timing.and_then(|t| t.variation_percent));
    put("mean_rate_per_day", timing.map(|t| t.mean_rate_per_day));
    put("uniformity_per_day2", timing.and_then(|t| t.uniformity));
    put("maguire_seeds_per_day", timing.map(|t| t.maguire_per_day));
    put("uncertainty_bits", timing.map(|t| t.uncertainty_bits));
    put("synchrony", timing.and_then(|t| t.synchrony));
    put("t10_interpolated_days", timing.map(|t| t.t10.days));
    put("t50_coolbear_days", timing.map(|t| t.t50_coolbear.days));
    put("t50_farooq_days", timing.map(|t| t.t50_farooq.days));
    put("t90_interpolated_days", timing.map(|t| t.t90.days));
}

fn conditions(table: &mut Table, scene: Scene<'_>, unit: &UnitStudy) {
    let doses = &unit.doses;
    table.number("stated_cold_h", Some(doses.stated_cold_hours));
    for told in told(scene, unit) {
        let column = told.column;
        table.number(column, told.value);
        table.number(format!("{column}_filled"), told.filled.map(|f| f.value));
        table.number(format!("{column}_low"), told.filled.map(|f| f.low));
        table.number(format!("{column}_high"), told.filled.map(|f| f.high));
        let covered = Some(told.covered_hours);
        table.number(format!("{column}_covered_h"), covered);
        let missing = Some(told.missing_hours);
        table.number(format!("{column}_missing_h"), missing);
        table.put(format!("{column}_fit_for"), told.fit_for.word());
    }
    let mean = doses.temperature.covered_mean();
    table.number("mean_temperature_celsius", mean);
    let mean = doses.humidity.covered_mean();
    table.number("mean_air_humidity_percent", mean);
}

/// `places.csv`.
pub(crate) fn places(scene: Scene<'_>) -> String {
    let mut table = Table::default();
    for place in &scene.study.places {
        table.begin_row();
        table.put("place", place.name.to_string());
        table.put("title", place.title.clone());
        table.put("kind", word_of(&PlaceKind::WORDS, &place.kind));
        table.put("light_source", place.light_source.clone());
        table.put("from", place.span.from.to_string());
        table.put("until", place.span.to.to_string());
        table.number("hours_h", Some(place.span.hours()));
        table.put("units", place.units.len().to_string());
        table.put("containers", place.containers.len().to_string());
        for quantity in Quantity::CLIMATE {
            let known = place.quantities.get(&quantity);
            let column = quantity.column();
            let mut put = |what: &str, value: Option<f64>| {
                table.number(format!("{column}_{what}"), value);
            };
            put("mean", known.and_then(|k| k.mean));
            put("low", known.and_then(|k| k.low));
            put("high", known.and_then(|k| k.high));
            put("covered_h", known.map(|k| k.covered_hours));
            let hours = place.span.hours();
            put("missing_h", known.map(|k| (hours - k.covered_hours).max(0.0)));
        }
        for (base, dose) in BASES.iter().zip(&place.warmth) {
            let known = dose.covered_hours > 0.0;
            let column = format!("degree_hours_above_{base:.0}_celsius_h");
            let sum = Some(dose.covered_sum).filter(|_| known);
            table.number(&*column, sum);
            let filled = dose.filled.filter(|_| known).map(|f| f.value);
            table.number(format!("{column}_filled"), filled);
        }
        let light = &place.light;
        let known = light.covered_hours > 0.0;
        let sum = Some(light.covered_sum).filter(|_| known);
        table.number("light_lux_h", sum);
        let filled = light.filled.filter(|_| known).map(|f| f.value);
        table.number("light_lux_h_filled", filled);
        table.put("light_is_at_least", light.at_least.to_string());
        let daily = daily_light_integral(place);
        table.number(
            "daily_light_integral_low_mol_m2",
            daily.map(|[low, _]| low),
        );
        table.number(
            "daily_light_integral_high_mol_m2",
            daily.map(|[_, high]| high),
        );
    }
    table.finish()
}
