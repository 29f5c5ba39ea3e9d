//! Numbers → figures as SVG text, for paper, light and dark screens.
//!
//! Not where numbers come from and not a general plotting kit: six figures,
//! each a plain struct and a `draw` that always gives a sound picture, also
//! of nothing. No sentence about the result is made here: the caller gives
//! title, subtitle and description.
//!
//! House rules: one message a figure; time runs once, at the bottom; an
//! estimate never stands without its interval and its n; what lies between
//! two checks is shaded, not guessed; a hole in the log is a hole in the
//! line.

pub mod place;

pub mod conditions;

pub mod chill;

pub mod collapse;

pub mod spread;

pub mod fridge;

pub mod trace;

pub mod light;

pub mod colour;

mod axis;
mod canvas;
mod gather;
mod key;

pub(crate) mod text;

use crate::units::Instant;

/// How wide the figure will be shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// 720 units: reports, paper, desks.
    Wide,
    /// 360 units: phones.
    Narrow,
}

impl Layout {
    /// Width of the figure in units (CSS pixels).
    #[must_use]
    pub const fn width(self) -> f64 {
        match self {
            Self::Wide => 720.0,
            Self::Narrow => 360.0,
        }
    }
}

/// What the figure says, in words.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Heading {
    /// The message, one short sentence.
    pub title: String,
    /// n, dates, how often checked, what the bars are.
    pub subtitle: String,
    /// The same for someone who does not see the figure, with the numbers.
    pub description: String,
}

/// Length of chilling as an ordered step, which is what colour stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Step {
    /// Not chilled.
    None,
    /// The shortest chilling of the trial.
    Short,
    /// In between.
    Medium,
    /// The longest.
    Long,
    /// Not stated, or a trial that does not vary it.
    Unstated,
}

/// A lowest and a highest value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Range {
    /// Finite and in order, or nothing.
    pub(crate) fn sound(self) -> Option<Self> {
        (axis::drawable(self.low) && axis::drawable(self.high)).then(|| Self {
            low: self.low.min(self.high),
            high: self.high.max(self.low),
        })
    }
}

/// How many of how many came up, and how certain the share is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Seeds that germinated.
    pub germinated: u32,
    /// Seeds sown.
    pub seeds: u32,
    /// Interval of the share, 0 to 1. Without it no point is drawn.
    pub interval: Option<Range>,
}

impl Outcome {
    /// Share 0 to 1; `None` without seeds.
    pub(crate) fn fraction(&self) -> Option<f64> {
        (self.seeds > 0).then(|| {
            f64::from(self.germinated.min(self.seeds)) / f64::from(self.seeds)
        })
    }

    /// The interval inside 0 to 1, when there are seeds and finite ends.
    pub(crate) fn bar(&self) -> Option<Range> {
        self.fraction()?;
        let range = self.interval?.sound()?;
        Some(Range {
            low: range.low.clamp(0.0, 1.0),
            high: range.high.clamp(0.0, 1.0),
        })
    }

    /// `43/60`.
    pub(crate) fn words(&self) -> String {
        format!("{}/{}", self.germinated, self.seeds)
    }
}

/// Seconds east of UTC at an instant, where the trial stands. A zone lies
/// outside this module; `&|_| 0` is UTC.
pub type LocalOffset<'a> = &'a dyn Fn(Instant) -> i32;
