//! The states of watches as they are kept: plain JSON, without what can be
//! drawn again from the readings.
//!
//! Only conversions; when something is written is decided elsewhere.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::alert::course::{Breach, LimitState, Standing, WatchState};
use crate::alert::faults::Latch;
use crate::alert::silence::{Silence, SilenceState};
use crate::alert::{quiet, tasks};
use crate::observation::Name;
use crate::trial::entry::{from_word, word_of};
use crate::units::Instant;

/// JSON as it is kept.
pub(super) fn in_file<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).expect("plain data can be written as JSON")
}

/// What was kept; nothing when another version of the program wrote it.
pub(super) fn understood<T: DeserializeOwned>(
    text: Option<&String>,
) -> Option<T> {
    serde_json::from_str(text?).ok()
}

/// How a watch stands by what was kept of it, and since when.
pub(crate) fn standing_of(kept: &str) -> Option<(Standing, Instant)> {
    let kept: WatchInFile = serde_json::from_str(kept).ok()?;
    let standing = from_word(&Standing::WORDS, &kept.standing).ok()?;
    Some((standing, kept.since))
}

/// A watch as kept, without its window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct WatchInFile {
    standing: String,
    since: Instant,
    newest: Option<Instant>,
    low: LimitInFile,
    high: LimitInFile,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct LimitInFile {
    open: Option<BreachInFile>,
    turning: Option<Instant>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct BreachInFile {
    since: Instant,
    raised: Instant,
    limit: f64,
    furthest: f64,
}

impl From<&WatchState> for WatchInFile {
    fn from(state: &WatchState) -> Self {
        Self {
            standing: word_of(&Standing::WORDS, &state.standing).to_owned(),
            since: state.since,
            newest: state.newest,
            low: LimitInFile::from(&state.low),
            high: LimitInFile::from(&state.high),
        }
    }
}

impl From<&LimitState> for LimitInFile {
    fn from(state: &LimitState) -> Self {
        Self {
            open: state.open.map(|open| BreachInFile {
                since: open.since,
                raised: open.raised,
                limit: open.limit,
                furthest: open.furthest,
            }),
            turning: state.turning,
        }
    }
}

impl WatchInFile {
    /// What is worth a write when it changes.
    pub(super) fn without_newest(&self) -> Self {
        Self { newest: None, ..self.clone() }
    }

    pub(super) fn understood(self) -> Option<WatchState> {
        let mut state = WatchState::new(self.since);
        state.standing = from_word(&Standing::WORDS, &self.standing).ok()?;
        state.newest = self.newest;
        state.low = self.low.understood();
        state.high = self.high.understood();
        Some(state)
    }
}

impl LimitInFile {
    fn understood(self) -> LimitState {
        LimitState {
            open: self.open.map(|open| Breach {
                since: open.since,
                raised: open.raised,
                limit: open.limit,
                furthest: open.furthest,
            }),
            turning: self.turning,
        }
    }
}

/// A silence watch as kept. When the board was last heard stands with its
/// readings.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct SilenceInFile {
    open: Option<(Instant, Instant)>,
}

impl From<&SilenceState> for SilenceInFile {
    fn from(state: &SilenceState) -> Self {
        Self { open: state.open.map(|open| (open.since, open.raised)) }
    }
}

impl SilenceInFile {
    pub(super) fn understood(self) -> SilenceState {
        SilenceState {
            last: None,
            open: self.open.map(|(since, raised)| Silence { since, raised }),
        }
    }
}

/// Boards that were told together.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct GroupInFile {
    raised: Instant,
    since: Instant,
    boards: Vec<Name>,
}

impl From<&quiet::Group> for GroupInFile {
    fn from(group: &quiet::Group) -> Self {
        Self {
            raised: group.raised,
            since: group.since,
            boards: group.boards.clone(),
        }
    }
}

impl From<GroupInFile> for quiet::Group {
    fn from(kept: GroupInFile) -> Self {
        Self { raised: kept.raised, since: kept.since, boards: kept.boards }
    }
}

/// Units that were told together.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct TasksInFile {
    raised: Instant,
    units: Vec<Name>,
}

impl From<&tasks::Group> for TasksInFile {
    fn from(group: &tasks::Group) -> Self {
        Self { raised: group.raised, units: group.units.clone() }
    }
}

impl From<TasksInFile> for tasks::Group {
    fn from(kept: TasksInFile) -> Self {
        Self { raised: kept.raised, units: kept.units }
    }
}

/// Whether something is wrong, as kept.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct LatchInFile {
    open: Option<(Instant, Instant)>,
}

impl From<&Latch> for LatchInFile {
    fn from(latch: &Latch) -> Self {
        Self { open: latch.open }
    }
}

impl From<LatchInFile> for Latch {
    fn from(kept: LatchInFile) -> Self {
        Self { turning: None, open: kept.open }
    }
}
