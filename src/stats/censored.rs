//! Seeds whose germination is known only to lie between two looks, or not to
//! have come before the last one.
//!
//! Not an estimate: this is the form of the data that every time-to-event
//! estimate here starts from.

use crate::stats::error::{StatsError, within};
use crate::stats::germination::CountSeries;

/// `n` seeds germinated after `left` and at or before `right`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Censored {
    /// Not germinated at this time yet; 0 or later.
    pub left: f64,
    /// Germinated at this time; +∞ for seeds never seen to germinate.
    pub right: f64,
    /// How many seeds.
    pub n: u32,
}

impl Censored {
    /// Seeds that germinated in (`left`, `right`].
    #[must_use]
    pub fn between(left: f64, right: f64, n: u32) -> Self {
        Self { left, right, n }
    }

    /// Seeds that had not germinated when they were last seen, at `left`:
    /// left over, or taken out (for mould, say).
    #[must_use]
    pub fn not_by(left: f64, n: u32) -> Self {
        Self { left, right: f64::INFINITY, n }
    }

    /// Whether the seeds were seen to germinate at all.
    #[must_use]
    pub fn germinated(&self) -> bool {
        self.right.is_finite()
    }
}

impl CountSeries {
    /// One entry a look with germinants, and the rest as not germinated by
    /// the last look.
    #[must_use]
    pub fn censored(&self) -> Vec<Censored> {
        let mut rows: Vec<Censored> = self
            .looks()
            .iter()
            .filter(|look| look.n > 0)
            .map(|look| {
                Censored::between(look.left_days, look.right_days, look.n)
            })
            .collect();
        let left_over = self.sown() - self.germinated();
        if let Some(last) = self.looks().last()
            && left_over > 0
        {
            rows.push(Censored::not_by(last.right_days, left_over));
        }
        rows
    }
}

/// Checks rows and drops those without seeds.
pub(crate) fn checked(
    what: &'static str,
    rows: &[Censored],
) -> Result<Vec<Censored>, StatsError> {
    for row in rows {
        within("time", row.left, 0.0, f64::MAX)?;
        if row.right.is_nan() || row.left >= row.right {
            return Err(StatsError::BackwardInterval {
                left: row.left,
                right: row.right,
            });
        }
    }
    let kept: Vec<_> = rows.iter().copied().filter(|r| r.n > 0).collect();
    if kept.is_empty() {
        return Err(StatsError::Empty { what });
    }
    Ok(kept)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::germination::NewlyGerminated;

    #[test]
    fn seeds_left_over_are_censored_at_the_last_look() {
        let look = |left_days, right_days, n| NewlyGerminated {
            left_days,
            right_days,
            n,
        };
        let looks = vec![look(0.0, 2.0, 3), look(2.0, 5.0, 0)];
        let rows = CountSeries::new(10, looks).unwrap().censored();
        assert_eq!(
            rows,
            [Censored::between(0.0, 2.0, 3), Censored::not_by(5.0, 7)]
        );
    }

    #[test]
    fn a_row_that_ends_before_it_begins_is_refused() {
        let rows = [Censored::between(3.0, 3.0, 1)];
        assert!(checked("curve", &rows).is_err());
        assert!(checked("curve", &[Censored::not_by(1.0, 0)]).is_err());
    }
}
