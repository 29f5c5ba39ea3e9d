//! Keeps the data safe beside the writer: the disk's room, the nightly
//! backup, the journal, what is written ahead. A thread of its own with its
//! own connections, so that readings come in meanwhile.
//!
//! It changes no reading and no entry.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::sync::{Notify, watch};
use tokio::time::timeout;

use crate::alert::keeping::{Trouble, disk_is_low};
use crate::alert::wording::with_answer;
use crate::alert::{Alert, AlertKind, Change, Severity};
use crate::daemon::backups;
use crate::daemon::clock::Clock;
use crate::daemon::host_clock;
use crate::daemon::unstored::Unstored;
use crate::exchange::times::ZoneRule;
use crate::health::{BackupWord, KeepingWord};
use crate::notify::body::AlertJson;
use crate::store::backup::{back_up_into, backups_in, prune};
use crate::store::disk::{Space, bytes_ahead, folder_of};
use crate::store::{Access, AlertRow, Store, StoreError, WatchStep, in_a_row};
use crate::trial::entry::word_of;
use crate::units::Instant;

/// How often the disk is looked at.
const MEASURE: Duration = Duration::from_secs(60);
/// How often the journal is caught up, should a command not have done it.
const CATCH_UP: Duration = Duration::from_secs(3_600);
/// How often it is asked whether the clock of this machine is kept right.
const ASK: Duration = Duration::from_secs(600);
/// A backup that failed is tried again after this.
const TRY_AGAIN: Duration = Duration::from_secs(3_600);
/// How often what is written ahead is moved in and its room given back.
const SETTLE: Duration = Duration::from_secs(3_600);
/// What is written ahead has grown because somebody reads for long; it is
/// moved in as soon as that ends, bytes.
const FAR_AHEAD: u64 = 64_000_000;
/// What was given to the disk is told for this long back.
const DAY: Duration = Duration::from_secs(86_400);
/// One mark of it each ten minutes is enough.
const MARK: Duration = Duration::from_secs(600);

/// What keeper, writer and status tell one another.
#[derive(Debug, Default)]
pub(crate) struct Shared {
    word: Mutex<KeepingWord>,
    passes: AtomicU64,
    writes: AtomicU64,
    /// That nothing can be stored, if so.
    store_trouble: Mutex<Option<Unstored>>,
}

impl Shared {
    /// How the data are kept.
    pub(crate) fn word(&self) -> KeepingWord {
        self.locked().clone()
    }

    /// The writer has made a pass.
    pub(crate) fn writer_passed(&self) {
        self.passes.fetch_add(1, Ordering::Relaxed);
    }

    /// Something was written to the data file.
    pub(crate) fn wrote(&self) {
        self.writes.fetch_add(1, Ordering::Relaxed);
    }

    /// How often something was written.
    pub(crate) fn writes(&self) -> u64 {
        self.writes.load(Ordering::Relaxed)
    }

    /// How many passes the writer has made.
    pub(crate) fn passes(&self) -> u64 {
        self.passes.load(Ordering::Relaxed)
    }

    /// Nothing can be stored since an instant.
    pub(crate) fn cannot_store(&self, since: Instant, why: String) {
        let mut trouble = self.store_trouble();
        match &mut *trouble {
            Some(unstored) => unstored.why = why,
            None => {
                *trouble = Some(Unstored {
                    since,
                    why,
                    told: BTreeSet::new(),
                    refused: BTreeMap::new(),
                });
            }
        }
    }

    /// It is stored again: the channels that know that it was not.
    pub(crate) fn stores_again(&self) -> BTreeSet<String> {
        self.store_trouble().take().map(|u| u.told).unwrap_or_default()
    }

    /// That nothing can be stored, if so.
    pub(crate) fn unstored(&self) -> Option<Unstored> {
        self.store_trouble().clone()
    }

    /// A channel was told that nothing can be stored, and took it or not.
    pub(crate) fn told_unstored(&self, channel: &str, taken: bool) {
        let mut trouble = self.store_trouble();
        let Some(unstored) = &mut *trouble else { return };
        if taken {
            unstored.told.insert(channel.to_owned());
        } else {
            *unstored.refused.entry(channel.to_owned()).or_default() += 1;
        }
    }

    fn store_trouble(&self) -> MutexGuard<'_, Option<Unstored>> {
        self.store_trouble.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn locked(&self) -> MutexGuard<'_, KeepingWord> {
        // A word is replaced as a whole: it is never half-written.
        self.word.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What the keeper needs.
pub(crate) struct Keeper {
    pub(crate) data: PathBuf,
    pub(crate) zone: ZoneRule,
    pub(crate) backups: Option<backups::Settings>,
    pub(crate) channels: Vec<String>,
    pub(crate) clock: Clock,
    pub(crate) stop: watch::Receiver<bool>,
    pub(crate) outbox: Arc<Notify>,
    pub(crate) shared: Arc<Shared>,
    /// The room on the disk of a folder.
    pub(crate) space: fn(&Path) -> io::Result<Space>,
}

impl Keeper {
    /// Keeps until the stop signal.
    pub(crate) fn run(mut self, runtime: &Handle) {
        let mut state = State::default();
        self.take_up(&mut state);
        loop {
            self.ask_about_the_clock(&mut state, runtime);
            self.look(&mut state);
            let stopped = runtime.block_on(async {
                timeout(self.clock.look, self.stop.wait_for(|stop| *stop))
                    .await
                    .is_ok()
            });
            if stopped {
                return;
            }
        }
    }

    /// What earlier runs left: the newest backup.
    fn take_up(&self, state: &mut State) {
        if let Some(settings) = &self.backups {
            state.word.backup_folder =
                Some(settings.folder.display().to_string());
            let now = self.clock.now();
            let all = backups_in(&self.data, &settings.folder);
            let newest = all.unwrap_or_default().into_iter().rev();
            state.word.last_backup =
                newest.map(backup_word).find(|backup| backup.at <= now);
        }
    }

    /// The answer is told with the rest, and kept when it changes.
    fn ask_about_the_clock(&self, state: &mut State, runtime: &Handle) {
        let steady = (self.clock.steady)();
        if state.asked.is_some_and(|last| steady < last + ASK) {
            return;
        }
        state.asked = Some(steady);
        let answer = runtime.block_on(host_clock::is_synchronised());
        state.word.clock_synchronised = answer;
        let kept = Store::open(&self.data, Access::ReadWrite)
            .and_then(|mut store| store.clock_is(answer, self.clock.now()));
        if let Err(error) = kept {
            tracing::warn!(%error, "the state of the clock is not kept");
        }
    }

    fn look(&self, state: &mut State) {
        let steady = (self.clock.steady)();
        let now = self.clock.now();
        if state.caught_up.is_none_or(|last| steady >= last + CATCH_UP) {
            state.caught_up = Some(steady);
            self.catch_up_journal(state, now);
        }
        if state.measured.is_none_or(|last| steady >= last + MEASURE) {
            state.measured = Some(steady);
            self.measure(state, steady);
            if let Err(error) = self.settle(state, steady) {
                tracing::warn!(%error, "the data file could not be tidied");
            }
        }
        self.back_up_if_due(state, now, steady);
        self.tell_troubles(state, now);
        state.word.store_trouble = self.shared.unstored().map(|u| u.why);
        state.word.looked = Some(now);
        *self.shared.locked() = state.word.clone();
    }

    fn catch_up_journal(&self, state: &mut State, now: Instant) {
        let caught_up = Store::open(&self.data, Access::ReadOnly)
            .map_err(|error| in_a_row(&error))
            .and_then(|store| {
                store.catch_up_journal(now).map_err(|error| in_a_row(&error))
            });
        state.word.journal_trouble = caught_up.err();
        if let Some(why) = &state.word.journal_trouble {
            tracing::warn!(why, "the journal is behind");
        }
    }

    fn measure(&self, state: &mut State, steady: Duration) {
        let word = &mut state.word;
        match (self.space)(folder_of(&self.data)) {
            Ok(Space { free_bytes, total_bytes }) => {
                word.disk_is_low =
                    disk_is_low(free_bytes, total_bytes, word.disk_is_low);
                word.disk_free_bytes = free_bytes;
                word.disk_total_bytes = total_bytes;
            }
            Err(error) => {
                tracing::warn!(%error, "the disk could not be looked at");
            }
        }
        word.ahead_bytes = bytes_ahead(&self.data);
        if let Some(bytes) = bytes_to_disk() {
            let (written, over) = state.written.note(steady, bytes);
            word.written_bytes = written;
            word.written_over_ms =
                u64::try_from(over.as_millis()).unwrap_or(u64::MAX);
        }
    }

    /// Moves what is written ahead into the file, each hour and whenever it
    /// has grown far; not while somebody reads or writes, but at the next
    /// look.
    fn settle(
        &self,
        state: &mut State,
        steady: Duration,
    ) -> Result<(), StoreError> {
        let ahead = state.word.ahead_bytes;
        let last = *state.settled.get_or_insert(steady);
        if ahead > FAR_AHEAD || (ahead > 0 && steady >= last + SETTLE) {
            let mut store = Store::open(&self.data, Access::ReadWrite)?;
            if store.settle()? {
                state.settled = Some(steady);
                state.word.ahead_bytes = bytes_ahead(&self.data);
            }
        }
        Ok(())
    }

    fn back_up_if_due(
        &self,
        state: &mut State,
        now: Instant,
        steady: Duration,
    ) {
        let Some(settings) = &self.backups else { return };
        let last = state.word.last_backup.as_ref().map(|backup| backup.at);
        if !settings.is_due(&self.zone, now, last)
            || state.tried.is_some_and(|tried| steady < tried + TRY_AGAIN)
        {
            return;
        }
        match self.back_up(settings, now) {
            Ok(backup) => {
                tracing::info!(
                    file = backup.file,
                    bytes = backup.bytes,
                    "backup made and checked"
                );
                state.word.last_backup = Some(backup);
                state.word.backup_trouble = None;
                state.tried = None;
            }
            Err(why) => {
                tracing::error!(why, "no backup was made");
                state.word.backup_trouble = Some(why);
                state.tried = Some(steady);
            }
        }
    }

    /// The nightly work: the copy, and old ones taken away.
    fn back_up(
        &self,
        settings: &backups::Settings,
        now: Instant,
    ) -> Result<BackupWord, String> {
        let (data, folder) = (&self.data, &settings.folder);
        let made = back_up_into(data, folder, now).map_err(|e| in_a_row(&e))?;
        let keep = usize::from(settings.keep);
        if let Err(error) = prune(data, folder, keep, &made.file, now) {
            tracing::warn!(why = in_a_row(&error), "an old backup stays");
        }
        Ok(BackupWord {
            at: now,
            file: made.file.display().to_string(),
            bytes: made.bytes,
        })
    }

    /// Raises and ends the alerts; one that could not be written is tried
    /// again at the next look.
    fn tell_troubles(&self, state: &mut State, now: Instant) {
        let word = &state.word;
        let low = word.disk_is_low.then(|| {
            format!(
                "{} MB of {} MB are free",
                word.disk_free_bytes / 1_000_000,
                word.disk_total_bytes / 1_000_000
            )
        });
        let backup = word.backup_trouble.clone();
        for (trouble, why) in [(Trouble::Disk, low), (Trouble::Backup, backup)]
        {
            if state.told.get(&trouble) == Some(&why.is_some()) {
                continue;
            }
            match self.tell(trouble, why.as_deref(), now) {
                Ok(()) => {
                    state.told.insert(trouble, why.is_some());
                }
                // While nothing can be stored, that is known already.
                Err(_) if self.shared.store_trouble().is_some() => {}
                Err(error) => {
                    tracing::error!(%error, "an alert could not be kept yet");
                }
            }
        }
    }

    fn tell(
        &self,
        trouble: Trouble,
        why: Option<&str>,
        now: Instant,
    ) -> Result<(), StoreError> {
        let mut store = Store::open(&self.data, Access::ReadWrite)?;
        let lasting = store
            .alerts(now)?
            .into_iter()
            .find(|row| row.watch == trouble.key() && row.cleared.is_none());
        let (change, since) = match (why, &lasting) {
            (Some(_), None) => (Change::Raised, now),
            (None, Some(row)) => (Change::Cleared, row.raised),
            // It lasts, or is over, as it was.
            _ => return Ok(()),
        };
        let alert = trouble.alert(change, since, now, why.unwrap_or_default());
        let said = Alert { text: with_answer(&alert), ..alert.clone() };
        let body = serde_json::to_string(&AlertJson::new(&said, 1))
            .expect("plain data can be written as JSON");
        let id = alert.id.to_string();
        let messages = self
            .channels
            .iter()
            .map(|channel| (id.clone(), channel.clone(), body.clone()))
            .collect();
        let row = AlertRow {
            id,
            watch: alert.watch,
            kind: word_of(&AlertKind::WORDS, &alert.kind).to_owned(),
            place: None,
            board: None,
            quantity: None,
            severity: word_of(&Severity::WORDS, &alert.severity).to_owned(),
            since: alert.since,
            raised: since,
            cleared: (change == Change::Cleared).then_some(now),
            value: None,
            limit: None,
            text: alert.text,
        };
        let step =
            WatchStep { alerts: vec![row], messages, ..WatchStep::default() };
        store.keep_watch_step(&step, now)?;
        self.outbox.notify_one();
        Ok(())
    }
}

/// What the keeper remembers from look to look.
#[derive(Default)]
struct State {
    word: KeepingWord,
    measured: Option<Duration>,
    /// When the state of the clock was last asked for.
    asked: Option<Duration>,
    /// When the journal was last caught up.
    caught_up: Option<Duration>,
    /// When a backup was tried in vain.
    tried: Option<Duration>,
    /// When what is written ahead was last moved in.
    settled: Option<Duration>,
    written: Written,
    /// Which troubles are known to the alerts.
    told: BTreeMap<Trouble, bool>,
}

/// What was given to the disk, over the last day.
#[derive(Default)]
struct Written {
    marks: VecDeque<(Duration, u64)>,
}

impl Written {
    /// Notes how much it was so far; gives how much since when.
    fn note(&mut self, steady: Duration, bytes: u64) -> (u64, Duration) {
        if self.marks.back().is_none_or(|(last, _)| steady >= *last + MARK) {
            self.marks.push_back((steady, bytes));
        }
        while self.marks.len() > 1 && self.marks[1].0 + DAY <= steady {
            self.marks.pop_front();
        }
        let (from, before) = self.marks.front().copied().unwrap_or_default();
        (bytes.saturating_sub(before), steady.saturating_sub(from))
    }
}

fn backup_word((at, file): (Instant, PathBuf)) -> BackupWord {
    let bytes = std::fs::metadata(&file).map_or(0, |found| found.len());
    BackupWord { at, file: file.display().to_string(), bytes }
}

/// Bytes that this process has given to the disk since its start, as the
/// kernel counts them.
fn bytes_to_disk() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/io").ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("write_bytes:"))?;
    line.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use chrono_tz::Europe::Dublin;
    use tempfile::TempDir;

    use super::*;
    use crate::daemon::clock::LOOK;

    const FULL: fn(&Path) -> io::Result<Space> =
        |_| Ok(Space { free_bytes: 1_000_000, total_bytes: 16_000_000_000 });
    const ROOMY: fn(&Path) -> io::Result<Space> =
        |_| Ok(Space { free_bytes: 9_000_000_000, ..FULL(Path::new(""))? });

    fn keeper(folder: &Path) -> (Keeper, watch::Sender<bool>) {
        let data = folder.join("vernalog.db");
        drop(Store::open(&data, Access::Create).unwrap());
        let evening = chrono::NaiveTime::MIN;
        let (sender, stop) = watch::channel(false);
        let keeper = Keeper {
            data,
            zone: ZoneRule { zone: Dublin, evening },
            backups: None,
            channels: vec!["bell".to_owned()],
            clock: Clock {
                wall: Arc::new(|| Instant::from_millis(1_773_453_600_000)),
                steady: Arc::new(|| Duration::ZERO),
                look: LOOK,
            },
            stop,
            outbox: Arc::new(Notify::new()),
            shared: Arc::new(Shared::default()),
            space: FULL,
        };
        (keeper, sender)
    }

    #[test]
    fn a_disk_that_is_nearly_full_is_told_once_and_its_end_once() {
        let folder = TempDir::new().unwrap();
        let (mut keeper, _sender) = keeper(folder.path());
        let rows = |keeper: &Keeper| {
            let store = Store::open(&keeper.data, Access::ReadOnly).unwrap();
            let rows = store.alerts(Instant::from_millis(0)).unwrap();
            let n = store.messages_of(&rows[0].id).unwrap().len();
            (rows, n)
        };
        let mut state = State::default();
        keeper.look(&mut state);
        keeper.look(&mut state);
        // After a restart it is the same alert.
        keeper.look(&mut State::default());

        let (alerts, messages) = rows(&keeper);
        assert_eq!((alerts.len(), messages), (1, 1));
        assert_eq!((&*alerts[0].kind, alerts[0].cleared), ("disk", None));
        assert!(alerts[0].text.contains("1 MB of 16000 MB are free"));
        assert!(keeper.shared.word().disk_is_low);

        keeper.space = ROOMY;
        keeper.look(&mut State::default());

        let (alerts, messages) = rows(&keeper);
        assert_eq!((alerts.len(), messages), (1, 2));
        assert!(alerts[0].cleared.is_some());
    }

    #[test]
    fn what_was_written_is_told_for_a_day() {
        let mut written = Written::default();
        let hours = |n: u64| Duration::from_secs(n * 3_600);
        assert_eq!(written.note(hours(0), 500), (0, hours(0)));
        assert_eq!(written.note(hours(1), 800), (300, hours(1)));
        assert_eq!(written.note(hours(24), 2_500), (2_000, hours(24)));
        assert_eq!(written.note(hours(25), 2_800), (2_000, hours(24)));
        assert!(bytes_to_disk().is_some());
    }
}
