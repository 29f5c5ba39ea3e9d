//! Corrections of a sensor: an offset, a line through two fixed points, and
//! the fixed points themselves.
//!
//! Not a change of what is stored: raw readings stay, a correction is
//! applied when they are read.

use crate::observation::{Quality, Quantity, Reading};
use crate::units::{Celsius, RelativeHumidity};

/// Why two points give no line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// A value is not finite.
    #[error("a calibration value is not a finite number")]
    NotFinite,
    /// Both points were read at the same raw value, or so close to it that
    /// the line is steeper or flatter than any working sensor.
    #[error(
        "raw {first} and {second} give a gain of {gain:.2}, outside 0.5–2: \
         check that the points were not mixed up"
    )]
    NoLine {
        /// Raw value at the first point.
        first: f64,
        /// Raw value at the second point.
        second: f64,
        /// The gain they would give.
        gain: f64,
    },
}

/// What a sensor said at a fixed point, and what was true there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedPoint {
    /// The raw value.
    pub raw: f64,
    /// The true value, in the same unit.
    pub truth: f64,
}

/// A straight correction: gain times raw plus offset.
///
/// # Source
/// Arithmetic; worked examples in test `worked_corrections_are_exact`.
///
/// # When it misleads
/// Outside the two points the line is carried on, and a gain error grows
/// with the distance: a line through 33 and 75 % says little about a fridge
/// at 95 %. [`Corrected::extrapolated`] tells. An offset alone moves the
/// whole scale by what was wrong at one spot.
///
/// # Example
/// Raw 0.43 °C in ice water: everything is 0.43 °C lower.
/// ```
/// use vernalog::climate::calibration::{Correction, FixedPoint};
/// use vernalog::observation::Quantity;
/// let ice = FixedPoint { raw: 0.43, truth: 0.0 };
/// let correction = Correction::offset(ice).unwrap();
/// let fridge = correction.apply(4.2, Quantity::Temperature);
/// assert!((fridge.value - 3.77).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    gain: f64,
    offset: f64,
    /// Raw values between which the line was measured.
    measured: Option<(f64, f64)>,
}

/// A corrected value and what to think of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corrected {
    /// The value, within 0–100 % for humidity and not below 0 lx for light.
    pub value: f64,
    /// The line ended outside those limits and was held at them.
    pub clamped: bool,
    /// The raw value lies outside the two points of the line.
    pub extrapolated: bool,
}

impl Correction {
    /// Everything shifted by what one point was off.
    ///
    /// # Errors
    /// [`CalibrationError::NotFinite`].
    pub fn offset(point: FixedPoint) -> Result<Self, CalibrationError> {
        let offset = point.truth - point.raw;
        if !offset.is_finite() {
            return Err(CalibrationError::NotFinite);
        }
        Ok(Self { gain: 1.0, offset, measured: None })
    }

    /// The line through two points.
    ///
    /// # Errors
    /// [`CalibrationError`] when a value is not finite, or the gain lies
    /// outside 0.5 to 2, which points that were mixed up or too close give.
    pub fn two_point(
        first: FixedPoint,
        second: FixedPoint,
    ) -> Result<Self, CalibrationError> {
        let numbers = [first.raw, first.truth, second.raw, second.truth];
        if !numbers.iter().all(|number| number.is_finite()) {
            return Err(CalibrationError::NotFinite);
        }
        let gain = (second.truth - first.truth) / (second.raw - first.raw);
        if !(0.5..=2.0).contains(&gain) {
            let (first, second) = (first.raw, second.raw);
            return Err(CalibrationError::NoLine { first, second, gain });
        }
        let measured =
            Some((first.raw.min(second.raw), first.raw.max(second.raw)));
        Ok(Self { gain, offset: first.truth - gain * first.raw, measured })
    }

    /// Corrected value per raw value.
    #[must_use]
    pub const fn gain(self) -> f64 {
        self.gain
    }

    /// What is added after the gain.
    #[must_use]
    pub const fn shift(self) -> f64 {
        self.offset
    }

    /// Corrects a value of this quantity.
    #[must_use]
    pub fn apply(self, raw: f64, quantity: Quantity) -> Corrected {
        let straight = self.gain * raw + self.offset;
        let value = match quantity {
            Quantity::Humidity => straight.clamp(0.0, 100.0),
            Quantity::Light => straight.max(0.0),
            _ => straight,
        };
        Corrected {
            value,
            clamped: (value - straight).abs() > 0.0,
            extrapolated: self
                .measured
                .is_some_and(|(low, high)| raw < low || raw > high),
        }
    }

    /// Corrects a reading; one that was held at 100 % is marked saturated.
    #[must_use]
    pub fn reading(self, reading: Reading, quantity: Quantity) -> Reading {
        let corrected = self.apply(reading.value, quantity);
        let mut quality = reading.quality;
        if corrected.clamped && corrected.value > 0.0 {
            quality = quality.with(Quality::SATURATED);
        }
        Reading { value: corrected.value, quality, ..reading }
    }
}

/// Pure ice and water, stirred: 0.00 °C.
#[must_use]
pub fn ice_point() -> Celsius {
    Celsius::new(0.0).expect("0 °C is a temperature")
}

/// A salt whose saturated solution holds the air above it at a fixed
/// humidity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Salt {
    /// Lithium chloride, about 11 %.
    LithiumChloride,
    /// Magnesium chloride, about 33 %.
    MagnesiumChloride,
    /// Sodium chloride, kitchen salt, about 75 %.
    SodiumChloride,
    /// Potassium chloride, about 85 %.
    PotassiumChloride,
    /// Potassium sulphate, about 97 %.
    PotassiumSulphate,
}

impl Salt {
    /// All of them, dry to damp.
    pub const ALL: [Self; 5] = [
        Self::LithiumChloride,
        Self::MagnesiumChloride,
        Self::SodiumChloride,
        Self::PotassiumChloride,
        Self::PotassiumSulphate,
    ];

    /// The formula as chemists write it.
    #[must_use]
    pub const fn formula(self) -> &'static str {
        match self {
            Self::LithiumChloride => "LiCl",
            Self::MagnesiumChloride => "MgCl2",
            Self::SodiumChloride => "NaCl",
            Self::PotassiumChloride => "KCl",
            Self::PotassiumSulphate => "K2SO4",
        }
    }

    /// Humidity at 0, 5, … 40 °C, %.
    const fn table(self) -> [f64; 9] {
        match self {
            Self::LithiumChloride => {
                [11.23, 11.26, 11.29, 11.30, 11.31, 11.30, 11.28, 11.25, 11.21]
            }
            Self::MagnesiumChloride => {
                [33.66, 33.60, 33.47, 33.30, 33.07, 32.78, 32.44, 32.05, 31.60]
            }
            Self::SodiumChloride => {
                [75.51, 75.65, 75.67, 75.61, 75.47, 75.29, 75.09, 74.87, 74.68]
            }
            Self::PotassiumChloride => {
                [88.61, 87.67, 86.77, 85.92, 85.11, 84.34, 83.62, 82.95, 82.32]
            }
            Self::PotassiumSulphate => {
                [98.77, 98.48, 98.18, 97.89, 97.59, 97.30, 97.00, 96.71, 96.41]
            }
        }
    }

    /// Humidity of the air over the saturated salt; straight between the
    /// steps of the table.
    ///
    /// # Returns
    /// `None` outside 0 to 40 °C.
    ///
    /// # Source
    /// Greenspan 1977, J. Res. Nat. Bur. Stand. 81A: 89–96; see test
    /// `salts_match_the_published_polynomials`.
    ///
    /// # When it misleads
    /// A kitchen-table salt point is good to about 0.5 %, and only when salt
    /// and sensor have had hours at one temperature. For a fridge at 85 to
    /// 98 % use potassium chloride or sulphate as the upper point.
    ///
    /// # Example
    /// ```
    /// use vernalog::climate::calibration::Salt;
    /// use vernalog::units::Celsius;
    /// let room = Celsius::new(20.0).unwrap();
    /// let humidity = Salt::SodiumChloride.humidity(room).unwrap();
    /// assert!((humidity.percent() - 75.47).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn humidity(self, at: Celsius) -> Option<RelativeHumidity> {
        let table = self.table();
        let mut low = 0.0;
        for pair in table.windows(2) {
            let share = (at.degrees() - low) / 5.0;
            if (0.0..=1.0).contains(&share) {
                let percent = pair[0] + (pair[1] - pair[0]) * share;
                return RelativeHumidity::from_percent(percent).ok();
            }
            low += 5.0;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::published::{close, json, number, numbers, table};
    use crate::units::Instant;

    fn salt(formula: &str) -> Salt {
        Salt::ALL.into_iter().find(|s| s.formula() == formula).unwrap()
    }

    fn percent(salt: Salt, celsius: f64) -> f64 {
        salt.humidity(Celsius::new(celsius).unwrap()).unwrap().percent()
    }

    /// Source: `salt_fixed_points.csv`: the table (from memory) to 0.05 %,
    /// its polynomials (read) to 0.02 %, tables with one decimal (read) to
    /// 0.06 %, and the handbook fit (read), which states
    /// 2 % RH.
    #[test]
    fn salts_match_the_published_polynomials() {
        for row in table("salt_fixed_points.csv") {
            let celsius = number(&row, "t_c").unwrap();
            let got = percent(salt(&row["salt"]), celsius);
            let near = |column: &str, allowed: f64| {
                if let Some(expected) = number(&row, column) {
                    let off = (got - expected).abs();
                    assert!(off <= allowed, "{row:?} {column}: {got}");
                }
            };
            near("rh_pct", 0.05);
            near("rh_poly_pct", 0.02);
            near("rh_handbook_pct", 2.0);
            // 75.7 % for NaCl at 20 °C is a misprint of that table: its own
            // neighbours are 75.6 and 75.3.
            if !(row["salt"] == "NaCl" && row["t_c"] == "20") {
                near("rh_read_0p1_pct", 0.06);
            }
        }
    }

    /// Source: `calibration.json`, polynomials read; between the table's
    /// steps the straight line stays within 0.03 %. The linear term of LiCl
    /// is positive: two public copies with minus contradict the table.
    #[test]
    fn straight_steps_between_salt_points_follow_the_polynomials() {
        let all = json("calibration.json");
        let polynomials = &all["salt_polynomials_rh_pct_of_t_c"];
        for (formula, terms) in polynomials.as_object().unwrap() {
            let terms = numbers(terms);
            for tenth in 0..=400 {
                let celsius = f64::from(tenth) / 10.0;
                let expected = terms
                    .iter()
                    .rev()
                    .fold(0.0, |sum, term| sum * celsius + term);
                let got = percent(salt(formula), celsius);
                assert!((got - expected).abs() < 0.03, "{formula} {celsius}");
            }
        }
    }

    #[test]
    fn salt_outside_its_table_is_refused() {
        for degrees in [-0.1, 40.1] {
            let at = Celsius::new(degrees).unwrap();
            assert_eq!(Salt::SodiumChloride.humidity(at), None);
        }
    }

    /// Source: `calibration.json`, exact arithmetic to 1e-9 (printed to ten
    /// digits).
    #[test]
    fn worked_corrections_are_exact() {
        let all = json("calibration.json");
        for (case, quantity) in [
            ("two_point_rh", Quantity::Humidity),
            ("two_point_temperature", Quantity::Temperature),
        ] {
            let case = &all[case];
            let (raw, truth) = (numbers(&case["raw"]), numbers(&case["truth"]));
            let point = |i: usize| FixedPoint { raw: raw[i], truth: truth[i] };
            let line = Correction::two_point(point(0), point(1)).unwrap();
            let number = |key: &str| case[key].as_f64().unwrap();
            close(line.gain(), number("gain"), 1e-9, "gain");
            close(line.shift(), number("offset"), 1e-9, "offset");
            for row in case["apply"].as_array().unwrap() {
                let number = |key: &str| row[key].as_f64().unwrap();
                let got = line.apply(number("raw"), quantity);
                let expected = number("clamped_0_100");
                close(got.value, expected, 1e-9, "corrected");
                assert_eq!(got.extrapolated, row["extrapolated"], "{row}");
                assert_eq!(got.clamped, number("corrected") > 100.0, "{row}");
            }
        }
        let ice = &all["one_point_ice"];
        let raw = ice["raw_c"].as_f64().unwrap();
        let truth = ice_point().degrees();
        let offset = Correction::offset(FixedPoint { raw, truth }).unwrap();
        for row in ice["apply"].as_array().unwrap() {
            let raw = row["raw"].as_f64().unwrap();
            let got = offset.apply(raw, Quantity::Temperature).value;
            close(got, row["corrected"].as_f64().unwrap(), 1e-9, "ice");
        }
    }

    /// Source: the same example: raw 95 % over the line through MgCl₂ and
    /// NaCl becomes 100.384 %, held at 100 and marked.
    #[test]
    fn reading_held_at_100_percent_is_marked_saturated() {
        let line = Correction::two_point(
            FixedPoint { raw: 36.1, truth: 33.07 },
            FixedPoint { raw: 73.2, truth: 75.47 },
        )
        .unwrap();
        let raw = Reading {
            at: Instant::from_millis(0),
            value: 95.0,
            quality: Quality::BACKFILLED,
        };
        let reading = line.reading(raw, Quantity::Humidity);
        assert_eq!(reading.quality.words(), ["saturated", "backfilled"]);
        close(reading.value, 100.0, 1e-12, "held");
        let dry = Reading { value: 60.0, ..raw };
        let reading = line.reading(dry, Quantity::Humidity);
        assert_eq!(reading.quality, Quality::BACKFILLED);
    }

    #[test]
    fn points_that_were_mixed_up_are_refused() {
        let low = FixedPoint { raw: 36.1, truth: 75.47 };
        let high = FixedPoint { raw: 73.2, truth: 33.07 };
        assert!(Correction::two_point(low, high).is_err());
        assert!(Correction::two_point(low, low).is_err());
        let broken = FixedPoint { raw: f64::NAN, truth: 0.0 };
        assert_eq!(
            Correction::offset(broken),
            Err(CalibrationError::NotFinite)
        );
    }
}
