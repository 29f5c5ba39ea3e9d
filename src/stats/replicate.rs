//! Do replicates of one treatment agree?
//!
//! Not a test of the treatment. The table is for four replicates of a hundred
//! seeds as laboratories sow them; at home the scatter of small containers is
//! what counts.

use crate::stats::distribution::chi_squared_upper;
use crate::stats::error::{StatsError, within};
use crate::stats::proportion::Proportion;

/// Average percentage down to which a range between four replicates of 100
/// seeds is allowed, and that range; mirrored below 50.
const RANGES: [(f64, u32); 17] = [
    (99.0, 5),
    (98.0, 6),
    (97.0, 7),
    (96.0, 8),
    (95.0, 9),
    (93.0, 10),
    (91.0, 11),
    (89.0, 12),
    (87.0, 13),
    (84.0, 14),
    (81.0, 15),
    (78.0, 16),
    (73.0, 17),
    (67.0, 18),
    (56.0, 19),
    (51.0, 20),
    (f64::NEG_INFINITY, 20),
];

/// How far replicates of one treatment scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReplicateScatter {
    /// X² of the replicates about their common fraction.
    pub statistic: f64,
    /// Replicates − 1.
    pub df: u32,
    /// Scatter relative to that of seeds alone.
    pub dispersion: f64,
    /// Probability of more scatter by chance.
    pub p_value: f64,
    /// Smallest expected count of a kind; below 5 the p-value is rough.
    pub smallest_expected: f64,
}

/// The largest range allowed between four replicates of 100 seeds, in per
/// cent, at a probability of 2.5 %.
///
/// # Arguments
/// - `average_percent`: average of the four, 0 to 100; rounded to the nearest
///   whole number, halves upward.
///
/// # Errors
/// [`StatsError::OutOfRange`]. At 0 or 100 the replicates are all alike, and
/// the range is 0.
///
/// # When it misleads
/// For other numbers of seeds or replicates: use [`scatter`].
///
/// # Source
/// 7 CFR 201.55 (read) down to an average of 71; below that from memory. The
/// table is used as printed, because no one rule of rounding reproduces it.
/// Test `every_row_of_the_table_is_kept`.
///
/// # Example
/// ```
/// use vernalog::stats::replicate::largest_range_of_four_hundred;
/// assert_eq!(largest_range_of_four_hundred(88.0), Ok(13));
/// ```
pub fn largest_range_of_four_hundred(
    average_percent: f64,
) -> Result<u32, StatsError> {
    let average = within("average (per cent)", average_percent, 0.0, 100.0)?;
    let rounded = (average + 0.5).floor();
    if !(1.0..=99.0).contains(&rounded) {
        return Ok(0);
    }
    let mirrored = if rounded <= 50.0 { 101.0 - rounded } else { rounded };
    let row = RANGES.iter().find(|(least, _)| mirrored >= *least);
    Ok(row.expect("the last row has no lower bound").1)
}

/// Scatter of replicates about their common fraction.
///
/// # Hypotheses
/// H₀: the replicates differ only as seeds drawn at random would. H₁: they
/// scatter more.
///
/// # Arguments
/// - `replicates`: k of n each, at least two.
///
/// # Errors
/// [`StatsError::OneLevel`] for fewer than two.
///
/// # When it misleads
/// With few seeds a unit (`smallest_expected` below 5). A large p does not
/// prove that containers are alike: with few of them there is little power,
/// so always count containers, not seeds.
///
/// # Example
/// ```
/// use vernalog::stats::proportion::Proportion;
/// use vernalog::stats::replicate::scatter;
/// let two = [4, 16].map(|k| Proportion::new(k, 20).unwrap());
/// // 2 · (4 − 10)² / (20 · ½ · ½) = 14.4
/// assert!((scatter(&two).unwrap().statistic - 14.4).abs() < 1e-9);
/// ```
pub fn scatter(
    replicates: &[Proportion],
) -> Result<ReplicateScatter, StatsError> {
    let n_replicates = u32::try_from(replicates.len()).expect("few replicates");
    if n_replicates < 2 {
        return Err(StatsError::OneLevel { what: "replicates" });
    }
    let k: f64 = replicates.iter().map(|r| f64::from(r.k())).sum();
    let n: f64 = replicates.iter().map(|r| f64::from(r.n())).sum();
    let common = k / n;
    let spread = common * (1.0 - common);
    let df = n_replicates - 1;
    let statistic = if spread > 0.0 {
        replicates
            .iter()
            .map(|r| {
                f64::from(r.n()) * (r.fraction() - common).powi(2) / spread
            })
            .sum()
    } else {
        0.0
    };
    let smallest_expected = replicates
        .iter()
        .map(|r| f64::from(r.n()) * common.min(1.0 - common))
        .fold(f64::INFINITY, f64::min);
    Ok(ReplicateScatter {
        statistic,
        df,
        dispersion: statistic / f64::from(df),
        p_value: chi_squared_upper(statistic, f64::from(df)),
        smallest_expected,
    })
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;

    const TABLE: &str =
        include_str!("../../tests/reference/stats/replicate_tolerance.csv");

    #[test]
    fn every_row_of_the_table_is_kept() {
        // 7 CFR 201.55 (read); rows below 71 from memory, see the column.
        let mut rows = 0;
        for row in csv::Reader::from_reader(TABLE.as_bytes()).records() {
            let row = row.unwrap();
            let printed = if row[2].is_empty() { &row[6] } else { &row[2] };
            let expected: u32 = printed.parse().unwrap();
            for average in [&row[0], &row[1]] {
                let got =
                    largest_range_of_four_hundred(average.parse().unwrap());
                assert_eq!(got, Ok(expected), "{row:?}");
            }
            rows += 1;
        }
        assert_eq!(rows, 49);
    }

    #[test]
    fn averages_are_rounded_and_ends_allow_no_range() {
        assert_eq!(largest_range_of_four_hundred(86.5), Ok(13));
        assert_eq!(largest_range_of_four_hundred(86.4), Ok(14));
        assert_eq!(largest_range_of_four_hundred(100.0), Ok(0));
        assert_eq!(largest_range_of_four_hundred(0.2), Ok(0));
        assert!(largest_range_of_four_hundred(100.5).is_err());
        assert!(largest_range_of_four_hundred(f64::NAN).is_err());
    }

    #[test]
    fn crowders_bean_plates_scatter_as_an_independent_library_says() {
        // Counts: Crowder 1978 (read). scipy 1.17.1 chi2_contingency
        // (computed).
        let plates = [(10, 39), (23, 62), (23, 81), (26, 51), (17, 39)]
            .map(|(k, n)| Proportion::new(k, n).unwrap());
        let got = scatter(&plates).unwrap();
        assert!(
            (got.statistic - 9.759_542_153_379_211).abs() < 1e-8,
            "{got:?}"
        );
        assert!(
            (got.p_value - 0.044_678_930_226_538_07).abs() < 1e-9,
            "{got:?}"
        );
        assert_eq!(got.df, 4);
    }

    #[test]
    fn replicates_without_a_germinant_agree() {
        let none = [Proportion::new(0, 20).unwrap(); 3];
        let got = scatter(&none).unwrap();
        assert_eq!((got.statistic, got.p_value), (0.0, 1.0));
        assert!(scatter(&none[..1]).is_err());
    }
}
