//! What the air and the light at a place amount to: from logged readings to
//! doses, day summaries, dew points and chill hours.
//!
//! Not statistics (that is `stats`) and not who lay where (that is `study`):
//! nothing here knows a seed, a board or a time zone database.
//!
//! Reading order: [`shape`] says what a moment counts, [`log`] holds the
//! readings and their holes, [`integrate`] sums one over the other. [`strip`]
//! keeps many readings in little memory. The rest names the doses that
//! growers know.

pub mod shape;

pub mod strip;

pub mod log;

pub mod hour_table;
pub mod hours;
pub mod integrate;

pub mod days;

pub mod warmth;

pub mod light;

pub mod chill;

pub mod psychrometrics;

pub mod calibration;

pub mod damp;

pub mod growth_index;

#[cfg(test)]
mod published;

#[cfg(test)]
mod integrate_tests;

#[cfg(test)]
mod short_cut_tests;
