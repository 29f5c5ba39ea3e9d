//! Chill: hours in a band of temperature while seeds lie moist; beside them,
//! labelled as companions, two models made for the buds of fruit trees.
//!
//! Not a dormancy model of seeds: for those the literature counts weeks of
//! moist cold, and hours in a stated band are the plain record of them. The
//! caller hands over the moist stays only; dry cold is not stratification.

use crate::climate::log::{HOUR, Log, Span};
use crate::climate::shape::Shape;
use crate::units::Celsius;

/// The band in which moist hours count as chill.
///
/// # When it misleads
/// The ends are a convention, not a measured limit. A fridge that cycles
/// around an end gives a count that hangs on the probe's offset: compare
/// the mean with the ends before reading much into it.
///
/// # Example
/// ```
/// use vernalog::climate::chill::ChillBand;
/// let shape = ChillBand::default().shape();
/// assert_eq!(shape.at(3.5), 1.0);
/// assert_eq!(shape.at(-0.5), 0.0);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChillBand {
    /// Lowest temperature that counts, included.
    pub low: Celsius,
    /// Highest temperature that counts, included.
    pub high: Celsius,
}

impl ChillBand {
    /// Hours in the band, over a temperature in °C.
    #[must_use]
    pub fn shape(self) -> Shape {
        Shape::within(self.low.degrees(), self.high.degrees())
    }
}

/// 0 to 7 °C.
impl Default for ChillBand {
    fn default() -> Self {
        let celsius =
            |degrees| Celsius::new(degrees).expect("a kitchen temperature");
        Self { low: celsius(0.0), high: celsius(7.0) }
    }
}

/// Hourly mean temperatures over some stays, joined in order, for the bud
/// models; `None` when any whole hour has a hole, because these models
/// depend on the order of hours.
///
/// # Arguments
/// - `log`: temperature, °C.
/// - `stays`: moist stays in order of time; what is left of a stay after
///   its last whole hour is not used.
///
/// # When it misleads
/// A mean hides a cycle of the compressor that crosses an edge of a table.
///
/// # Example
/// ```
/// use vernalog::climate::chill::{hourly_means, utah_units};
/// use vernalog::climate::log::Log;
/// use vernalog::observation::{Quality, Reading};
/// use vernalog::units::Instant;
/// let reading = |hour: i64| Reading {
///     at: Instant::from_millis(hour * 3_600_000),
///     value: 4.0,
///     quality: Quality::GOOD,
/// };
/// let log = Log::new((0..=24).map(reading).collect(), 3_600_000, &|_| 0);
/// let hourly = hourly_means(&log, &[log.reach().unwrap()]).unwrap();
/// assert_eq!(utah_units(&hourly), 24.0);
/// let holed = Log::new(vec![reading(0), reading(3)], 3_600_000, &|_| 0);
/// assert_eq!(hourly_means(&holed, &[holed.reach().unwrap()]), None);
/// ```
#[must_use]
pub fn hourly_means(log: &Log<'_>, stays: &[Span]) -> Option<Vec<f64>> {
    let mut means = Vec::new();
    for stay in stays {
        let mut from = stay.from;
        while stay.to.millis_since(from) >= HOUR {
            let hour = Span::new(from, from.plus_millis(HOUR));
            means.push(log.mean(hour)?);
            from = hour.to;
        }
    }
    Some(means)
}

/// Upper end of each class of the Utah table, °C, with its units an hour.
const UTAH: [(f64, f64); 6] = [
    (1.4, 0.0),
    (2.4, 0.5),
    (9.1, 1.0),
    (12.4, 0.5),
    (15.9, 0.0),
    (18.0, -0.5),
];
const UTAH_WARMEST: f64 = -1.0;

/// Utah chill units of a series of hours: a companion figure, made for the
/// buds of peach.
///
/// # Arguments
/// - `hourly`: temperature of each hour, °C. A value on an edge belongs to
///   the colder class.
///
/// # Source
/// Richardson, Seeley & Walker 1974; edges read in °F and °C. Worked day in
/// `tests/reference/climate/chill.json`; see test
/// `utah_units_of_the_worked_day_are_nine`.
///
/// # When it misleads
/// Always for seeds: it was fitted to buds. It gives nothing below 1.4 °C,
/// where a fridge may well sit.
///
/// # Example
/// ```
/// use vernalog::climate::chill::utah_units;
/// assert_eq!(utah_units(&[4.0; 24]), 24.0);
/// assert_eq!(utah_units(&[1.0; 24]), 0.0);
/// ```
#[must_use]
pub fn utah_units(hourly: &[f64]) -> f64 {
    let weight = |celsius: &f64| {
        UTAH.iter()
            .find(|(edge, _)| celsius <= edge)
            .map_or(UTAH_WARMEST, |(_, units)| *units)
    };
    hourly.iter().map(weight).sum()
}

/// Chill portions of a series of hours by the dynamic model: a companion
/// figure, made for the buds of peach.
///
/// # Arguments
/// - `hourly`: temperature of each hour, °C, in order of time.
///
/// # Source
/// Fishman, Erez & Couvillon 1987; Erez et al. 1990. Rounded constants read
/// in a public file; full digits and the hourly scheme from memory. Values
/// at constant temperatures and in cycles: see test
/// `portions_at_constant_temperature_match_the_table`.
///
/// # When it misleads
/// Always for seeds: it was fitted to buds. Portions come in whole steps
/// after about 30 cold hours, so a short stay reads as nothing.
///
/// # Example
/// ```
/// use vernalog::climate::chill::chill_portions;
/// assert_eq!(chill_portions(&[6.0; 28]), 0.0);
/// assert!(chill_portions(&[6.0; 29]) > 0.9);
/// ```
#[must_use]
pub fn chill_portions(hourly: &[f64]) -> f64 {
    const E0: f64 = 4153.5;
    const E1: f64 = 12_888.8;
    const A0: f64 = 139_500.0;
    const A1: f64 = 2.567e18;
    const SLOPE: f64 = 1.6;
    const CRITICAL_KELVIN: f64 = 277.0;
    let (mut intermediate, mut portions) = (0.0_f64, 0.0_f64);
    for celsius in hourly {
        let kelvin = celsius + 273.0;
        let balance = A0 / A1 * ((E1 - E0) / kelvin).exp();
        let loss = A1 * (-E1 / kelvin).exp();
        intermediate = balance - (balance - intermediate) * (-loss).exp();
        if intermediate >= 1.0 {
            let s = (SLOPE * CRITICAL_KELVIN * (kelvin - CRITICAL_KELVIN)
                / kelvin)
                .exp();
            let fixed = intermediate * (s / (1.0 + s));
            portions += fixed;
            intermediate -= fixed;
        }
    }
    portions
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::published::{close, json, number, numbers, table};

    /// Source: `chill.json`, worked day, fridge day and cycles, computed.
    #[test]
    fn utah_units_of_the_worked_day_are_nine() {
        let chill = json("chill.json");
        let day = &chill["day"];
        let hourly = numbers(&day["hourly_c"]);
        for (celsius, units) in hourly.iter().zip(numbers(&day["utah_c_units"]))
        {
            close(utah_units(&[*celsius]), units, 1e-12, "hour");
        }
        close(utah_units(&hourly), 9.0, 1e-12, "day");
        let fridge = numbers(&chill["fridge_day"]["hourly_c"]);
        close(utah_units(&fridge), 24.0, 1e-12, "fridge day");
        for edge in [1.4, 2.4, 9.1, 12.4, 15.9, 18.0] {
            let colder = utah_units(&[edge - 1e-9]);
            close(utah_units(&[edge]), colder, 1e-12, "an edge");
        }
    }

    /// Source: `chill.json`: both conventions of chill hours give 13 on the
    /// worked day, and so does a band that ends at 7 °C; a fridge day 24.
    #[test]
    fn hours_in_the_band_match_the_worked_days() {
        let chill = json("chill.json");
        let celsius = |degrees| Celsius::new(degrees).unwrap();
        for (low, high, column) in [
            (-100.0, 7.2, "chill_hours_le_7p2"),
            (0.0, 7.2, "chill_hours_0_to_7p2"),
            (-100.0, 7.0, "chill_hours_lt_7"),
        ] {
            let band = ChillBand { low: celsius(low), high: celsius(high) };
            for day in ["day", "fridge_day"] {
                let Some(expected) = chill[day][column].as_f64() else {
                    continue;
                };
                let hours: f64 = numbers(&chill[day]["hourly_c"])
                    .iter()
                    .map(|celsius| band.shape().at(*celsius))
                    .sum();
                close(hours, expected, 1e-12, column);
            }
        }
    }

    /// Source: `chill_constant_temperature.csv`, computed; 1e-3 portions,
    /// first portion at the printed hour.
    #[test]
    fn portions_at_constant_temperature_match_the_table() {
        for row in table("chill_constant_temperature.csv") {
            let celsius = number(&row, "temp_c").unwrap();
            for hours in [240, 500, 1000] {
                let column = format!("portions_{hours}h");
                let expected = number(&row, &column).unwrap();
                let got = chill_portions(&vec![celsius; hours]);
                assert!((got - expected).abs() < 1e-3, "{row:?}: {got}");
            }
            let first = (1..=1000_u32).find(|hours| {
                let hours = usize::try_from(*hours).unwrap();
                chill_portions(&vec![celsius; hours]) > 0.0
            });
            assert_eq!(
                first.map(f64::from),
                number(&row, "first_portion_at_hour"),
                "{row:?}"
            );
            let steady = vec![celsius; 240];
            let utah = number(&row, "utah_units_240h").unwrap();
            close(utah_units(&steady), utah, 1e-12, "Utah");
            for (low, column) in [
                (-100.0, "chill_hours_le_7p2_240h"),
                (0.0, "chill_hours_0_7p2_240h"),
            ] {
                let band = ChillBand {
                    low: Celsius::new(low).unwrap(),
                    high: Celsius::new(7.2).unwrap(),
                };
                let hours = 240.0 * band.shape().at(celsius);
                close(hours, number(&row, column).unwrap(), 1e-12, column);
            }
        }
    }

    /// Source: `chill.json`, cycles over 20 days, computed: warm hours at
    /// 24 °C undo everything, at 15 °C they add.
    #[test]
    fn warm_hours_undo_or_add_portions_as_printed() {
        let cycles = &json("chill.json")["cycles"];
        let cycle = |warm: f64| -> Vec<f64> {
            let day = [vec![6.0; 16], vec![warm; 8]].concat();
            day.repeat(20)
        };
        for (hourly, name) in [
            (cycle(24.0), "cycle_16h_6C_8h_24C"),
            (cycle(15.0), "cycle_16h_6C_8h_15C"),
            (vec![6.0; 480], "constant_6C_480h"),
            (vec![6.0; 320], "constant_6C_320h"),
        ] {
            let expected = &cycles[name];
            let portions = expected["dynamic"].as_f64().unwrap();
            close(chill_portions(&hourly), portions, 1e-3, name);
            if let Some(utah) = expected["utah"].as_f64() {
                close(utah_units(&hourly), utah, 1e-9, name);
            }
        }
    }
}
