//! What the counts allow one to say: intervals, tests, time to germination,
//! regression.
//!
//! Not a general statistics library: it holds what a germination trial needs,
//! takes counts and gives results as structs with named fields, and would
//! rather give no p-value than a wrong one. It knows neither places nor
//! readings; `study` brings those together with it.
//!
//! Read in this order: [`proportion`] and [`difference`] (one container, two
//! of them),
//! [`germination`] (when one container germinated, in the usual indices),
//! [`turnbull`] and [`survival`] (time to germination without a model),
//! [`design`], [`binomial`], [`strata`] and [`holm`] (do containers differ
//! more than by chance, and by what),
//! [`firth`] and [`exact`] (when a side is empty or units are few),
//! [`split_population`], [`person_period`] and [`thermal_time`] (models of
//! how many and how fast), [`resample`] (their limits from the containers),
//! [`power`] and [`replicate`] (how many units; do replicates agree).

pub mod censored;
pub mod convergence;
pub mod error;
pub mod interval;

pub mod difference;
pub mod germination;
pub mod proportion;
pub mod survival;
pub mod turnbull;

pub mod binomial;
pub mod design;
pub mod holm;
pub mod link;
pub mod strata;

pub mod exact;
pub mod firth;

pub mod frailty;
pub mod person_period;
pub mod power;
pub mod predictive;
pub mod replicate;
pub mod resample;
pub mod split_population;
pub mod thermal_time;

mod distribution;
mod optimise;
