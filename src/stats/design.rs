//! The columns a regression is fitted on.
//!
//! Not a formula language: a constant, columns of numbers, and factors whose
//! first level (in order of name) is the one the others are compared with.

use std::collections::BTreeSet;

use nalgebra::{DMatrix, DVector};

use crate::stats::error::{StatsError, within};

/// A named set of columns, one row a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    n_rows: usize,
    names: Vec<String>,
    columns: Vec<Vec<f64>>,
}

impl Design {
    /// The constant alone, for `n_rows` units.
    #[must_use]
    pub fn constant(n_rows: usize) -> Self {
        Self {
            n_rows,
            names: vec!["constant".to_owned()],
            columns: vec![vec![1.0; n_rows]],
        }
    }

    /// Adds a column of numbers.
    ///
    /// # Errors
    /// [`StatsError::LengthsDiffer`] or [`StatsError::OutOfRange`] for a
    /// number that is not finite.
    pub fn with_column(
        mut self,
        name: &str,
        values: &[f64],
    ) -> Result<Self, StatsError> {
        self.same_length(values.len())?;
        for value in values {
            within("column value", *value, f64::MIN, f64::MAX)?;
        }
        self.names.push(name.to_owned());
        self.columns.push(values.to_vec());
        Ok(self)
    }

    /// Adds a factor: one column of 0 and 1 for each level but the first.
    ///
    /// # Errors
    /// [`StatsError::LengthsDiffer`]; a factor of one level adds nothing.
    pub fn with_factor(
        mut self,
        name: &str,
        levels: &[&str],
    ) -> Result<Self, StatsError> {
        self.same_length(levels.len())?;
        let known: BTreeSet<&str> = levels.iter().copied().collect();
        for level in known.into_iter().skip(1) {
            let column = levels
                .iter()
                .map(|one| if *one == level { 1.0 } else { 0.0 })
                .collect();
            self.names.push(format!("{name}={level}"));
            self.columns.push(column);
        }
        Ok(self)
    }

    /// Number of units.
    #[must_use]
    pub fn n_rows(&self) -> usize {
        self.n_rows
    }

    /// Names of the columns, the constant first.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The columns as a matrix, units down, columns across.
    #[must_use]
    pub fn matrix(&self) -> DMatrix<f64> {
        DMatrix::from_fn(self.n_rows, self.columns.len(), |row, column| {
            self.columns[column][row]
        })
    }

    /// The same design without column `index`.
    pub(crate) fn without(&self, index: usize) -> Self {
        let mut rest = self.clone();
        rest.names.remove(index);
        rest.columns.remove(index);
        rest
    }

    /// Number of columns that can be told apart.
    #[must_use]
    pub fn rank(&self) -> usize {
        rank(&self.matrix())
    }

    fn same_length(&self, n: usize) -> Result<(), StatsError> {
        if n == self.n_rows {
            Ok(())
        } else {
            Err(StatsError::LengthsDiffer {
                what: "design",
                left: self.n_rows,
                right: n,
            })
        }
    }
}

/// Rank of a matrix, its columns brought to one length first.
pub(crate) fn rank(matrix: &DMatrix<f64>) -> usize {
    let mut scaled = matrix.clone();
    for mut column in scaled.column_iter_mut() {
        let length = column.norm();
        if length > 0.0 {
            column /= length;
        }
    }
    if scaled.nrows() == 0 || scaled.ncols() == 0 {
        return 0;
    }
    scaled.svd(false, false).rank(1e-9)
}

/// Which columns are no combination of those before them.
pub(crate) fn independent(columns: &[&[f64]]) -> Vec<bool> {
    let mut basis: Vec<DVector<f64>> = Vec::new();
    columns
        .iter()
        .map(|column| {
            let mut rest = DVector::from_column_slice(column);
            let length = rest.norm();
            // Twice, because once leaves rounding behind.
            for _ in 0..2 {
                for direction in &basis {
                    let along = direction.dot(&rest);
                    rest -= direction * along;
                }
            }
            let new = length > 0.0 && rest.norm() > 1e-8 * length;
            if new {
                basis.push(rest.normalize());
            }
            new
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_leaves_out_its_first_level() {
        let design = Design::constant(3)
            .with_factor("place", &["sill", "landing", "shelf"])
            .unwrap();
        assert_eq!(design.names(), ["constant", "place=shelf", "place=sill"]);
        assert_eq!(design.rank(), 3);
    }

    #[test]
    fn a_column_made_of_earlier_ones_is_found() {
        let (a, b) = ([1.0, 1.0, 1.0], [0.0, 1.0, 0.0]);
        let (both, new) = ([2.0, 3.0, 2.0], [0.0, 0.0, 1.0]);
        assert_eq!(
            independent(&[&a, &b, &both, &new]),
            [true, true, false, true]
        );
    }

    #[test]
    fn two_factors_that_always_change_together_lose_rank() {
        let design = Design::constant(4)
            .with_factor("place", &["a", "a", "b", "b"])
            .unwrap()
            .with_factor("lid", &["x", "x", "y", "y"])
            .unwrap();
        assert_eq!((design.names().len(), design.rank()), (3, 2));
        assert!(design.clone().with_column("t", &[1.0]).is_err());
        assert!(design.with_column("t", &[1.0, f64::NAN, 1.0, 1.0]).is_err());
    }
}
