//! Light: lux-hours first, and photons only as a range for a named source.
//!
//! Not a spectrum: a lux sensor sees with the human eye, and what the plant
//! gets of it depends on the lamp.

use std::fmt;

use crate::climate::shape::Shape;
use crate::units::Lux;

/// Below this a place is called dark unless a grower states another limit.
pub const DARK_BELOW_LUX: f64 = 10.0;

/// One µmol m⁻² s⁻¹ for an hour, in mol m⁻².
const MOLES_PER_MICROMOLE_HOUR: f64 = 0.0036;

/// What lights a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum LightSource {
    /// Sun and sky, also through a window.
    Daylight,
    /// White light-emitting diodes of about 2700 to 3000 K.
    WarmWhiteLed,
    /// White light-emitting diodes of about 4000 K and more.
    CoolWhiteLed,
    /// White fluorescent tubes; not the pink tubes sold for plants.
    Fluorescent,
    /// Tungsten lamps.
    Incandescent,
    /// High-pressure sodium lamps.
    HighPressureSodium,
    /// Not stated, or mixed.
    Unknown,
}

impl LightSource {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Daylight,
        Self::WarmWhiteLed,
        Self::CoolWhiteLed,
        Self::Fluorescent,
        Self::Incandescent,
        Self::HighPressureSodium,
        Self::Unknown,
    ];

    /// The word used in the ledger and in files.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Daylight => "daylight",
            Self::WarmWhiteLed => "warm-white-led",
            Self::CoolWhiteLed => "cool-white-led",
            Self::Fluorescent => "fluorescent",
            Self::Incandescent => "incandescent",
            Self::HighPressureSodium => "high-pressure-sodium",
            Self::Unknown => "unknown",
        }
    }

    /// The source of this word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|source| source.word() == word)
    }

    /// Lux that correspond to 1 µmol m⁻² s⁻¹ between 400 and 700 nm: the
    /// lowest and highest published or computed figure for such a source.
    ///
    /// # Source
    /// Thimijan & Heins 1983, HortScience 18: 818–822; Deitzer 1994; CIE
    /// illuminant spectra. Every figure stands in
    /// `tests/reference/climate/lux_to_ppfd.csv`; see test
    /// `every_published_lamp_lies_within_its_range`.
    #[must_use]
    pub const fn lux_per_micromole(self) -> Range {
        let (low, high) = match self {
            Self::Daylight => (52.0, 56.2),
            Self::WarmWhiteLed => (53.08, 73.27),
            Self::CoolWhiteLed => (56.57, 71.66),
            Self::Fluorescent => (60.58, 78.75),
            Self::Incandescent => (49.0, 50.26),
            Self::HighPressureSodium => (82.0, 85.84),
            Self::Unknown => (33.0, 106.0),
        };
        Range { low, high }
    }
}

impl fmt::Display for LightSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// From the lowest to the highest value that the evidence allows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Range {
    fn times(self, factor: f64) -> Self {
        Self { low: self.low * factor, high: self.high * factor }
    }
}

/// Lux-hours: the light itself, summed.
///
/// # Source
/// The integral of illuminance, as in the CIE's "luminous exposure"; see
/// test `uneven_light_series_give_the_printed_lux_hours`.
///
/// # When it misleads
/// A sensor at the end of its scale gives "at least" ([`Dose::at_least`]).
/// Readings three hours apart lose 5 % of a clear day.
///
/// [`Dose::at_least`]: crate::climate::integrate::Dose::at_least
///
/// # Example
/// ```
/// use vernalog::climate::light::lux_hours;
/// // An hour that rises from 200 to 800 lx holds 500 lux-hours.
/// assert_eq!(lux_hours().mean_between(200.0, 800.0), 500.0);
/// ```
#[must_use]
pub fn lux_hours() -> Shape {
    Shape::value()
}

/// Hours at or above a limit.
///
/// # Source
/// Definition; exact for the straight line between two readings.
///
/// # When it misleads
/// A sensor that reads 0 may only be below its resolution: "dark" needs a
/// stated limit above that, such as [`DARK_BELOW_LUX`].
///
/// # Example
/// ```
/// use vernalog::climate::light::hours_lit;
/// use vernalog::units::Lux;
/// let lit = hours_lit(Lux::new(200.0).unwrap());
/// assert_eq!(lit.mean_between(0.0, 400.0), 0.5);
/// ```
#[must_use]
pub fn hours_lit(limit: Lux) -> Shape {
    Shape::at_or_above(limit.lux())
}

/// Photons between 400 and 700 nm, µmol m⁻² s⁻¹, that so much light of a
/// named source amounts to.
///
/// # Source
/// See [`LightSource::lux_per_micromole`].
///
/// # When it misleads
/// Light that came through leaves, and coloured lamps, are not measured by
/// a lux sensor at all. Germination answers to the red and far-red part at
/// doses far below those of growth: "any light" and hours above a limit are
/// as defensible. Two places under different lamps differ by up to 1.7
/// times at the same lux.
///
/// # Example
/// ```
/// use vernalog::climate::light::{LightSource, photon_flux};
/// use vernalog::units::Lux;
/// let flux =
///     photon_flux(Lux::new(5400.0).unwrap(), LightSource::Daylight);
/// assert!(flux.low < 100.0 && 100.0 < flux.high);
/// ```
#[must_use]
pub fn photon_flux(light: Lux, source: LightSource) -> Range {
    let factor = source.lux_per_micromole();
    Range { low: 1.0 / factor.high, high: 1.0 / factor.low }.times(light.lux())
}

/// Photons, mol m⁻², of a light dose: of one day, the daily light integral.
///
/// # Arguments
/// - `lux_hours`: the dose; of one local day for the daily light integral.
/// - `source`: what lit the place during that time.
///
/// # When it misleads
/// As [`photon_flux`]; and a window by day with a lamp by night has no one
/// source: call it [`LightSource::Unknown`].
///
/// # Example
/// ```
/// use vernalog::climate::light::{LightSource, moles_per_square_metre};
/// // 16 h under 13,500 lx of sun and sky: 250 µmol m⁻² s⁻¹, 14.4 mol m⁻².
/// let day = moles_per_square_metre(16.0 * 13_500.0, LightSource::Daylight);
/// assert!(day.low < 14.4 && 14.4 < day.high);
/// ```
#[must_use]
pub fn moles_per_square_metre(lux_hours: f64, source: LightSource) -> Range {
    let factor = source.lux_per_micromole();
    Range { low: 1.0 / factor.high, high: 1.0 / factor.low }
        .times(lux_hours * MOLES_PER_MICROMOLE_HOUR)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::integrate::{Dose, HourlySums, HoursOfDay};
    use crate::climate::log::Log;
    use crate::climate::published::{close, json, number, numbers, table};
    use crate::observation::{Quality, Reading};
    use crate::units::Instant;

    const HOUR: i64 = 3_600_000;

    /// The first word found in a published name says its source; pink tubes
    /// for plants and street lamps are no source of ours.
    const KINDS: [(&str, Option<LightSource>); 17] = [
        ("plant-growth", None),
        ("low-pressure", None),
        ("daylight, sun", Some(LightSource::Daylight)),
        ("blue sky", Some(LightSource::Daylight)),
        ("sunlight", Some(LightSource::Daylight)),
        ("CIE D", Some(LightSource::Daylight)),
        ("LED-B1", Some(LightSource::WarmWhiteLed)),
        ("LED-B2", Some(LightSource::WarmWhiteLed)),
        ("LED-BH1", Some(LightSource::WarmWhiteLed)),
        ("LED-V1", Some(LightSource::WarmWhiteLed)),
        ("LED-RGB1", Some(LightSource::WarmWhiteLed)),
        ("LED", Some(LightSource::CoolWhiteLed)),
        ("fluorescent", Some(LightSource::Fluorescent)),
        ("FL", Some(LightSource::Fluorescent)),
        ("incandescent", Some(LightSource::Incandescent)),
        ("high-pressure sodium", Some(LightSource::HighPressureSodium)),
        ("metal halide", None),
    ];

    fn dose(hours: &[f64], lux: &[f64], longest_gap: i64) -> Dose {
        let readings = hours
            .iter()
            .zip(lux)
            .map(|(hour, lux)| Reading {
                at: Instant::from_millis(0).plus_hours(*hour),
                value: *lux,
                quality: Quality::GOOD,
            })
            .collect();
        let log = Log::new(readings, longest_gap, &|_| 0);
        HourlySums::of(&log, lux_hours())
            .over(&[log.reach().unwrap()], HoursOfDay::ALL)
    }

    /// Source: `lux_to_ppfd.csv`, all 34 rows: the unknown source holds
    /// every one; each named source holds those of its kind.
    #[test]
    fn every_published_lamp_lies_within_its_range() {
        let mut named = 0;
        for row in table("lux_to_ppfd.csv") {
            let lux = number(&row, "lux_per_umol").unwrap();
            let name = row["source_name"].as_str();
            let source = KINDS
                .iter()
                .find(|(word, _)| name.contains(word))
                .and_then(|(_, source)| *source);
            named += u32::from(source.is_some());
            for source in source.into_iter().chain([LightSource::Unknown]) {
                let Range { low, high } = source.lux_per_micromole();
                assert!((low..=high).contains(&lux), "{name}: {source}");
            }
        }
        assert_eq!(named, 28);
    }

    #[test]
    fn no_range_is_wider_than_its_published_lamps() {
        let all: Vec<f64> = table("lux_to_ppfd.csv")
            .iter()
            .map(|row| number(row, "lux_per_umol").unwrap())
            .collect();
        for source in LightSource::ALL {
            let Range { low, high } = source.lux_per_micromole();
            for end in [low, high] {
                let known = all.iter().any(|lux| (lux - end).abs() < 1e-9);
                assert!(known, "{source}: {end} is nobody's figure");
            }
        }
    }

    /// Source: `light_dose.json`: PPFD × hours × 0.0036, inputs read. The
    /// range of a source must bracket the daily light integral of a lamp
    /// within it, and its ends must be exact.
    #[test]
    fn daily_light_integrals_are_exact() {
        let cases = json("light_dose.json");
        for case in cases["dli_constant"].as_array().unwrap() {
            let of = |key: &str| case[key].as_f64().unwrap();
            let expected = of("dli");
            for source in LightSource::ALL {
                let factor = source.lux_per_micromole();
                let lux_hours = |lux: f64| of("ppfd") * lux * of("hours");
                let low =
                    moles_per_square_metre(lux_hours(factor.high), source).low;
                let high =
                    moles_per_square_metre(lux_hours(factor.low), source).high;
                close(low, expected, 1e-9, "low end");
                close(high, expected, 1e-9, "high end");
            }
        }
    }

    /// Source: `light_dose.json`, integration cases: straight lines between
    /// readings (its "trapezoid"), with and without the stated longest gap.
    #[test]
    fn uneven_light_series_give_the_printed_lux_hours() {
        let cases = json("light_dose.json");
        for case in cases["integration_cases"].as_array().unwrap() {
            let hours = numbers(&case["t_h"]);
            let lux = numbers(&case["lux"]);
            let of = |key: &str| case[key].as_f64();
            let whole = dose(&hours, &lux, 100 * HOUR);
            let expected = of("trapezoid_lux_h").unwrap();
            close(whole.covered_sum, expected, 1e-9, "lux-hours");
            close(whole.covered_hours, of("covered_h").unwrap(), 1e-9, "h");
            let moles = whole.covered_sum / of("lux_per_umol").unwrap()
                * MOLES_PER_MICROMOLE_HOUR;
            let expected = of("dli_trapezoid_mol_m2").unwrap();
            close(moles, expected, 1e-9, "mol");
            let Some(expected) = of("trapezoid_lux_h_gaps_excluded") else {
                continue;
            };
            let holed = dose(&hours, &lux, 2 * HOUR);
            let covered = of("covered_h_gaps_excluded").unwrap();
            close(holed.covered_sum, expected, 1e-9, "with holes");
            close(holed.covered_hours, covered, 1e-9, "covered");
        }
    }

    /// Source: `light_dose.json`: 24000/π lux-hours; coarser readings lose
    /// up to 5 %.
    #[test]
    fn half_sine_day_loses_what_is_printed() {
        let day = &json("light_dose.json")["half_sine_day"];
        for (minutes, column) in [
            (15, "trapezoid_15min_lux_h"),
            (60, "trapezoid_60min_lux_h"),
            (180, "trapezoid_180min_lux_h"),
        ] {
            let hours: Vec<f64> = (0..=720 / minutes)
                .map(|i| f64::from(i * minutes) / 60.0)
                .collect();
            let lux: Vec<f64> = hours
                .iter()
                .map(|hour| 1000.0 * (std::f64::consts::PI * hour / 12.0).sin())
                .collect();
            let got = dose(&hours, &lux, 4 * HOUR).covered_sum;
            close(got, day[column].as_f64().unwrap(), 1e-8, column);
        }
        let exact = 24_000.0 / std::f64::consts::PI;
        close(exact, day["exact_lux_h"].as_f64().unwrap(), 1e-9, "exact");
    }

    #[test]
    fn words_of_light_sources_are_read_back() {
        for source in LightSource::ALL {
            assert_eq!(LightSource::from_word(source.word()), Some(source));
        }
        assert_eq!(LightSource::from_word("moonlight"), None);
    }
}
