//! `listen`: what comes in, line by line, as it is stored or refused.
//!
//! It follows the data file and opens no source: what boards send is taken
//! in by the daemon alone.

use std::collections::{BTreeMap, BTreeSet};
use std::thread::sleep;
use std::time::{Duration, Instant as Monotonic};

use serde_json::json;

use crate::cli::arguments::ListenArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::{Output, safe};
use crate::cli::readings;
use crate::cli::status::daemon_runs;
use crate::exchange::times::length_millis;
use crate::observation::{Name, Reading, Series};
use crate::store::{Access, RefusedRow, SeriesInfo, Store, Undated};

/// How often the data file is looked at.
const LOOK: Duration = Duration::from_millis(250);
/// Readings of one series in one look above this number are summed up.
const MOST_LINES: usize = 5;

/// Values that may wait for their date and are looked through; a longer
/// backlog is not news.
const MOST_UNDATED: u32 = 1_000;

/// What was known of each series at the last look.
type Known = BTreeMap<Series, SeriesInfo>;

pub(crate) fn listen(
    house: &House,
    arguments: &ListenArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let length = arguments.length.as_deref().map(length).transpose()?;
    let store = house.store(Access::ReadOnly)?;
    if !daemon_runs(house, store.daemon_said()?.as_ref()) {
        output.talk(
            "the daemon does not run on this data file, so nothing will come \
             in until `vernalog run` does",
        );
    }
    let begun = Monotonic::now();
    let mut ears = Ears::new(&store, arguments.board.clone())?;
    output.talk("listening; Ctrl-C ends it");
    let mut heard = false;
    loop {
        let over = length.is_some_and(|length| begun.elapsed() >= length);
        heard |= ears.hear(house, &store, output)?;
        if over {
            break;
        }
        sleep(LOOK);
    }
    if !heard {
        output.talk("nothing came in; `vernalog diagnose` looks for causes");
    }
    Ok(if heard { Answer::Done } else { Answer::No })
}

fn length(text: &str) -> Result<Duration, Failure> {
    length_millis(text)
        .and_then(|millis| u64::try_from(millis).ok())
        .map(Duration::from_millis)
        .ok_or_else(|| {
            Failure::new(format!("\"{}\" is no length of time", safe(text)))
                .hint("such as 30 s, 10min or 2h")
        })
}

/// What was heard so far.
struct Ears {
    board: Option<Name>,
    version: i64,
    known: Known,
    undated: BTreeSet<(Series, (String, u32))>,
    refused: i64,
}

impl Ears {
    fn new(store: &Store, board: Option<Name>) -> Result<Self, Failure> {
        Ok(Self {
            board,
            // Before the rest: what comes in between is told once more.
            version: store.data_version()?,
            known: known(store)?,
            undated: store
                .undated(MOST_UNDATED)?
                .into_iter()
                .map(|undated| (undated.series, undated.count))
                .collect(),
            refused: refused(store)?,
        })
    }

    /// Tells what is new; whether anything was.
    fn hear(
        &mut self,
        house: &House,
        store: &Store,
        output: &mut Output,
    ) -> Result<bool, Failure> {
        let version = store.data_version()?;
        if version == self.version {
            return Ok(false);
        }
        self.version = version;
        let mut heard = false;
        let now = known(store)?;
        for (series, info) in &now {
            if self.board.as_ref().is_none_or(|b| *b == series.board) {
                let before = self.known.get(series);
                heard |= tell(house, store, info, before, output)?;
            }
        }
        self.known = now;
        let mut waiting = BTreeSet::new();
        for undated in store.undated(MOST_UNDATED)? {
            let Undated { series, count, value } = undated;
            let key = (series.clone(), count);
            if !self.undated.contains(&key)
                && self.board.as_ref().is_none_or(|b| *b == series.board)
            {
                heard = true;
                tell_undated(&series, value, output)?;
            }
            waiting.insert(key);
        }
        self.undated = waiting;
        let n_refused = refused(store)?;
        let more = u32::try_from(n_refused - self.refused).unwrap_or(0);
        self.refused = n_refused;
        for row in store.refused(more)?.into_iter().rev() {
            if self.board.is_none() || self.board == row.board {
                heard = true;
                tell_refused(house, &row, output)?;
            }
        }
        output.finish()?;
        Ok(heard)
    }
}

fn known(store: &Store) -> Result<Known, Failure> {
    let all = store.series()?.into_iter();
    Ok(all.map(|info| (info.series.clone(), info)).collect())
}

fn refused(store: &Store) -> Result<i64, Failure> {
    Ok(store.counters()?.get("refused").copied().unwrap_or(0))
}

/// The readings of one series since the last look: the newest each, older
/// ones (sent late) by their number.
fn tell(
    house: &House,
    store: &Store,
    info: &SeriesInfo,
    before: Option<&SeriesInfo>,
    output: &mut Output,
) -> Result<bool, Failure> {
    let n_new = info.readings - before.map_or(0, |before| before.readings);
    if n_new == 0 {
        return Ok(false);
    }
    let n_new = usize::try_from(n_new).unwrap_or(usize::MAX);
    let newest_before = before.and_then(|before| before.newest);
    let from = newest_before.or(info.newest).map(|reading| reading.at);
    let mut newer: Vec<Reading> = match (from, info.newest) {
        (Some(from), Some(newest)) => {
            store.readings(&info.series, from, newest.at.plus_millis(1))?
        }
        _ => Vec::new(),
    };
    newer.retain(|r| newest_before.is_none_or(|before| r.at > before.at));
    let shown = newer.len().saturating_sub(MOST_LINES);
    let rest = n_new.saturating_sub(newer.len() - shown);
    if rest > 0 {
        tell_older(info, rest, output)?;
    }
    for reading in &newer[shown..] {
        tell_reading(house, &info.series, reading, output)?;
    }
    Ok(true)
}

fn tell_reading(
    house: &House,
    series: &Series,
    reading: &Reading,
    output: &mut Output,
) -> Result<(), Failure> {
    if output.json {
        let mut value = readings::as_json(series, reading);
        value["event"] = "stored".into();
        return output.object(&value);
    }
    output.line(&readings::in_words(house, series, reading))
}

/// The first samples of a start wait until it is clear that they were not
/// held back on the way; they are told again with their date.
fn tell_undated(
    series: &Series,
    value: f64,
    output: &mut Output,
) -> Result<(), Failure> {
    let unit = series.quantity.unit();
    if output.json {
        return output.object(&json!({
            "event": "undated",
            "board": series.board,
            "probe": series.probe,
            "quantity": series.quantity.word(),
            "value": value,
            "unit": unit,
        }));
    }
    output.line(&format!("{series}  {value} {unit}, not dated yet"))
}

fn tell_older(
    info: &SeriesInfo,
    n: usize,
    output: &mut Output,
) -> Result<(), Failure> {
    let series = &info.series;
    if output.json {
        return output.object(&json!({
            "event": "stored-older",
            "board": series.board,
            "probe": series.probe,
            "quantity": series.quantity.word(),
            "readings": n,
        }));
    }
    output.line(&format!("{series}: {n} older readings as well"))
}

fn tell_refused(
    house: &House,
    row: &RefusedRow,
    output: &mut Output,
) -> Result<(), Failure> {
    let text = String::from_utf8_lossy(&row.bytes);
    if output.json {
        return output.object(&json!({
            "event": "refused",
            "source": row.source,
            "board": row.board,
            "at": row.at,
            "reason": row.reason,
            "bytes": text,
        }));
    }
    let who = row.board.as_ref().map_or_else(
        || row.source.clone(),
        |board| format!("{board} ({})", row.source),
    );
    output.line(&format!(
        "{}  refused from {}: {}",
        house.zone().local(row.at),
        safe(&who),
        safe(&row.reason)
    ))?;
    output.line(&format!("    {}", safe(&text)))
}
