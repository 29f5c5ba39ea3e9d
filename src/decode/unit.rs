//! Units in which foreign boards speak, and the way to ours.
//!
//! Codes are those of SenML (RFC 8428, section 12.1; RFC 8798 for the
//! secondary ones) where they exist. Not a general unit library.

use crate::observation::Quantity;

/// A unit a board may send in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// `Cel`: degrees Celsius.
    Celsius,
    /// `degF`: degrees Fahrenheit (a code of our own; SenML has none).
    Fahrenheit,
    /// `K`: kelvin.
    Kelvin,
    /// `%RH`: relative humidity in per cent.
    PercentHumidity,
    /// `lx`: lux.
    Lux,
    /// `klx`: thousand lux (a code of our own).
    Kilolux,
    /// `V`: volt.
    Volt,
    /// `mV`: millivolt.
    Millivolt,
    /// `dBm`: power against one milliwatt.
    DecibelMilliwatt,
    /// `dBW`: power against one watt.
    DecibelWatt,
}

impl Unit {
    /// Every unit with its code.
    pub const CODES: [(&'static str, Self); 10] = [
        ("Cel", Self::Celsius),
        ("degF", Self::Fahrenheit),
        ("K", Self::Kelvin),
        ("%RH", Self::PercentHumidity),
        ("lx", Self::Lux),
        ("klx", Self::Kilolux),
        ("V", Self::Volt),
        ("mV", Self::Millivolt),
        ("dBm", Self::DecibelMilliwatt),
        ("dBW", Self::DecibelWatt),
    ];

    /// The unit of this code.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        Self::CODES
            .into_iter()
            .find_map(|(known, unit)| (known == code).then_some(unit))
    }

    /// What is measured in this unit.
    #[must_use]
    pub fn quantity(self) -> Quantity {
        match self {
            Self::Celsius | Self::Fahrenheit | Self::Kelvin => {
                Quantity::Temperature
            }
            Self::PercentHumidity => Quantity::Humidity,
            Self::Lux | Self::Kilolux => Quantity::Light,
            Self::Volt | Self::Millivolt => Quantity::Battery,
            Self::DecibelMilliwatt | Self::DecibelWatt => Quantity::Signal,
        }
    }

    /// A value in this unit, in the unit in which its quantity is kept.
    #[must_use]
    pub fn kept(self, value: f64) -> f64 {
        match self {
            Self::Celsius
            | Self::PercentHumidity
            | Self::Lux
            | Self::Volt
            | Self::DecibelMilliwatt => value,
            Self::Fahrenheit => (value - 32.0) / 1.8,
            Self::Kelvin => value - 273.15,
            Self::Kilolux => value * 1_000.0,
            Self::Millivolt => value / 1_000.0,
            Self::DecibelWatt => value + 30.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: definitions of the units; 41 °F = 5 °C, 273.15 K = 0 °C and
    /// 0 dBW = 30 dBm exactly.
    #[test]
    fn units_convert_by_their_definitions() {
        let check = |code, value, kept: f64| {
            let unit = Unit::from_code(code).unwrap();
            assert!((unit.kept(value) - kept).abs() < 1e-12, "{code}");
        };
        check("Cel", 3.6, 3.6);
        check("degF", 41.0, 5.0);
        check("degF", -40.0, -40.0);
        check("K", 273.15, 0.0);
        check("klx", 1.5, 1_500.0);
        check("mV", 2_980.0, 2.98);
        check("dBW", -90.0, -60.0);
        assert_eq!(Unit::from_code("cel"), None);
    }
}
