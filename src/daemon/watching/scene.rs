//! A house in a folder, with its watches and a clock that a test steps; what
//! would be told is written down.
//!
//! For tests only. No daemon, no door: readings are handed in as the writer
//! hands them.

use std::sync::Arc;

use crate::daemon::telling::MOST_AN_HOUR;
use crate::daemon::watching::{Outside, Watching};
use crate::observation::{Name, Quality, Quantity, Reading, Series};
use crate::store::{Access, AlertRow, Keep, Records, Store, WatchStep};
use crate::trial::admission::OnConflict;
use crate::trial::entry::{Draft, PlaceKind, Statement};
use crate::trial::when::When;
use crate::units::Instant;

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// A message that was told: the minute, `raised` or `cleared`, the watch.
pub(super) type Told = (i64, String, String);

pub(super) struct Scene {
    _folder: tempfile::TempDir,
    pub(super) store: Store,
    pub(super) watching: Watching,
    pub(super) begun: Instant,
    pub(super) now: Instant,
    pub(super) outside: Outside,
    /// Every message in order.
    pub(super) told: Vec<Told>,
    /// The text of every message.
    pub(super) texts: Vec<String>,
    /// Every change of an alert, told or not.
    pub(super) rows: Vec<AlertRow>,
    unstored: Vec<(Series, Reading)>,
}

impl Scene {
    /// A house with these statements, at an instant.
    pub(super) fn new(begun: Instant, said: Vec<Statement>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("vernalog.db");
        let mut store = Store::open(&file, Access::Create).unwrap();
        record(&mut store, begun, None, said);
        let watching = watching(&store, begun);
        Self {
            _folder: folder,
            store,
            watching,
            begun,
            now: begun,
            outside: Outside::default(),
            told: Vec::new(),
            texts: Vec::new(),
            rows: Vec::new(),
            unstored: Vec::new(),
        }
    }

    /// The grower writes something down.
    pub(super) fn record(&mut self, trial: Option<&str>, said: Statement) {
        let trial = trial.map(name);
        record(&mut self.store, self.now, trial.as_ref(), vec![said]);
        let step = self.watching.reload(&self.store, self.now).unwrap();
        self.take(step);
    }

    /// The daemon is stopped and started.
    pub(super) fn restart(&mut self) {
        let unstored = std::mem::take(&mut self.unstored);
        self.store.import_readings(&unstored).unwrap();
        let (watching, step) = begun(&self.store, self.now);
        self.watching = watching;
        self.take(step);
    }

    /// Readings of now.
    pub(super) fn hears(&mut self, said: &[(&str, Quantity, f64)]) {
        let readings: Vec<_> = said
            .iter()
            .map(|(board, quantity, value)| {
                let series = Series {
                    board: name(board),
                    probe: name("air"),
                    quantity: *quantity,
                };
                let at = self.now;
                let quality = Quality::GOOD;
                (Arc::new(series), Reading { at, value: *value, quality })
            })
            .collect();
        self.hands_in(&readings);
    }

    pub(super) fn hands_in(&mut self, readings: &[(Arc<Series>, Reading)]) {
        self.unstored.extend(
            readings.iter().map(|(series, r)| (Series::clone(series), *r)),
        );
        let step = self.watching.readings(readings);
        self.take(step);
    }

    /// Time passes, and the watches look at the clock.
    pub(super) fn pass(&mut self, minutes: i64) {
        self.now = self.now.plus_millis(minutes * 60_000);
        let step = self.watching.clock(&self.outside, self.now);
        self.take(step);
    }

    /// What a step changed is kept, and what is told is written down.
    pub(super) fn take(&mut self, step: WatchStep) {
        if step.is_empty() {
            return;
        }
        self.store.keep_watch_step(&step, self.now).unwrap();
        for (_, _, body) in &step.messages {
            let body: serde_json::Value = serde_json::from_str(body).unwrap();
            let word = |member: &str| body[member].as_str().unwrap().to_owned();
            let minute = self.now.millis_since(self.begun) / 60_000;
            self.texts.push(word("text"));
            self.told.push((minute, word("state"), word("watch")));
        }
        self.rows.extend(step.alerts);
    }

    /// What was told, without the minutes.
    pub(super) fn messages(&self) -> Vec<(&str, &str)> {
        self.told.iter().map(|(_, s, w)| (s.as_str(), w.as_str())).collect()
    }
}

fn watching(store: &Store, now: Instant) -> Watching {
    let (watching, step) = begun(store, now);
    assert!(step.is_empty(), "a fresh house tells nothing");
    watching
}

fn begun(store: &Store, now: Instant) -> (Watching, WatchStep) {
    let zone = chrono_tz::Europe::Dublin;
    let channels = vec!["test".to_owned()];
    Watching::new(store, zone, channels, MOST_AN_HOUR, now).unwrap()
}

fn record(
    store: &mut Store,
    now: Instant,
    trial: Option<&Name>,
    said: Vec<Statement>,
) {
    let drafts: Vec<Draft> = said
        .into_iter()
        .map(|said| Draft::new(trial, When::exactly(now), said))
        .collect();
    let recorded = store
        .record(&Records {
            drafts: &drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "rowan",
            origin: "command",
            now,
            dry_run: false,
        })
        .unwrap();
    assert_eq!(recorded.refused, []);
}

/// A place of a kind, with a board's air probe at it.
pub(super) fn place(
    place: &str,
    kind: PlaceKind,
    board: &str,
) -> Vec<Statement> {
    vec![
        Statement::Place {
            place: name(place),
            place_kind: kind,
            light_source: String::new(),
            title: String::new(),
        },
        Statement::BoardStay {
            board: name(board),
            probe: name("air"),
            place: Some(name(place)),
            until: None,
            position: String::new(),
        },
    ]
}
