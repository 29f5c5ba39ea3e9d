//! How an iteration ended: a value beside the answer, not an error.

/// Whether an iterative fit arrived.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Convergence {
    /// It arrived.
    Arrived {
        /// Steps taken.
        steps: u32,
    },
    /// It was stopped; the numbers beside it are the last ones reached and
    /// must not be reported as estimates.
    Stopped {
        /// Steps taken.
        steps: u32,
        /// How far the last step still went, in the method's own measure.
        last_change: f64,
    },
}

impl Convergence {
    /// Whether the numbers beside this may be reported.
    #[must_use]
    pub fn arrived(self) -> bool {
        matches!(self, Self::Arrived { .. })
    }
}
