//! Why a statistic could not be computed from what it was given.
//!
//! Not for answers such as "too few containers for a p-value" or "did not
//! converge": those are values in the results.

/// What was wrong with the data or the question.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// There is nothing to compute from.
    #[error("{what}: no data")]
    Empty {
        /// What was asked for.
        what: &'static str,
    },
    /// More seeds of a kind than seeds altogether.
    #[error("{k} of {n}: a part is larger than the whole")]
    PartAboveWhole {
        /// The part.
        k: u32,
        /// The whole.
        n: u32,
    },
    /// A number outside what it can be.
    #[error("{what} {value} is outside {low} to {high}")]
    OutOfRange {
        /// What the number was meant to be.
        what: &'static str,
        /// The number.
        value: f64,
        /// Lowest possible value.
        low: f64,
        /// Highest possible value.
        high: f64,
    },
    /// Two series that belong together have different lengths.
    #[error("{what}: {left} values against {right}")]
    LengthsDiffer {
        /// Which series.
        what: &'static str,
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// An interval in time that does not run forward.
    #[error("interval from {left} to {right} does not run forward")]
    BackwardInterval {
        /// Its left end.
        left: f64,
        /// Its right end.
        right: f64,
    },
    /// Two looks at one container claim the same stretch of time.
    #[error("interval from {left} begins before {before} where the last ended")]
    Overlap {
        /// Where the later interval begins.
        left: f64,
        /// Where the earlier one ends.
        before: f64,
    },
    /// Columns of a design that cannot be told from each other.
    #[error("{what}: the columns of the design cannot be told apart")]
    Inseparable {
        /// What was fitted.
        what: &'static str,
    },
    /// A factor said to be applied to a unit differs inside it.
    #[error("{factor} differs between the containers of {unit}")]
    DiffersInside {
        /// The factor.
        factor: String,
        /// The unit it was said to be applied to.
        unit: String,
    },
    /// Every value of the same kind, where two kinds are needed.
    #[error("{what}: fewer than two levels")]
    OneLevel {
        /// What was compared.
        what: &'static str,
    },
    /// Too many arrangements to go through one by one.
    #[error("{what}: {arrangements} arrangements are above the limit {limit}")]
    TooMany {
        /// What was enumerated.
        what: &'static str,
        /// How many there are.
        arrangements: f64,
        /// How many are tried at most.
        limit: f64,
    },
}

/// `value` when it lies in `low..=high` and is a number.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    low: f64,
    high: f64,
) -> Result<f64, StatsError> {
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(StatsError::OutOfRange { what, value, low, high })
    }
}
