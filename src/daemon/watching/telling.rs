//! Turns alerts into rows and messages, and holds back what would be told
//! twice or too often. Held back is only the message: the alert itself is
//! kept and shown.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use serde::{Deserialize, Serialize};

use chrono_tz::Tz;

use crate::alert::faults::Fault;
use crate::alert::wording::with_answer;
use crate::alert::{Alert, AlertKind, Change, Severity};
use crate::daemon::watching::kept::{in_file, understood};
use crate::notify::body::AlertJson;
use crate::observation::Name;
use crate::store::{AlertRow, WatchStep};
use crate::trial::entry::word_of;
use crate::units::Instant;

/// It is calm again when no more than this were told within the hour.
const CALM: usize = 3;
const HOUR: i64 = 3_600_000;

/// What its state is kept by.
const KEY: &str = "telling";

/// Whether a message is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tell {
    /// Yes, unless there were too many.
    Usual,
    /// An alert that lasts has said as much.
    Kept,
}

/// What was told of late, and what was held back.
#[derive(Debug)]
pub(super) struct Telling {
    pub(super) zone: Tz,
    channels: Vec<String>,
    /// So many alerts an hour are told; with the urgent two and a half times
    /// as many.
    most_an_hour: usize,
    /// Alerts that last and were not told.
    withheld: BTreeSet<String>,
    /// When alerts were told, within the last hour.
    told: VecDeque<Instant>,
    /// While too much happens: since when, and how many were not told.
    storm: Option<(Instant, usize)>,
}

#[derive(Debug, Serialize, Deserialize)]
struct InFile {
    withheld: BTreeSet<String>,
    storm: Option<(Instant, usize)>,
}

impl Telling {
    pub(super) fn new(
        zone: Tz,
        channels: Vec<String>,
        most_an_hour: usize,
        kept: &BTreeMap<String, String>,
    ) -> Self {
        let kept: Option<InFile> = understood(kept.get(KEY));
        let (withheld, storm) =
            kept.map_or_else(Default::default, |k| (k.withheld, k.storm));
        let told = VecDeque::new();
        Self { zone, channels, most_an_hour, withheld, told, storm }
    }

    /// Whether an alert that lasts was not told.
    pub(super) fn is_withheld(&self, id: &str) -> bool {
        self.withheld.contains(id)
    }

    /// Writes an alert into the step, with its messages.
    pub(super) fn tell(
        &mut self,
        step: &mut WatchStep,
        alert: Alert,
        raised: Instant,
        board: Option<Name>,
        tell: Tell,
    ) {
        let id = alert.id.to_string();
        let silent = match alert.state {
            Change::Cleared => self.withheld.remove(&id),
            _ => {
                let many = self.is_too_much(alert.severity, alert.at);
                if tell == Tell::Kept || many {
                    self.withheld.insert(id.clone());
                }
                if tell == Tell::Usual && many {
                    self.note_storm(step, alert.at);
                } else if tell == Tell::Usual {
                    self.told.push_back(alert.at);
                }
                tell == Tell::Kept || many
            }
        };
        if silent {
            self.keep(step);
        }
        self.write(step, alert, raised, board, silent);
    }

    /// Ends a storm once it is calm.
    pub(super) fn clock(&mut self, step: &mut WatchStep, now: Instant) {
        self.told.retain(|at| now.millis_since(*at).abs() < HOUR);
        let Some((since, withheld)) = self.storm else { return };
        if self.told.len() <= CALM {
            self.storm = None;
            let storm = Fault::Storm { withheld };
            let told = (Change::Cleared, since, since);
            let alert = storm.alert(told, now, self.zone);
            self.write(step, alert, since, None, false);
            self.keep(step);
        }
    }

    fn is_too_much(&mut self, severity: Severity, at: Instant) -> bool {
        self.told.retain(|told| at.millis_since(*told).abs() < HOUR);
        let most = match severity {
            Severity::Normal => self.most_an_hour,
            Severity::Urgent => self.most_an_hour.saturating_mul(5) / 2,
        };
        self.told.len() >= most
    }

    fn note_storm(&mut self, step: &mut WatchStep, at: Instant) {
        if let Some((_, withheld)) = &mut self.storm {
            *withheld += 1;
            return;
        }
        self.storm = Some((at, 1));
        let storm = Fault::Storm { withheld: 1 };
        let alert = storm.alert((Change::Raised, at, at), at, self.zone);
        self.write(step, alert, at, None, false);
    }

    fn keep(&self, step: &mut WatchStep) {
        let kept =
            InFile { withheld: self.withheld.clone(), storm: self.storm };
        step.states.push((KEY.to_owned(), in_file(&kept)));
    }

    fn write(
        &self,
        step: &mut WatchStep,
        alert: Alert,
        raised: Instant,
        board: Option<Name>,
        silent: bool,
    ) {
        if !silent {
            let text = with_answer(&alert);
            let said = Alert { text, ..alert.clone() };
            let body = in_file(&AlertJson::new(&said, 1));
            for channel in &self.channels {
                let message =
                    (alert.id.to_string(), channel.clone(), body.clone());
                step.messages.push(message);
            }
        }
        step.alerts.push(AlertRow {
            id: alert.id.to_string(),
            watch: alert.watch,
            kind: word_of(&AlertKind::WORDS, &alert.kind).to_owned(),
            place: alert.place,
            board,
            quantity: alert.quantity,
            severity: word_of(&Severity::WORDS, &alert.severity).to_owned(),
            since: alert.since,
            raised,
            cleared: (alert.state == Change::Cleared).then_some(alert.at),
            value: alert.value,
            limit: alert.limit,
            text: alert.text,
        });
    }
}
