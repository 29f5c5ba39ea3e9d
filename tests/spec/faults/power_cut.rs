//! The power cut: whatever the disk kept of what was not synced, the data
//! file opens, is sound, and holds all that had been acknowledged by then.
//! And the kill, looked at from outside: a copy made while the process
//! stands still.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustix::process::Signal;
use vernalog::store::journal::journal_of;
use vernalog::store::{Access, Store};

use super::{inlet_at, wait_until};
use crate::support::broker::free_port;
use crate::support::disk::{Files, after_a_cut, files, put};
use crate::support::flood::Flood;
use crate::support::home::rowan_trial;
use crate::support::house::{House, say};
use crate::support::long;
use crate::support::process::Process;
use crate::support::shelf::numbers;
use crate::support::trace::{CALLS, Event, What, events};

const BOARDS: [(&str, usize, u64); 2] =
    [("cold-frame", 1, 1), ("porch-tray", 20, 5)];

const SEED: u64 = 20_260_212;

/// What had been promised by some moment.
#[derive(Debug, Clone, Default)]
struct Promised {
    /// The highest number acknowledged to each board.
    numbers: BTreeMap<String, u64>,
    /// Ledger entries that a command said it had recorded.
    entries: usize,
}

/// Starts on what is left, as the daemon does, and looks at everything.
///
/// # Errors
/// What is wrong.
fn all_is_there(folder: &Path, promised: &Promised) -> Result<(), String> {
    let data = folder.join("vernalog.db");
    let store = Store::open(&data, Access::Create)
        .map_err(|error| format!("{error:?}"))?;
    let problems = store.quick_check().map_err(|error| error.to_string())?;
    if !problems.is_empty() {
        return Err(problems.join("; "));
    }
    store
        .catch_up_journal(vernalog::units::Instant::from_millis(0))
        .map_err(|error| format!("{error:?}"))?;
    let findings = store.verify(true);
    if let Some(finding) = findings.iter().find(|finding| !finding.sound) {
        return Err(format!("{finding:?}"));
    }
    let entries = store.ledger().map_err(|error| error.to_string())?.len();
    if entries < promised.entries {
        return Err(format!("{entries} entries of {}", promised.entries));
    }
    drop(store);
    for (board, last) in &promised.numbers {
        let times = numbers(&data, board);
        let lost = (1..=*last).filter(|n| !times.contains_key(n)).count();
        let twice = times.values().filter(|n| **n > 1).count();
        if (lost, twice) != (0, 0) {
            return Err(format!(
                "{board}: of {last} lost {lost}, stored twice {twice}"
            ));
        }
    }
    Ok(())
}

/// What had been promised before each line of the trace: the packets that
/// the daemon sent tell.
fn promises(events: &[Event], entries_before: usize) -> Vec<(usize, Promised)> {
    let mut boards: HashMap<&str, &str> = HashMap::new();
    let mut now = Promised { entries: entries_before, ..Promised::default() };
    let mut all = vec![(0, now.clone())];
    for event in events {
        match &event.what {
            What::Heard { socket, bytes } if bytes.starts_with(&[0x10]) => {
                let board = BOARDS.iter().find(|(name, ..)| {
                    bytes.windows(name.len()).any(|w| w == name.as_bytes())
                });
                boards.insert(socket, board.unwrap().0);
            }
            What::Said { socket, bytes } => {
                let Some(board) = boards.get(socket.as_str()) else { continue };
                for packet in bytes.chunks_exact(4).filter(|p| p[0] == 0x40) {
                    let id = u16::from_be_bytes([packet[2], packet[3]]);
                    let number = u64::from(id) - 1;
                    now.numbers.insert((*board).to_owned(), number);
                }
            }
            What::Printed { text } if text.starts_with("recorded ") => {
                now.entries = text["recorded ".len()..].trim().parse().unwrap();
            }
            _ => continue,
        }
        all.push((event.begin, now.clone()));
    }
    all
}

fn is_traceable() -> bool {
    let tried = Command::new("strace")
        .args(["-f", "--seccomp-bpf", "-o", "/dev/null", "true"])
        .output()
        .expect("strace is missing; install it: apt-get install strace");
    if !tried.status.success() {
        say(&format!("SKIPPED: this system lets us trace nothing: {tried:?}"));
    }
    tried.status.success()
}

/// Runs daemon and commands under strace while boards publish; the trace is
/// the house's file of that name.
fn traced(home: &House, folder: &Path, acknowledged: u64) {
    let port = free_port();
    let settings = home.settings(&inlet_at(port));
    let settings = fs::read_to_string(settings).unwrap().replace(
        &home.data().display().to_string(),
        &folder.join("vernalog.db").display().to_string(),
    );
    let settings_file = home.file("traced.toml");
    fs::write(&settings_file, settings).unwrap();
    let (trace, end) = (home.file("trace"), home.file("end"));
    // A trial is many lines of the journal at once, a note is one.
    let script = r#"
        "$1" run --settings "$2" & daemon=$!
        n=$5
        "$1" import trial "$4" --settings "$2" || exit 1
        n=$((n + $6))
        echo "recorded $n"
        while [ ! -e "$3" ]; do
            "$1" record note "the power may go $n" --settings "$2" \
                && n=$((n + 1)) && echo "recorded $n"
            sleep 0.1
        done
        kill -TERM $daemon
        wait $daemon"#;
    let n_entries = |path: &Path| {
        let store = Store::open(path, Access::ReadOnly).unwrap();
        store.ledger().unwrap().len()
    };
    let before = n_entries(&folder.join("vernalog.db"));
    let of_the_trial = {
        let other = crate::support::home::Home::with_rowan();
        n_entries(&other.path().join("vernalog.db"))
    };
    let child = Command::new("strace")
        .args(["-f", "-y", "-xx", "-s", "1000000", "--seccomp-bpf", "-e"])
        .arg(format!("trace={CALLS}"))
        .arg("-o")
        .arg(&trace)
        .args(["/bin/sh", "-c", script, "sh", env!("CARGO_BIN_EXE_vernalog")])
        .args([&settings_file, &end, &rowan_trial()])
        .args([before.to_string(), of_the_trial.to_string()])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let mut child = child.unwrap();
    let floods = BOARDS.map(|(board, window, pause)| {
        Flood::begin(board, port, window, Duration::from_millis(pause))
    });
    wait_until("enough is acknowledged", || {
        floods.iter().map(Flood::acknowledged).sum::<u64>() > acknowledged
    });
    for flood in floods {
        let told = flood.end();
        assert!(told.acknowledged < 60_000, "identifiers would come again");
        assert_eq!(told.connections, 1);
    }
    fs::write(end, "").unwrap();
    assert!(child.wait().unwrap().success());
}

/// What a run under strace left in its folder, to be cut at will.
struct Recording {
    /// The folder that holds nothing but the data.
    folder: PathBuf,
    before: Files,
    /// Ledger entries before the run.
    entries: usize,
    trace: String,
}

impl Recording {
    /// Records a run in a house that is left to this recording.
    fn new(home: &House, acknowledged: u64) -> Self {
        for (board, ..) in BOARDS {
            home.place(board);
        }
        let (folder, kept) = (home.file("data"), home.file("before"));
        for folder in [&folder, &kept] {
            fs::create_dir(folder).unwrap();
            fs::copy(home.data(), folder.join("vernalog.db")).unwrap();
        }
        traced(home, &folder, acknowledged);
        Self::read(home.file("").as_path())
    }

    /// Reads what `new` left in a folder.
    fn read(home: &Path) -> Self {
        let (folder, kept) = (home.join("data"), home.join("before"));
        let data = kept.join("vernalog.db");
        let store = Store::open(&data, Access::ReadOnly).unwrap();
        let entries = store.ledger().unwrap().len();
        let before = files(&kept)
            .into_iter()
            .map(|(path, bytes)| {
                (folder.join(path.file_name().unwrap()), bytes)
            })
            .collect();
        let trace = fs::read_to_string(home.join("trace")).unwrap();
        Self { folder, before, entries, trace }
    }
}

/// Cuts at a random line, and looks at what is left. The same number cuts
/// the same recording in the same way.
fn cut_at_random(
    n: u64,
    n_lines: usize,
    before: &Files,
    events: &[Event],
    promises: &[(usize, Promised)],
) -> Result<(), String> {
    let mut chance = ChaCha8Rng::seed_from_u64(SEED + n);
    // Half of the cuts hit while a file is being written.
    let cut = if n.is_multiple_of(2) {
        chance.random_range(0..=n_lines)
    } else {
        events[chance.random_range(0..events.len())].begin + 1
    };
    let promised = promises.iter().rev().find(|(line, _)| *line < cut);
    let promised = promised.map_or_else(Promised::default, |p| p.1.clone());
    let disk = after_a_cut(before, events, cut, &mut chance);
    let left = tempfile::tempdir().unwrap();
    put(&disk, left.path());
    all_is_there(left.path(), &promised).map_err(|why| {
        format!("seed {SEED}, cut {n} at line {cut} of {n_lines}: {why}")
    })
}

/// A recording in which something was lost is kept, and its folder named;
/// `VERNALOG_TRACE=FOLDER` cuts it again.
#[test]
fn a_power_cut_at_any_moment_leaves_all_that_was_acknowledged() {
    let (acknowledged, n_cuts) =
        if long() { (20_000, 5_000) } else { (2_000, 40) };
    if !is_traceable() {
        return;
    }
    let home = House::new();
    let recording = match std::env::var_os("VERNALOG_TRACE") {
        Some(folder) => Recording::read(Path::new(&folder)),
        None => Recording::new(&home, acknowledged),
    };
    let Recording { folder, before, entries, trace } = recording;
    let events = events(&trace, &folder);
    let n_lines = trace.lines().count();
    drop(trace);
    let promises = promises(&events, entries);
    let moved_in = events.iter().any(|event| {
        matches!(&event.what, What::Write { file, at: Some(_), .. }
            if *file == folder.join("vernalog.db"))
    });
    assert!(moved_in, "nothing was moved into the data file: no test");
    let journal = journal_of(&folder.join("vernalog.db"));
    assert!(
        events.iter().any(|event| {
            matches!(&event.what, What::Sync { file } if *file == journal)
        }),
        "the journal was not written: no test"
    );

    let lost: Vec<String> = (0..n_cuts)
        .filter_map(|n| {
            cut_at_random(n, n_lines, &before, &events, &promises).err()
        })
        .collect();
    if !lost.is_empty() {
        let kept = home.file("");
        std::mem::forget(home);
        panic!("of {n_cuts} cuts, recorded in {}: {lost:#?}", kept.display());
    }
    // The test can fail: without the syncs, something is lost.
    let mut careless = events;
    careless.retain(|event| !matches!(event.what, What::Sync { .. }));
    let lost = (0..10).any(|n| {
        cut_at_random(n, n_lines, &before, &careless, &promises).is_err()
    });
    assert!(lost, "nothing is lost without a single sync: no test");
    let (_, at_the_end) = promises.last().unwrap();
    say(&format!(
        "seed {SEED}: {n_cuts} power cuts in {} writes; at the end \
         {at_the_end:?}; 0 lost",
        careless.len()
    ));
    assert!(at_the_end.entries > entries + 10, "{at_the_end:?}");
    let numbers: u64 = at_the_end.numbers.values().sum();
    assert!(at_the_end.numbers.len() == 2 && numbers >= acknowledged);
}

/// A checkpoint may sync the file of what is written ahead while a commit
/// does: what the later of two syncs covers is safe, whichever ends first.
#[test]
fn of_two_syncs_at_once_the_later_one_counts() {
    let file = PathBuf::from("data/vernalog.db-wal");
    let event = |begin, end, what| Event { begin, end, what };
    let write = |at| {
        let (file, bytes) = (file.clone(), vec![7; 512]);
        What::Write { file, at: Some(at), bytes }
    };
    let sync = || What::Sync { file: file.clone() };
    let events = [
        event(0, 1, write(0)),
        event(3, 4, write(512)),
        event(5, 6, sync()),
        event(2, 7, sync()),
    ];
    for seed in 0..50 {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let disk = after_a_cut(&Files::new(), &events, 8, &mut chance);
        assert_eq!(disk[&file], [7; 1_024], "seed {seed}");
    }
}

#[test]
fn what_a_killed_daemon_leaves_holds_all_that_was_acknowledged() {
    const SEED: u64 = 20_260_213;
    let n_copies = if long() { 500 } else { 20 };
    let home = House::new();
    for (board, ..) in BOARDS {
        home.place(board);
    }
    let port = free_port();
    let daemon = Process::start(&home.settings(&inlet_at(port)), "");
    let floods = BOARDS.map(|(board, window, pause)| {
        Flood::begin(board, port, window, Duration::from_millis(pause))
    });
    let mut chance = ChaCha8Rng::seed_from_u64(SEED);
    for n in 0..n_copies {
        let before: Vec<u64> = floods.iter().map(Flood::acknowledged).collect();
        wait_until("the boards get on", || {
            floods.iter().zip(&before).all(|(f, n)| f.acknowledged() > *n)
        });
        let micros = chance.random_range(0..30_000);
        std::thread::sleep(Duration::from_micros(micros));
        daemon.signal(Signal::STOP);
        wait_until("it stands still", || daemon.state() == 'T');
        let left = tempfile::tempdir().unwrap();
        copy(home.data().parent().unwrap(), left.path());
        // Acknowledgements on their way were sent before.
        let numbers = floods
            .iter()
            .map(|f| (f.board().to_owned(), f.acknowledged()))
            .collect();
        daemon.signal(Signal::CONT);
        let promised = Promised { numbers, entries: 4 };
        all_is_there(left.path(), &promised)
            .unwrap_or_else(|why| panic!("seed {SEED}, copy {n}: {why}"));
    }
    let told = floods.map(Flood::end);
    daemon.stop();
    say(&format!(
        "seed {SEED}: {n_copies} copies of a daemon that stood still; {} and \
         {} acknowledged, 0 lost",
        told[0].acknowledged, told[1].acknowledged
    ));
}

fn copy(from: &Path, to: &Path) {
    let names: Vec<PathBuf> = fs::read_dir(from)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file())
        .collect();
    for path in names {
        fs::copy(&path, to.join(path.file_name().unwrap())).unwrap();
    }
}
