//! One value at the door: inside physics or refused, and marked when it is
//! a number that sensors give when they cannot measure.
//!
//! Only what a single sample shows. What needs a series (a value that never
//! changes, −0.0625 °C again and again) is in `watchful`.

use crate::decode::Refusal;
use crate::observation::{Quality, Quantity};

/// Values of one sample: each quantity with its value and marks.
pub(crate) type Values = Vec<(Quantity, f64, Quality)>;

/// Two numbers that are the same but for the last bits of a float.
pub(crate) fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

/// What one-wire thermometers give after power-on before they have measured.
const POWER_ON_CELSIUS: f64 = 85.0;
/// What common libraries give for a one-wire thermometer that is not there,
/// and the same number when it went through a Fahrenheit conversion.
const NOT_FOUND_CELSIUS: f64 = -127.0;
const NOT_FOUND_FAHRENHEIT: f64 = -196.6;
/// All 16 bits of a light register set: overflow, or a bus without answer.
const ALL_BITS_LUX: f64 = 65_535.0;
/// A damaged air sensor that answers half of its scale twice (raw 0x8000):
/// −45 + 175/2 °C and −6 + 125/2 %, the pair `watchful` reports together.
const HALF_SCALE_CELSIUS: f64 = -45.0 + 175.0 * 32_768.0 / 65_535.0;
const HALF_SCALE_PERCENT: f64 = -6.0 + 125.0 * 32_768.0 / 65_535.0;
/// Half a unit of the second decimal, the coarsest rounding that still
/// tells the pair from ordinary air.
const HALF_SCALE_ROUNDING: f64 = 0.005;

/// Checks one value against physics and the known false values.
pub(crate) fn judged(
    quantity: Quantity,
    value: f64,
) -> Result<(Quantity, f64, Quality), Refusal> {
    let (low, high) = quantity.limits();
    if !(low..=high).contains(&value) {
        let unit = quantity.unit();
        let hint = hint(quantity, value);
        return Err(Refusal::OutsidePhysics {
            quantity,
            value,
            unit,
            low,
            high,
            hint,
        });
    }
    let quality = match quantity {
        Quantity::Temperature if same(value, POWER_ON_CELSIUS) => {
            Quality::KNOWN_FALSE
        }
        Quantity::Light if same(value, ALL_BITS_LUX) => Quality::KNOWN_FALSE,
        Quantity::Humidity if value >= 100.0 => Quality::SATURATED,
        _ => Quality::GOOD,
    };
    Ok((quantity, value, quality))
}

fn hint(quantity: Quantity, value: f64) -> &'static str {
    let not_found = [NOT_FOUND_CELSIUS, NOT_FOUND_FAHRENHEIT];
    if quantity == Quantity::Temperature
        && not_found.iter().any(|known| same(value, *known))
    {
        "; a one-wire library says this when it finds no sensor"
    } else {
        ""
    }
}

/// Marks temperature and humidity of one sample when together they are the
/// half-scale answer of a damaged sensor.
pub(crate) fn mark_half_scale(values: &mut Values) {
    let near = |quantity, known: f64| {
        values.iter().any(|(q, value, _)| {
            *q == quantity && (value - known).abs() <= HALF_SCALE_ROUNDING
        })
    };
    if near(Quantity::Temperature, HALF_SCALE_CELSIUS)
        && near(Quantity::Humidity, HALF_SCALE_PERCENT)
    {
        for (quantity, _, quality) in values {
            if matches!(quantity, Quantity::Temperature | Quantity::Humidity) {
                *quality = quality.with(Quality::KNOWN_FALSE);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_marks(quantity: Quantity, value: f64, marks: &[&str]) {
        let (_, kept, quality) = judged(quantity, value).unwrap();
        assert!(same(kept, value));
        assert_eq!(quality.words(), marks, "{quantity} {value}");
    }

    #[test]
    fn values_inside_physics_are_kept_with_their_marks() {
        check_marks(Quantity::Temperature, 3.6, &[]);
        check_marks(Quantity::Temperature, 84.9375, &[]);
        check_marks(Quantity::Temperature, 85.0, &["known-false"]);
        check_marks(Quantity::Temperature, -0.0625, &[]);
        check_marks(Quantity::Humidity, 99.9, &[]);
        check_marks(Quantity::Humidity, 100.0, &["saturated"]);
        check_marks(Quantity::Humidity, 105.0, &["saturated"]);
        check_marks(Quantity::Light, 0.0, &[]);
        check_marks(Quantity::Light, 65_534.0, &[]);
        check_marks(Quantity::Light, 65_535.0, &["known-false"]);
    }

    #[track_caller]
    fn check_refused(quantity: Quantity, value: f64, reason: &str) {
        let error = judged(quantity, value).unwrap_err();
        assert_eq!(error.to_string(), reason);
    }

    #[test]
    fn values_outside_physics_name_value_and_limit() {
        check_refused(
            Quantity::Humidity,
            600.0,
            "humidity 600 % is outside 0 to 105 %",
        );
        check_refused(
            Quantity::Temperature,
            -60.5,
            "temperature -60.5 °C is outside -60 to 85 °C",
        );
        check_refused(
            Quantity::Temperature,
            -127.0,
            "temperature -127 °C is outside -60 to 85 °C; a one-wire \
             library says this when it finds no sensor",
        );
        check_refused(
            Quantity::Light,
            -1.0,
            "light -1 lx is outside 0 to 200000 lx",
        );
        check_refused(
            Quantity::Battery,
            f64::NAN,
            "battery NaN V is outside 0 to 60 V",
        );
    }

    /// Source: the conversion printed in data sheets of this family
    /// (−45 + 175·raw/65535 °C, −6 + 125·raw/65535 %), computed: 42.50 °C
    /// and 56.50 %; a public thread reports the pair as "about 42 and 56".
    #[test]
    fn the_half_scale_pair_is_marked_only_as_a_pair() {
        let pair = |t, h| {
            let mut values = vec![
                (Quantity::Temperature, t, Quality::GOOD),
                (Quantity::Humidity, h, Quality::GOOD),
                (Quantity::Light, 5.0, Quality::GOOD),
            ];
            mark_half_scale(&mut values);
            values.iter().map(|v| v.2).collect::<Vec<_>>()
        };
        let (marked, good) = (Quality::KNOWN_FALSE, Quality::GOOD);
        assert_eq!(pair(42.5, 56.5), [marked, marked, good]);
        assert_eq!(pair(42.501_335, 56.500_954), [marked, marked, good]);
        assert_eq!(pair(42.5, 57.0), [good; 3]);
        assert_eq!(pair(41.0, 56.5), [good; 3]);
    }
}
