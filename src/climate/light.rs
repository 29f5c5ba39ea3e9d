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
#[must_use]
pub fn lux_hours() -> Shape {
    Shape::value()
}

/// Hours at or above a limit.
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
