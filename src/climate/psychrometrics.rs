//! Water vapour in air: dew point, margin, absolute humidity, deficit.
//!
//! Not air conditioning: pressure plays no part, and humidity is over liquid
//! water at every temperature, as sensors and meteorologists state it.
//!
//! One formulation each is used, Murphy & Koop 2005, because theirs for
//! liquid water was made for supercooled water too (down to −150 °C), so a
//! frosty cold frame needs no second rule and the curve has no step at 0 °C.

use crate::units::{Celsius, CelsiusSpan, Kilopascal, RelativeHumidity};

const ZERO_CELSIUS_KELVIN: f64 = 273.15;
/// Gas constant of water vapour, J kg⁻¹ K⁻¹.
const VAPOUR_GAS_CONSTANT: f64 = 461.52;
/// Drier than this a home sensor says nothing; no dew point is given, °C.
const LOWEST_DEW_POINT: f64 = -100.0;

/// Saturation vapour pressure over liquid water, also below 0 °C.
///
/// # Arguments
/// - `air`: −100 to 59 °C is the range of the formula; up to 85 °C, where a
///   sensor ends, it is carried on.
///
/// # Returns
/// The pressure at which air over liquid water is saturated.
///
/// # Source
/// Murphy & Koop 2005, Q. J. R. Meteorol. Soc. 131: 1539–1565, eq. 10
/// (constants from memory). It stays within 0.32 % of five other
/// formulations up to 26 °C; see test
/// `saturation_matches_six_formulations`.
///
/// # When it misleads
/// The mean of the pressures at a day's extremes is not the pressure at its
/// mean temperature (2.39 against 2.30 kPa for 24.5 and 15.0 °C): derive
/// each reading first, then average.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::saturation_over_water;
/// use vernalog::units::Celsius;
/// let pressure = saturation_over_water(Celsius::new(25.0).unwrap());
/// assert!((pressure.kilopascals() - 3.170).abs() < 0.0005);
/// ```
#[must_use]
pub fn saturation_over_water(air: Celsius) -> Kilopascal {
    kilopascal(over_water(air.degrees()))
}

/// Saturation vapour pressure over ice.
///
/// # Arguments
/// - `surface`: at most 0.01 °C, where ice ends; a warmer one is taken as
///   0.01 °C.
///
/// # Returns
/// The pressure at which frost neither grows nor goes.
///
/// # Source
/// Murphy & Koop 2005, eq. 7 (constants from memory); within 0.09 % of
/// three other formulations; see test `saturation_matches_six_formulations`.
///
/// # When it misleads
/// Never divide a sensor's humidity by this one: sensors mean liquid water.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::saturation_over_ice;
/// use vernalog::units::Celsius;
/// let pressure = saturation_over_ice(Celsius::new(-5.0).unwrap());
/// assert!((pressure.kilopascals() - 0.4018).abs() < 0.00005);
/// ```
#[must_use]
pub fn saturation_over_ice(surface: Celsius) -> Kilopascal {
    kilopascal(over_ice(surface.degrees().min(0.01)))
}

/// Pressure of the water vapour in the air: saturation times humidity.
///
/// # Source
/// Definition of relative humidity over liquid water (WMO-No. 8).
///
/// # When it misleads
/// A sensor that reads 2 % too high moves it by 2 % of saturation.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::vapour_pressure;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let half = RelativeHumidity::from_percent(50.0).unwrap();
/// let pressure = vapour_pressure(Celsius::new(20.0).unwrap(), half);
/// assert!((pressure.kilopascals() - 1.170).abs() < 0.0005);
/// ```
#[must_use]
pub fn vapour_pressure(air: Celsius, humidity: RelativeHumidity) -> Kilopascal {
    kilopascal(over_water(air.degrees()) * humidity.fraction())
}

/// Vapour pressure deficit: how much more water vapour the air could hold.
///
/// # Returns
/// Saturation over liquid water minus vapour pressure, never negative.
///
/// # Source
/// Definition; see test `state_points_match_two_libraries`.
///
/// # When it misleads
/// In a fridge near saturation an error of 2 % humidity is as large as the
/// deficit itself. It is of the air of the place, never of a closed
/// container.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::vapour_pressure_deficit;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let humidity = RelativeHumidity::from_percent(60.0).unwrap();
/// let deficit =
///     vapour_pressure_deficit(Celsius::new(25.0).unwrap(), humidity);
/// assert!((deficit.kilopascals() - 1.268).abs() < 0.0005);
/// ```
#[must_use]
pub fn vapour_pressure_deficit(
    air: Celsius,
    humidity: RelativeHumidity,
) -> Kilopascal {
    kilopascal(over_water(air.degrees()) * (1.0 - humidity.fraction()))
}

/// Dew point: cooled to it, this air wets a surface with liquid water.
///
/// # Returns
/// `None` for humidity 0 or a dew point below −100 °C.
///
/// # Source
/// The temperature whose saturation pressure over liquid water is the
/// vapour pressure; solved by iteration to better than 1e-6 °C. See test
/// `state_points_match_two_libraries`.
///
/// # When it misleads
/// Below 0 °C dew point and frost point are different numbers (2 °C and
/// 85 %: −0.25 against −0.22 °C). Say which one is shown.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::dew_point;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let half = RelativeHumidity::from_percent(50.0).unwrap();
/// let dew = dew_point(Celsius::new(20.0).unwrap(), half).unwrap();
/// assert!((dew.degrees() - 9.27).abs() < 0.005);
/// ```
#[must_use]
pub fn dew_point(air: Celsius, humidity: RelativeHumidity) -> Option<Celsius> {
    let log_vapour = (over_water(air.degrees()) * humidity.fraction()).ln();
    solve(log_vapour, over_water, (611.2, 17.62, 243.12))
}

/// Frost point: cooled to it, this air puts ice on a surface.
///
/// # Returns
/// `None` above 0.01 °C, where there is only a dew point, and for air too
/// dry for one.
///
/// # Source
/// The temperature whose saturation pressure over ice is the vapour
/// pressure; see test `state_points_match_two_libraries`.
///
/// # When it misleads
/// Clean surfaces often stay free of ice down to the dew point.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::frost_point;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let humidity = RelativeHumidity::from_percent(80.0).unwrap();
/// let frost = frost_point(Celsius::new(-5.0).unwrap(), humidity).unwrap();
/// assert!((frost.degrees() + 7.03).abs() < 0.005);
/// ```
#[must_use]
pub fn frost_point(
    air: Celsius,
    humidity: RelativeHumidity,
) -> Option<Celsius> {
    let log_vapour = (over_water(air.degrees()) * humidity.fraction()).ln();
    if log_vapour > over_ice(0.01).ln() {
        return None;
    }
    solve(log_vapour, over_ice, (611.2, 22.46, 272.62))
}

/// Dew-point margin: how far the air is above its dew point.
///
/// # Returns
/// Air temperature minus dew point; zero at saturation, `None` where there
/// is no dew point.
///
/// # Source
/// Definition (dew-point depression); see test
/// `state_points_match_two_libraries`.
///
/// # When it misleads
/// At 4 °C and 98 % it is 0.3 °C: less than the error of a cheap sensor. A
/// surface colder than the air is wet long before the margin is zero.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::dew_point_margin;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let humidity = RelativeHumidity::from_percent(98.0).unwrap();
/// let margin =
///     dew_point_margin(Celsius::new(4.0).unwrap(), humidity).unwrap();
/// assert!((margin.degrees() - 0.287).abs() < 0.001);
/// ```
#[must_use]
pub fn dew_point_margin(
    air: Celsius,
    humidity: RelativeHumidity,
) -> Option<CelsiusSpan> {
    dew_point(air, humidity).map(|dew| air - dew)
}

/// Absolute humidity: grams of water vapour in a cubic metre of air.
///
/// # Source
/// Ideal gas law with 461.52 J kg⁻¹ K⁻¹; see test
/// `state_points_match_two_libraries`.
///
/// # When it misleads
/// It changes when air is warmed at constant pressure, a little: the same
/// vapour fills more room.
///
/// # Example
/// ```
/// use vernalog::climate::psychrometrics::vapour_grams_per_cubic_metre;
/// use vernalog::units::{Celsius, RelativeHumidity};
/// let half = RelativeHumidity::from_percent(50.0).unwrap();
/// let grams =
///     vapour_grams_per_cubic_metre(Celsius::new(20.0).unwrap(), half);
/// assert!((grams - 8.645).abs() < 0.001);
/// ```
#[must_use]
pub fn vapour_grams_per_cubic_metre(
    air: Celsius,
    humidity: RelativeHumidity,
) -> f64 {
    let kelvin = air.degrees() + ZERO_CELSIUS_KELVIN;
    let pascals = over_water(air.degrees()) * humidity.fraction();
    1000.0 * pascals / (VAPOUR_GAS_CONSTANT * kelvin)
}

fn kilopascal(pascals: f64) -> Kilopascal {
    Kilopascal::new(pascals / 1000.0)
        .expect("a vapour pressure is finite and not negative")
}

/// Murphy & Koop 2005, eq. 10, Pa.
fn over_water(celsius: f64) -> f64 {
    let t = kelvin_in_range(celsius);
    let ln = t.ln();
    (54.842_763 - 6763.22 / t - 4.210 * ln
        + 0.000_367 * t
        + (0.0415 * (t - 218.8)).tanh()
            * (53.878 - 1331.22 / t - 9.445_23 * ln + 0.014_025 * t))
        .exp()
}

/// Murphy & Koop 2005, eq. 7, Pa.
fn over_ice(celsius: f64) -> f64 {
    let t = kelvin_in_range(celsius);
    (9.550_426 - 5723.265 / t + 3.530_68 * t.ln() - 0.007_283_32 * t).exp()
}

/// The formulas end at 110 K and rise without sense above 500 K; no air at
/// home is there.
fn kelvin_in_range(celsius: f64) -> f64 {
    (celsius + ZERO_CELSIUS_KELVIN).clamp(110.0, 500.0)
}

/// The temperature at which `curve` reaches a vapour pressure: a start from
/// the Magnus form with the given constants, then steps along its slope,
/// each of which shrinks the error several hundred times.
fn solve(
    log_vapour: f64,
    curve: fn(f64) -> f64,
    (at_zero, a, b): (f64, f64, f64),
) -> Option<Celsius> {
    let share = log_vapour - f64::ln(at_zero);
    let mut celsius = b * share / (a - share);
    if celsius.is_nan() || celsius < LOWEST_DEW_POINT {
        return None;
    }
    for _ in 0..4 {
        let slope = a * b / (b + celsius).powi(2);
        celsius += (log_vapour - curve(celsius).ln()) / slope;
    }
    Celsius::new(celsius).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::published::{close, json, number, table};

    fn celsius(degrees: f64) -> Celsius {
        Celsius::new(degrees).unwrap()
    }

    fn relative(got: f64, expected: f64, tolerance: f64, what: &str) {
        assert!(
            (got / expected - 1.0).abs() <= tolerance,
            "{what}: got {got}, expected {expected}"
        );
    }

    /// Source: `saturation_vapour_pressure.csv`, computed. Our own
    /// formulation to its four printed digits, the others within the spread
    /// the table states (0.32 % up to 26 °C, 0.41 % to 40 °C); ice 0.1 %.
    #[test]
    fn saturation_matches_six_formulations() {
        for row in table("saturation_vapour_pressure.csv") {
            let t = number(&row, "t_c").unwrap();
            let water = over_water(t);
            let own = number(&row, "es_water_murphy_koop_pa").unwrap();
            assert!((water - own).abs() < 0.000_051, "{row:?}");
            let tolerance = if t <= 26.0 { 0.0032 } else { 0.0041 };
            for column in [
                "es_water_if97_pa",
                "es_water_hyland_wexler_pa",
                "es_water_metpy_pa",
                "es_water_wmo_pa",
                "es_water_tetens_fao56_pa",
            ] {
                if let Some(expected) = number(&row, column) {
                    relative(water, expected, tolerance, column);
                }
            }
            let Some(ice) = number(&row, "es_ice_murphy_koop_pa") else {
                continue;
            };
            assert!((over_ice(t) - ice).abs() < 0.000_051, "{row:?}");
            for column in
                ["es_ice_iapws_pa", "es_ice_metpy_pa", "es_ice_wmo_pa"]
            {
                let expected = number(&row, column).unwrap();
                relative(over_ice(t), expected, 0.001, column);
            }
        }
    }

    /// Source: `published_points.json`: IAPWS, FAO-56 (Tetens, printed to
    /// 0.001 kPa), ASHRAE 2017 to 3e-4. The curves of FAO-56 and IAPWS are
    /// not ours, so 0.1 % is allowed there. 500 K and 230 K (−43 °C) are
    /// outside this program's use.
    #[test]
    fn published_points_are_reproduced() {
        let points = json("published_points.json");
        for point in points["entries"].as_array().unwrap() {
            let input = &point["input"];
            let id = point["id"].as_str().unwrap();
            let es =
                |key: &str| input[key].as_f64().map(|t| over_water(t) / 1000.0);
            let mean = es("tmax_c")
                .zip(es("tmin_c"))
                .map(|(high, low)| f64::midpoint(high, low));
            if let Some(kelvin) = input["T_K"].as_f64() {
                let t = kelvin - ZERO_CELSIUS_KELVIN;
                let pascals = point["value_pa"]
                    .as_f64()
                    .or(point["value_mpa"].as_f64().map(|mpa| mpa * 1e6));
                let pascals = pascals.unwrap();
                match id {
                    "iapws_if97_500K" => {}
                    "iapws_r14_230K" => {
                        relative(over_ice(t), pascals, 1e-3, id);
                    }
                    _ => relative(over_water(t), pascals, 1e-3, id),
                }
            } else if let Some(pascals) = point["value_pa"].as_f64() {
                let t = input["t_c"].as_f64().unwrap();
                let got = if t < 0.0 { over_ice(t) } else { over_water(t) };
                relative(got, pascals, 3e-4, id);
            } else if let Some(kilopascals) = point["value_kpa"].as_f64() {
                let got = mean.or(es("t_c")).unwrap();
                relative(got, kilopascals, 1e-3, id);
            } else {
                let vapour = f64::midpoint(
                    es("tmax_c").unwrap() * input["rhmin"].as_f64().unwrap(),
                    es("tmin_c").unwrap() * input["rhmax"].as_f64().unwrap(),
                ) / 100.0;
                let value = &point["value_kpa"];
                let saturated = mean.unwrap();
                for (got, key) in [
                    (saturated, "es"),
                    (vapour, "ea"),
                    (saturated - vapour, "vpd"),
                ] {
                    let expected = value[key].as_f64().unwrap();
                    assert!((got - expected).abs() <= 0.0055, "{id} {key}");
                }
            }
        }
    }

    /// Source: `state_points.csv`, computed with two libraries: dew and
    /// frost point within 0.05 °C, vapour pressure 0.32 % (0.41 % above
    /// 26 °C), absolute humidity 0.4 % (0.41 % above it),
    /// deficit 0.5 %.
    #[test]
    fn state_points_match_two_libraries() {
        for row in table("state_points.csv") {
            let at = |column: &str| number(&row, column).unwrap();
            let air = celsius(at("t_c"));
            let humidity =
                RelativeHumidity::from_percent(at("rh_pct")).unwrap();
            let what = format!("{row:?}");
            let pascals = vapour_pressure(air, humidity).kilopascals() * 1e3;
            let vapour = if at("t_c") <= 26.0 { 0.0032 } else { 0.0041 };
            for column in ["e_hyland_wexler_pa", "e_metpy_pa", "e_wmo_pa"] {
                relative(pascals, at(column), vapour, &what);
            }
            let dew = dew_point(air, humidity).unwrap();
            for column in [
                "dewpoint_water_hyland_wexler_c",
                "dewpoint_metpy_c",
                "dewpoint_water_wmo_c",
            ] {
                assert!((dew.degrees() - at(column)).abs() <= 0.05, "{what}");
            }
            close(over_water(dew.degrees()), pascals, 1e-9, "solved");
            let margin = dew_point_margin(air, humidity).unwrap();
            let expected = (air - dew).degrees();
            close(margin.degrees(), expected, 1e-12, "margin");
            match (frost_point(air, humidity), number(&row, "frostpoint_c")) {
                (Some(frost), Some(expected)) => {
                    let off = (frost.degrees() - expected).abs();
                    assert!(off <= 0.05, "{what}");
                }
                (None, None) => {}
                other => panic!("{what}: {other:?}"),
            }
            let grams = vapour_grams_per_cubic_metre(air, humidity);
            for column in
                ["abs_humidity_hyland_wexler_g_m3", "abs_humidity_metpy_g_m3"]
            {
                relative(grams, at(column), vapour.max(0.004), &what);
            }
            let deficit = vapour_pressure_deficit(air, humidity).kilopascals();
            for column in
                ["vpd_hyland_wexler_kpa", "vpd_metpy_kpa", "vpd_tetens_kpa"]
            {
                // The table prints five decimals of small numbers.
                let allowed = 0.005 * at(column) + 0.000_01;
                assert!((deficit - at(column)).abs() <= allowed, "{what}");
            }
        }
    }

    /// Source: caution 1 of the state points: over ice, −5 °C and 80 % would
    /// have its dew point at −7.59 °C; over liquid water it is −7.91 °C.
    #[test]
    fn humidity_below_zero_is_over_liquid_water() {
        let humidity = RelativeHumidity::from_percent(80.0).unwrap();
        let dew = dew_point(celsius(-5.0), humidity).unwrap().degrees();
        assert!((dew + 7.91).abs() < 0.01, "{dew}");
    }

    #[test]
    fn air_without_vapour_has_no_dew_point() {
        let dry = RelativeHumidity::from_percent(0.0).unwrap();
        let trace = RelativeHumidity::from_percent(1e-9).unwrap();
        for humidity in [dry, trace] {
            assert_eq!(dew_point(celsius(20.0), humidity), None);
            assert_eq!(frost_point(celsius(20.0), humidity), None);
        }
        let wet = RelativeHumidity::from_percent(100.0).unwrap();
        for degrees in [-60.0, 0.0, 85.0] {
            let margin = dew_point_margin(celsius(degrees), wet).unwrap();
            assert!(margin.degrees().abs() < 1e-6, "{degrees}: {margin:?}");
        }
    }
}
