//! vernalog watches the climate at each place where seeds are chilled or
//! germinated, keeps what the grower counted, and says how one went with the
//! other.
//!
//! ```text
//! board ─► source ─► decode ─► store ─► status, alerts
//!          (bytes)   (Message)   ├────► alert ─► notify
//! grower ─► cli, web ─► ledger ──┴────► study ─► report
//! ```
//!
//! **Thinking is pure, doing is thin.** Floors 1 to 3 take values and give
//! values: no clock, no file, no socket. The floors above fetch a value, call
//! one pure function and keep the answer. `tests/floors.rs` guards who may
//! import whom; `DEVELOPERS.md` has the map.

pub mod units;

pub mod observation;

pub mod trial;

pub mod health;

pub mod climate;

pub mod stats;

pub mod decode;

pub mod alert;

pub mod chart;

pub mod study;

pub mod season;

pub mod labels;

pub mod trust;

pub mod source;

pub mod store;

pub mod notify;

pub mod web;

pub mod report;

pub mod exchange;

pub mod daemon;

pub mod demo;

pub mod cli;
