//! Warmth as growers count it: degree-hours above a base.
//!
//! Not a rule for daily extremes: the log is integrated, and the well-known
//! minimum/maximum formulas appear only in a test that shows how far they
//! are off.

use crate::climate::shape::Shape;
use crate::units::Celsius;

/// Temperatures that do not rise from base to optimum to ceiling.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "warmth needs base < optimum < ceiling; got {base} °C, {optimum:?} °C, \
     {ceiling:?} °C"
)]
pub struct WarmthError {
    /// Given base, °C.
    pub base: f64,
    /// Given optimum, °C.
    pub optimum: Option<f64>,
    /// Given ceiling, °C.
    pub ceiling: Option<f64>,
}

/// How a temperature counts as warmth: nothing below the base, every degree
/// above it, no more above the optimum, nothing above the ceiling.
///
/// # Source
/// Degree-days above a base are textbook; the level part above an upper
/// limit is the "horizontal cut-off" of extension services. Worked values:
/// test `hourly_days_give_the_printed_degree_hours`.
///
/// # When it misleads
/// The base is a property of a species and falls while seeds are chilled; a
/// base of 5 °C gives nothing at all in a fridge at 3 °C, where rowan comes
/// up. The default of 0 °C is a convention. Compare places at 0, 3 and 5 °C
/// before trusting their order.
///
/// # Example
/// ```
/// use vernalog::climate::warmth::Warmth;
/// use vernalog::units::Celsius;
/// let at = |degrees| Celsius::new(degrees).unwrap();
/// let warmth =
///     Warmth::new(at(5.0), Some(at(25.0)), Some(at(35.0))).unwrap();
/// let shape = warmth.shape();
/// assert_eq!(shape.at(4.0), 0.0);
/// assert_eq!(shape.at(20.0), 15.0);
/// assert_eq!(shape.at(30.0), 20.0);
/// assert_eq!(shape.at(36.0), 0.0);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Warmth {
    base: Celsius,
    optimum: Option<Celsius>,
    ceiling: Option<Celsius>,
}

impl Warmth {
    /// Base, and an optimum and a ceiling where the species has them.
    ///
    /// # Errors
    /// [`WarmthError`] when the temperatures do not rise.
    pub fn new(
        base: Celsius,
        optimum: Option<Celsius>,
        ceiling: Option<Celsius>,
    ) -> Result<Self, WarmthError> {
        let steps: Vec<Celsius> =
            std::iter::once(base).chain(optimum).chain(ceiling).collect();
        if steps.windows(2).all(|pair| pair[0] < pair[1]) {
            return Ok(Self { base, optimum, ceiling });
        }
        Err(WarmthError {
            base: base.degrees(),
            optimum: optimum.map(Celsius::degrees),
            ceiling: ceiling.map(Celsius::degrees),
        })
    }

    /// Every degree above a base counts.
    #[must_use]
    pub const fn above(base: Celsius) -> Self {
        Self { base, optimum: None, ceiling: None }
    }

    /// The base.
    #[must_use]
    pub const fn base(self) -> Celsius {
        self.base
    }

    /// Degree-hours an hour, over a temperature in °C.
    #[must_use]
    pub fn shape(self) -> Shape {
        Shape::rise(
            self.base.degrees(),
            self.optimum.map(Celsius::degrees),
            self.ceiling.map(Celsius::degrees),
        )
    }
}

/// Above 0 °C, without an upper limit.
impl Default for Warmth {
    fn default() -> Self {
        Self::above(Celsius::new(0.0).expect("0 °C is a temperature"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::integrate::{HourlySums, HoursOfDay};
    use crate::climate::log::{Log, Span};
    use crate::climate::published::{close, json, numbers, table};
    use crate::observation::{Quality, Reading};
    use crate::units::Instant;

    const HOUR: i64 = 3_600_000;

    fn celsius(degrees: f64) -> Celsius {
        Celsius::new(degrees).unwrap()
    }

    /// A log that holds each hourly value for its hour: a jump at each hour.
    fn held(hourly: &[f64]) -> Vec<Reading> {
        let mut readings = Vec::new();
        for (hour, value) in (0_i64..).zip(hourly) {
            for at in [hour * HOUR, (hour + 1) * HOUR] {
                readings.push(Reading {
                    at: Instant::from_millis(at),
                    value: *value,
                    quality: Quality::GOOD,
                });
            }
        }
        readings
    }

    fn degree_hours(warmth: Warmth, hourly: &[f64]) -> f64 {
        let log = Log::new(held(hourly), HOUR, &|_| 0);
        let span = log.reach().unwrap();
        HourlySums::of(&log, warmth.shape())
            .over(&[span], HoursOfDay::ALL)
            .covered_sum
    }

    /// Source: `thermal_time.json`, hourly cases, computed; 1e-6 relative.
    /// Its "vertical" rule is a ceiling at the optimum. Its "triangular"
    /// rule, falling from optimum to ceiling, is not ours.
    #[test]
    fn hourly_days_give_the_printed_degree_hours() {
        let cases = json("thermal_time.json");
        for case in cases["hourly_cases"].as_array().unwrap() {
            let hourly = numbers(&case["hourly_c"]);
            let number = |key: &str| case[key].as_f64().unwrap();
            let base = celsius(number("base"));
            let optimum = Some(celsius(number("optimum")));
            for (warmth, column) in [
                (Warmth::above(base), "degree_hours_above_base"),
                (
                    Warmth::new(base, optimum, None).unwrap(),
                    "degree_hours_horizontal_at_optimum",
                ),
                (
                    Warmth::new(base, None, optimum).unwrap(),
                    "degree_hours_vertical_at_optimum",
                ),
            ] {
                let got = degree_hours(warmth, &hourly);
                close(got, number(column), 1e-6, column);
            }
            let days = degree_hours(Warmth::above(base), &hourly) / 24.0;
            close(days, number("degree_days_above_base"), 1e-6, "days");
        }
    }

    /// Source: same file. The rules that know only the day's extremes give
    /// 12.85 and 12.90 degree-days for a day whose log gives 10.46.
    #[test]
    fn rules_from_daily_extremes_are_a_fifth_too_high_on_a_skewed_day() {
        let case = &json("thermal_time.json")["hourly_cases"][0];
        let hourly = numbers(&case["hourly_c"]);
        let low = hourly.iter().copied().fold(f64::INFINITY, f64::min);
        let high = hourly.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let from_log = degree_hours(Warmth::above(celsius(5.0)), &hourly);
        let from_extremes = f64::midpoint(low, high) - 5.0;
        close(from_log / 24.0, 10.4625, 1e-6, "log");
        close(from_extremes, 12.85, 1e-9, "mean of extremes");
        let sine = case["single_sine_degree_days"].as_f64().unwrap();
        for rule in [from_extremes, sine] {
            let excess = rule / (from_log / 24.0) - 1.0;
            assert!((0.22..0.24).contains(&excess), "{excess}");
        }
    }

    /// Source: `degree_days_minmax.csv`: triangle (computed) and single sine
    /// after Baskerville & Emin 1969 (from memory, checked by integration to
    /// 1e-4). Both are shapes of a day, so a log of that shape must give
    /// them; the plateau at 25 °C too.
    #[test]
    fn days_of_a_known_shape_integrate_to_the_printed_degree_days() {
        for row in table("degree_days_minmax.csv") {
            let number = |key: &str| row[key].parse::<f64>().unwrap();
            let (low, high) = (number("tmin"), number("tmax"));
            let base = celsius(number("base"));
            let day = |value: &dyn Fn(f64) -> f64, n: u32| -> Vec<Reading> {
                (0..=n)
                    .map(|i| {
                        let share = f64::from(i) / f64::from(n);
                        Reading {
                            at: Instant::from_millis(0)
                                .plus_hours(24.0 * share),
                            value: value(share),
                            quality: Quality::GOOD,
                        }
                    })
                    .collect()
            };
            let days = |warmth: Warmth, readings| {
                let log = Log::new(readings, 12 * HOUR, &|_| 0);
                HourlySums::of(&log, warmth.shape())
                    .over(&[log.reach().unwrap()], HoursOfDay::ALL)
                    .covered_sum
                    / 24.0
            };
            let above = Warmth::above(base);
            let triangle = day(
                &|share| high - (high - low) * (2.0 * share - 1.0).abs(),
                2,
            );
            let expected = number("single_triangle");
            assert!((days(above, triangle) - expected).abs() < 1e-6);
            let sine = |share: f64| {
                f64::midpoint(low, high)
                    - (high - low) / 2.0 * (std::f64::consts::TAU * share).cos()
            };
            let got = days(above, day(&sine, 1440));
            assert!((got - number("single_sine")).abs() < 1e-4, "{row:?}");
            let level = Warmth::new(base, Some(celsius(25.0)), None).unwrap();
            let got = days(level, day(&sine, 1440));
            let expected = number("single_sine_upper25_horizontal");
            assert!((got - expected).abs() < 1e-4, "{row:?}");
        }
    }

    /// Source: `thermal_time.json`, simple published examples: where the
    /// whole day stays above the base, any rule and the log agree.
    #[test]
    fn published_simple_days_are_reproduced() {
        let cases = json("thermal_time.json");
        for case in cases["published_simple"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64();
            let mean = number("mean").unwrap_or_else(|| {
                f64::midpoint(number("tmax").unwrap(), number("tmin").unwrap())
            });
            let in_celsius = |value: f64| {
                if case["unit"] == "F" {
                    Celsius::from_fahrenheit(value).unwrap()
                } else {
                    celsius(value)
                }
            };
            let degree = if case["unit"] == "F" { 1.8 } else { 1.0 };
            let base = in_celsius(number("base").unwrap());
            let got = degree_hours(
                Warmth::above(base),
                &[in_celsius(mean).degrees(); 24],
            ) / 24.0
                * degree;
            close(got, number("dd").unwrap(), 1e-9, "published day");
        }
    }

    /// Source: Brewster, vegetable alliums, after Harrington 1962 (read):
    /// 80 °C d above 2.5 °C are 4 days at 22.5 °C or 16 days at 7.5 °C.
    #[test]
    fn onion_thermal_time_is_the_same_at_every_temperature() {
        let onion = &json("thermal_time.json")["onion"];
        let warmth = Warmth::above(celsius(onion["base_c"].as_f64().unwrap()));
        for case in onion["cases"].as_array().unwrap() {
            let days = case["days"].as_u64().unwrap();
            let hours = usize::try_from(24 * days).unwrap();
            let steady = vec![case["temp_c"].as_f64().unwrap(); hours];
            let got = degree_hours(warmth, &steady) / 24.0;
            close(got, onion["theta50_cd"].as_f64().unwrap(), 1e-9, "θ50");
        }
    }

    /// Source: `thermal_time.json`, irregular case, computed.
    #[test]
    fn irregular_log_across_the_base_is_exact() {
        let case = &json("thermal_time.json")["irregular"][0];
        let readings: Vec<Reading> = numbers(&case["t_min"])
            .into_iter()
            .zip(numbers(&case["temp_c"]))
            .map(|(minute, value)| Reading {
                at: Instant::from_millis(0).plus_hours(minute / 60.0),
                value,
                quality: Quality::GOOD,
            })
            .collect();
        let warmth = Warmth::above(celsius(case["base"].as_f64().unwrap()));
        let dose = |gap_hours: i64| {
            let log = Log::new(readings.clone(), gap_hours * HOUR, &|_| 0);
            let span: Span = log.reach().unwrap();
            HourlySums::of(&log, warmth.shape()).over(&[span], HoursOfDay::ALL)
        };
        let exact = case["exact_clipped_linear_dh"].as_f64().unwrap();
        close(dose(24).covered_sum, exact, 1e-9, "without a limit");
        let holes = &case["gaps_excluded"];
        let dose = dose(1);
        let number = |key: &str| holes[key].as_f64().unwrap();
        close(dose.covered_sum, number("exact_dh"), 1e-9, "with holes");
        close(dose.covered_hours, number("covered_h"), 1e-9, "covered");
        close(dose.missing_hours, number("missing_h"), 1e-9, "missing");
    }

    #[test]
    fn temperatures_that_do_not_rise_are_refused() {
        let error = Warmth::new(celsius(10.0), Some(celsius(10.0)), None);
        assert_eq!(
            error.unwrap_err().to_string(),
            "warmth needs base < optimum < ceiling; got 10 °C, Some(10.0) \
             °C, None °C"
        );
    }
}
