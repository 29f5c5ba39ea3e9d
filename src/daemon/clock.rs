//! The one place that asks the machine what time it is.
//!
//! Everything below is given the present as a value.

use crate::units::Instant;

/// The present.
#[must_use]
#[allow(
    clippy::disallowed_methods,
    reason = "this is the clock that everything else takes time from"
)]
pub fn now() -> Instant {
    chrono::Utc::now().into()
}
