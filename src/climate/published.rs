//! Published values for the tests of this module, read from
//! `tests/reference/climate/` (its README names every source).
//!
//! Not part of the program: compiled for tests only.

use std::collections::BTreeMap;

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        fn text(name: &str) -> &'static str {
            match name {
                $($name => include_str!(concat!(
                    "../../tests/reference/climate/", $name
                )),)*
                _ => panic!("no reference file {name}"),
            }
        }
    };
}

files![
    "published_points.json",
    "saturation_vapour_pressure.csv",
    "state_points.csv",
    "salt_fixed_points.csv",
    "calibration.json",
    "lux_to_ppfd.csv",
    "light_dose.json",
    "thermal_time.json",
    "degree_days_minmax.csv",
    "chill.json",
    "chill_constant_temperature.csv",
    "growth_index_model.json",
    "growth_index_constant.csv",
    "growth_index_critical_rh.csv",
];

/// One row of a table: column to text.
pub(crate) type Row = BTreeMap<String, String>;

/// The rows of a CSV file; there is at least one.
pub(crate) fn table(name: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text(name).as_bytes());
    let rows: Vec<Row> =
        reader.deserialize().collect::<Result<_, _>>().unwrap();
    assert!(!rows.is_empty(), "{name} is empty");
    rows
}

/// A number of a row; `None` for an empty cell.
pub(crate) fn number(row: &Row, column: &str) -> Option<f64> {
    let cell = &row[column];
    (!cell.is_empty()).then(|| cell.parse().unwrap())
}

/// A JSON file.
pub(crate) fn json(name: &str) -> serde_json::Value {
    serde_json::from_str(text(name)).unwrap()
}

/// A JSON array of numbers.
pub(crate) fn numbers(value: &serde_json::Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

/// Asserts agreement relative to the larger of 1 and the expected value's
/// size, so that an expected zero is held absolutely.
pub(crate) fn close(got: f64, expected: f64, tolerance: f64, what: &str) {
    let allowed = tolerance * expected.abs().max(1.0);
    assert!(
        (got - expected).abs() <= allowed,
        "{what}: got {got}, expected {expected} ± {allowed}"
    );
}
