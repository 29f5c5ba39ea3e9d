//! What is wrong with the way readings come in and messages go out: a broker
//! or port that is not there, a clock that was set, a store that took
//! nothing, messages that reach nobody.
//!
//! Numbers and words in, an alert out; nothing is looked at here. Disk and
//! backups are in `keeping`.

use std::time::Duration;

use chrono_tz::Tz;

use crate::alert::wording::{lasting, listed, local};
use crate::alert::{Alert, AlertId, AlertKind, Change, Severity, millis};
use crate::observation::Name;
use crate::units::Instant;

/// A source that is away for less is not told: brokers restart.
pub const SOURCE_AWAY: Duration = Duration::from_mins(5);
/// It must be there again for so long.
pub const SOURCE_BACK: Duration = Duration::from_mins(2);
/// A clock set by less is not told.
pub const CLOCK_SET_MILLIS: i64 = 2 * 60_000;
/// A store that takes nothing for less is not told.
pub const STORE_AWAY: Duration = Duration::from_mins(1);

/// What the alert about messages that reach nobody is known by.
pub const UNDELIVERED: &str = "messages-undelivered";

/// Whether something is wrong for long enough: plain data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Latch {
    /// Since when the answer has been the other one.
    pub turning: Option<Instant>,
    /// The alert: wrong since, and raised.
    pub open: Option<(Instant, Instant)>,
}

/// Takes one look. Wrong for `wait`: raised; right for `calm`: cleared, with
/// since when it was wrong and when it was raised.
#[must_use]
pub fn step(
    mut latch: Latch,
    wrong: bool,
    now: Instant,
    wait: Duration,
    calm: Duration,
) -> (Latch, Option<(Change, Instant, Instant)>) {
    if wrong == latch.open.is_some() {
        latch.turning = None;
        return (latch, None);
    }
    // A clock that was set back must not hold it up.
    let since = latch.turning.filter(|at| *at <= now).unwrap_or(now);
    let long = if wrong { wait } else { calm };
    if now.millis_since(since) < millis(long) {
        latch.turning = Some(since);
        return (latch, None);
    }
    latch.turning = None;
    let told = match latch.open.take() {
        None => {
            latch.open = Some((since, now));
            (Change::Raised, since, now)
        }
        Some((wrong_since, raised)) => (Change::Cleared, wrong_since, raised),
    };
    (latch, Some(told))
}

/// What is wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault<'a> {
    /// A broker, a port or the inlet.
    Source {
        /// `broker 127.0.0.1:1883`.
        name: &'a str,
        /// What it says of itself.
        detail: &'a str,
        /// The boards that came by it, with their places.
        behind: &'a [(Name, Option<Name>)],
    },
    /// The clock was set by so much, ms.
    Clock(i64),
    /// Nothing could be stored.
    Database,
    /// Messages that were tried in vain.
    Undelivered {
        /// How many wait.
        waiting: u64,
        /// How many were given up.
        given_up: u64,
    },
    /// More alerts in an hour than anybody reads.
    Storm {
        /// How many were not told.
        withheld: usize,
    },
}

impl Fault<'_> {
    /// What its alerts are known by.
    #[must_use]
    pub fn key(&self) -> String {
        match self {
            Self::Source { name, .. } => source_key(name),
            Self::Clock(_) => "host-clock".to_owned(),
            Self::Database => "data-store".to_owned(),
            Self::Undelivered { .. } => UNDELIVERED.to_owned(),
            Self::Storm { .. } => "alert-storm".to_owned(),
        }
    }

    /// The message.
    #[must_use]
    pub fn alert(
        &self,
        (change, since, raised): (Change, Instant, Instant),
        now: Instant,
        zone: Tz,
    ) -> Alert {
        let began = local(since, zone);
        let lasted = lasting(now.millis_since(since));
        let (kind, severity) = match self {
            Self::Source { .. } => (AlertKind::Source, Severity::Normal),
            Self::Clock(_) => (AlertKind::Clock, Severity::Normal),
            Self::Database => (AlertKind::Database, Severity::Urgent),
            Self::Undelivered { .. } => {
                (AlertKind::Undelivered, Severity::Normal)
            }
            Self::Storm { .. } => (AlertKind::Storm, Severity::Urgent),
        };
        let text = if change == Change::Cleared {
            self.ended(&began, &lasted)
        } else {
            self.began(&began, &lasted)
        };
        let key = self.key();
        Alert {
            id: AlertId::new(&key, raised),
            kind,
            watch: key,
            place: None,
            quantity: None,
            state: change,
            since,
            at: now,
            value: None,
            limit: None,
            severity,
            text,
        }
    }

    fn began(&self, began: &str, lasted: &str) -> String {
        match self {
            Self::Source { name, detail, behind } => {
                let boards = match behind {
                    [] => String::new(),
                    [(board, place)] => format!(
                        "Board {} behind it cannot be heard. ",
                        at(board, place.as_ref())
                    ),
                    _ => {
                        let named: Vec<String> = behind
                            .iter()
                            .map(|(board, place)| at(board, place.as_ref()))
                            .collect();
                        format!(
                            "{} boards behind it cannot be heard: {}. They \
                             are not told one by one. ",
                            behind.len(),
                            listed(&named)
                        )
                    }
                };
                let why = if detail.is_empty() {
                    String::new()
                } else {
                    format!(" ({detail})")
                };
                format!(
                    "No readings can come in by {name} since {began} \
                     ({lasted}){why}. {boards}Often: a broker, router or USB \
                     plug that is off or was changed. Safe to do: see that \
                     its machine and the network are on, or push the plug \
                     home; `vernalog status` says how it stands."
                )
            }
            Self::Clock(by_ms) => format!(
                "The clock of this machine was set {} by {} at {began}. \
                 Readings that came before were moved along; entries written \
                 shortly before have the old time. Often: a machine that \
                 started without network. Safe to do: see that it is set from \
                 the network, and look at what you recorded today.",
                if *by_ms < 0 { "back" } else { "forward" },
                lasting(by_ms.abs())
            ),
            Self::Database => format!(
                "Nothing has been stored since {began} ({lasted}). Nothing is \
                 acknowledged either, so boards and brokers send again what \
                 they keep; no watch is judged meanwhile. Often: a full or \
                 worn-out card. Safe to do: make room on the disk, run \
                 `vernalog verify`, and make a backup on another disk."
            ),
            Self::Undelivered { waiting, given_up } => format!(
                "{}. Often: a password that changed, or a server or network \
                 that is away. Safe to do: `vernalog status` says what each \
                 channel met.",
                undelivered(*waiting, *given_up)
            ),
            Self::Storm { .. } => {
                "So much happened within the hour that not all of it is told. \
                 Safe to do: look at the alerts page, or run `vernalog \
                 alerts`: everything is there."
                    .to_owned()
            }
        }
    }

    fn ended(&self, began: &str, lasted: &str) -> String {
        match self {
            Self::Source { name, behind, .. } => format!(
                "Readings come in by {name} again. It was away from {began} \
                 for {lasted}{}.",
                match behind.len() {
                    0 => String::new(),
                    1 => "; the board behind it has its usual time to \
                          speak again"
                        .to_owned(),
                    n => format!(
                        "; the {n} boards behind it have their usual time to \
                         speak again"
                    ),
                }
            ),
            Self::Clock(_) => {
                "The clock of this machine has run evenly for an hour."
                    .to_owned()
            }
            Self::Database => format!(
                "Readings are stored again. Nothing was from {began} for \
                 {lasted}."
            ),
            Self::Undelivered { .. } => {
                "Messages reach their channels again.".to_owned()
            }
            Self::Storm { withheld: 1 } => {
                "It is calmer again. One alert was not told by itself; the \
                 alerts page has it."
                    .to_owned()
            }
            Self::Storm { withheld } => format!(
                "It is calmer again. {withheld} alerts were not told one by \
                 one; the alerts page has them all."
            ),
        }
    }
}

/// `3 messages wait because their channel does not take them, and 1 was given
/// up in the last day`.
fn undelivered(waiting: u64, given_up: u64) -> String {
    let waiting = match waiting {
        0 => None,
        1 => {
            Some("1 message waits because its channel does not take it".into())
        }
        n => Some(format!(
            "{n} messages wait because their channel does not take them"
        )),
    };
    let given_up = match given_up {
        0 => None,
        1 => Some("1 message was given up in the last day".to_owned()),
        n => Some(format!("{n} messages were given up in the last day")),
    };
    match (waiting, given_up) {
        (Some(waiting), Some(given_up)) => format!("{waiting}; {given_up}"),
        (waiting, given_up) => waiting.or(given_up).unwrap_or_default(),
    }
}

fn at(board: &Name, place: Option<&Name>) -> String {
    match place {
        Some(place) if place != board => format!("{board} ({place})"),
        _ => board.to_string(),
    }
}

/// `broker 127.0.0.1:1883` as a part of an alert's name.
#[must_use]
pub fn source_key(name: &str) -> String {
    let plain: String = name
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect();
    format!("source-{}", plain.trim_matches('-'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::story::{minute, name};
    use Change::{Cleared, Raised};

    fn told(looks: &[(i64, bool)]) -> Vec<(Change, i64, i64)> {
        let mut latch = Latch::default();
        let mut told = Vec::new();
        for (at, wrong) in looks {
            let (next, event) =
                step(latch, *wrong, minute(*at), SOURCE_AWAY, SOURCE_BACK);
            latch = next;
            let minutes =
                |instant: Instant| instant.millis_since(minute(0)) / 60_000;
            told.extend(
                event.map(|(change, since, _)| (change, minutes(since), *at)),
            );
        }
        told
    }

    #[test]
    fn a_broker_that_restarts_is_not_told_and_one_that_stays_away_is() {
        let restarts: Vec<_> = (0..60).map(|m| (m, m % 10 < 4)).collect();
        assert_eq!(told(&restarts), []);
        let away: Vec<_> =
            (0..60).map(|m| (m, (10..40).contains(&m))).collect();
        assert_eq!(told(&away), [(Raised, 10, 15), (Cleared, 10, 42)]);
    }

    #[test]
    fn a_broker_that_comes_and_goes_ends_nothing() {
        let mut looks: Vec<_> = (0..20).map(|m| (m, true)).collect();
        looks.extend((20..60).map(|m| (m, m % 2 == 0)));
        assert_eq!(told(&looks), [(Raised, 0, 5)]);
    }

    #[test]
    fn the_message_about_a_broker_names_the_boards_behind_it() {
        let behind = [
            (name("drawer-board"), Some(name("fridge-drawer"))),
            (name("sill-board"), Some(name("south-sill"))),
        ];
        let fault = Fault::Source {
            name: "broker 127.0.0.1:1883",
            detail: "connection refused",
            behind: &behind,
        };
        let zone = chrono_tz::Europe::Dublin;
        let at = (Raised, minute(0), minute(5));
        let alert = fault.alert(at, minute(5), zone);
        assert_eq!(alert.watch, "source-broker-127-0-0-1-1883");
        assert!(
            alert.text.starts_with(
                "No readings can come in by broker 127.0.0.1:1883 since Sat \
                 14 March 12:00 (5 minutes) (connection refused). 2 boards \
                 behind it cannot be heard: drawer-board (fridge-drawer), \
                 sill-board (south-sill)."
            ),
            "{}",
            alert.text
        );
    }
}
