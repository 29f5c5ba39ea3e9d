//! Holm's correction for several planned comparisons.
//!
//! Not for comparisons found by looking: those get no p-value at all.

use crate::stats::error::{StatsError, within};

/// Holm's adjusted p-values: comparable with the level as they stand.
///
/// # Hypotheses
/// As those of the tests the p-values come from; the chance of one or more
/// false alarms among them stays at the level.
///
/// # Arguments
/// - `p_values`: all planned comparisons, also those that came out dull.
///
/// # Returns
/// Adjusted values in the order given, at most 1.
///
/// # Errors
/// [`StatsError::OutOfRange`] for a value outside 0 to 1.
///
/// # When it misleads
/// When comparisons were left out because they came out dull.
///
/// # Source
/// Holm 1979, Scand. J. Stat. 6: 65–70 (from memory).
///
/// # Example
/// ```
/// use vernalog::stats::holm::holm;
/// // 3 × 0.01; 2 × 0.03; the largest cannot fall below that.
/// let adjusted = holm(&[0.04, 0.01, 0.03]).unwrap();
/// for (got, expected) in adjusted.iter().zip([0.06, 0.03, 0.06]) {
///     assert!((got - expected).abs() < 1e-12);
/// }
/// ```
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, StatsError> {
    for p in p_values {
        within("p-value", *p, 0.0, 1.0)?;
    }
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|a, b| p_values[*a].total_cmp(&p_values[*b]));
    let mut adjusted = vec![0.0; p_values.len()];
    let mut largest: f64 = 0.0;
    let mut left = u32::try_from(p_values.len()).expect("few comparisons");
    for index in order {
        largest = largest.max(f64::from(left) * p_values[index]).min(1.0);
        adjusted[index] = largest;
        left -= 1;
    }
    Ok(adjusted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adjusted_values_match_an_independent_library() {
        // statsmodels 0.15.0, multipletests(method="holm") (computed).
        let got = holm(&[0.013, 0.6, 0.002, 0.04, 0.013]).unwrap();
        for (got, expected) in got.iter().zip([0.052, 0.6, 0.01, 0.08, 0.052]) {
            assert!((got - expected).abs() < 1e-12, "{got} {expected}");
        }
    }

    #[test]
    fn none_is_none_and_nonsense_is_refused() {
        assert_eq!(holm(&[]), Ok(vec![]));
        assert!(holm(&[1.2]).is_err() && holm(&[f64::NAN]).is_err());
    }
}
