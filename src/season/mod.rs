//! An invented season from a known truth: weather in a house, seeds that
//! germinate in it, a grower who writes down what can be seen, and boards
//! that say what they measure.
//!
//! It serves the demo and the simulations. It judges nothing and knows no
//! file and no socket; everything follows from a plan and its seed.
//!
//! ```text
//! plan ─► weather ─► growth ─► ledger drafts
//!            └─────► boards ─► readings, wire samples
//! ```

pub mod plan;

pub mod truth;

pub mod weather;

pub mod fridge;

pub mod room;

pub mod sun;

mod noise;

mod chance;

mod growth;

mod chilling;

mod germination;

mod diary;

pub mod boards;

pub mod rowan;
