//! What could keep this installation from doing its job: a look at data,
//! disk, clock, sources, channels and pages, each with its remedy.
//!
//! It changes nothing: no reading is taken, no message sent, no
//! acknowledgement given.

mod machine;

mod sources;

mod ways_out;

use crate::daemon::settings::Settings;
use crate::units::Instant;

/// How one thing stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// As it should be.
    Fine,
    /// It works, but something could be better or will be missed one day.
    Doubtful,
    /// It does not work.
    Wrong,
}

impl Verdict {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Fine => "fine",
            Self::Doubtful => "doubtful",
            Self::Wrong => "wrong",
        }
    }
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// What was looked at, such as `disk` or `broker 127.0.0.1:1883`.
    pub subject: String,
    /// How it stands.
    pub verdict: Verdict,
    /// What was seen.
    pub seen: String,
    /// What to do about it; empty when it is fine.
    pub remedy: String,
}

impl Finding {
    fn fine(subject: &str, seen: impl Into<String>) -> Self {
        Self::new(subject, Verdict::Fine, seen, "")
    }

    fn doubtful(
        subject: &str,
        seen: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self::new(subject, Verdict::Doubtful, seen, remedy)
    }

    fn wrong(
        subject: &str,
        seen: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self::new(subject, Verdict::Wrong, seen, remedy)
    }

    fn new(
        subject: &str,
        verdict: Verdict,
        seen: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self {
            subject: subject.to_owned(),
            verdict,
            seen: seen.into(),
            remedy: remedy.into(),
        }
    }
}

/// Looks at everything that the settings name, at this time of the day.
/// Unreachable brokers take their time-out, one after the other.
pub async fn diagnose(settings: &Settings, now: Instant) -> Vec<Finding> {
    let (mut findings, runs) = machine::look(settings, now).await;
    findings.extend(sources::look(settings, runs).await);
    findings.extend(ways_out::look(settings, now, runs).await);
    findings
}
