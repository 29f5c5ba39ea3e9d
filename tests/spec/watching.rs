//! Watching, the whole way: from a board's message to the alert that a
//! program of the grower's gets, over restarts, gaps and failures.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use serde_json::Value;
use vernalog::notify::{self, channels, command};
use vernalog::observation::Quantity;
use vernalog::source::broker;
use vernalog::store::AlertRow;
use vernalog::trial::entry::{QuantityWord, Rule, Statement, Watch};
use vernalog::units::Instant;

use crate::support::broker::{Broker, publish};
use crate::support::house::{
    Daemon, House, board_stay, name, sample, topic, until, until_true,
};
use crate::support::peer::{self, Peer, puback};

const FRIDGE: &str = "fridge-drawer";

/// A fridge with its board, a watch on it (at most 7 °C, mean of 10 minutes,
/// for 10 minutes, half a degree to come back) and a program that is told.
struct Fridge {
    home: House,
    daemon: Option<Daemon>,
    peer: Option<Peer>,
    /// Minutes since noon; also numbers the samples.
    minute: u64,
}

impl Fridge {
    async fn new() -> Self {
        let mut home = House::new();
        home.place(FRIDGE);
        home.record(vec![Statement::Watch(Watch {
            place: name(FRIDGE),
            quantity: QuantityWord(Quantity::Temperature),
            rule: Rule::Range,
            low: None,
            high: Some(7.0),
            mean_minutes: 10,
            for_minutes: 10,
            margin: 0.5,
            urgent: true,
            wet_is_normal: false,
        })]);
        // Takes what it is given while there is a file "open".
        let script = home.file("tell");
        let text = "#!/bin/sh\n[ -e \"$1/open\" ] || exit 3\n\
                    cat >> \"$1/told\"\n";
        fs::write(&script, text).unwrap();
        fs::set_permissions(&script, fs::Permissions::from_mode(0o700))
            .unwrap();
        let folder = script.parent().unwrap().display().to_string();
        let command = vec![script.display().to_string(), folder];
        let settings = command::Settings::of(command);
        let (good, bad) = channels(vec![notify::Settings::Command(settings)]);
        assert_eq!(bad, []);
        home.channels = good;
        let mut fridge = Self { home, daemon: None, peer: None, minute: 0 };
        fridge.let_the_program_take(true);
        fridge.start().await;
        fridge
    }

    fn let_the_program_take(&self, takes: bool) {
        let open = self.home.file("open");
        if takes {
            fs::write(open, "").unwrap();
        } else {
            fs::remove_file(open).unwrap();
        }
    }

    async fn start(&mut self) {
        let daemon = self.home.start().await;
        self.peer = Some(Peer::welcome(daemon.inlet(), "a").await);
        self.daemon = Some(daemon);
    }

    async fn stop(&mut self) {
        self.peer = None;
        self.daemon.take().expect("it runs").stop().await;
    }

    /// A reading a minute for so many minutes.
    async fn reads(&mut self, minutes: u64, value: f64) {
        for _ in 0..minutes {
            let up = i64::try_from(self.minute * 60 + 10).unwrap();
            let payload = sample("k3v9q0tz1x", self.minute, up, value);
            let peer = self.peer.as_mut().expect("it is connected");
            peer.send(&peer::publish(7, &topic(FRIDGE), &payload)).await;
            peer.expect(&puback(7)).await;
            self.pass(1);
        }
    }

    /// Time passes without a word.
    fn pass(&mut self, minutes: u64) {
        self.minute += minutes;
        self.home.clock.pass(i64::try_from(minutes * 60).unwrap());
    }

    /// Alerts of the watch on the temperature, or on the board's silence.
    fn alerts(&self, watch: &str) -> Vec<AlertRow> {
        let mut all = self.home.store().alerts(Instant::default()).unwrap();
        all.retain(|alert| alert.watch == watch);
        all
    }

    /// What the program was told by now.
    fn told(&self) -> Vec<Value> {
        let text = fs::read_to_string(self.told_file()).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    fn told_file(&self) -> PathBuf {
        self.home.file("told")
    }
}

const TOO_WARM: &str = "fridge-drawer-temperature";
const SILENT: &str = "fridge-drawer-silent";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fridge_that_is_too_warm_is_told_once_and_its_end_once() {
    let mut fridge = Fridge::new().await;
    fridge.reads(15, 4.0).await;
    fridge.reads(15, 10.0).await;
    // In the middle of the ten minutes, and again with the alert open.
    assert_eq!(fridge.alerts(TOO_WARM), []);
    fridge.stop().await;
    fridge.start().await;
    fridge.reads(10, 10.0).await;
    until_true("the program is told", || fridge.told().len() == 1).await;
    fridge.stop().await;
    fridge.start().await;
    fridge.reads(20, 10.0).await;

    let alerts = fridge.alerts(TOO_WARM);
    let [alert] = alerts.as_slice() else { panic!("{alerts:?}") };
    assert_eq!((alert.cleared, alert.limit), (None, Some(7.0)));
    // The mean of 10 minutes passes 7 °C when it holds more warm than cold:
    // at minute 20 (15 + 5, worked out by hand; the trapezoid from 4 to 10
    // lies on it); the alert comes 10 minutes later.
    let raised = alert.raised.millis() - crate::support::writer::NOON;
    assert!((29..=31).contains(&(raised / 60_000)), "{}", alert.raised);
    let told = fridge.told();
    let [raised] = told.as_slice() else { panic!("{told:?}") };
    assert_eq!(raised["format"], "vernalog-alert/1");
    assert_eq!(raised["id"], alert.id.as_str());
    assert_eq!(raised["state"], "raised");
    assert_eq!(
        (&raised["place"], &raised["limit"]),
        (&FRIDGE.into(), &7.0.into())
    );
    assert_eq!(raised["attempt"], 1);

    fridge.reads(30, 4.0).await;
    until_true("its end is told", || fridge.told().len() == 2).await;
    let told = fridge.told();
    assert_eq!(told[1]["state"], "cleared");
    assert_eq!(told[1]["id"], told[0]["id"]);
    let alerts = fridge.alerts(TOO_WARM);
    assert_eq!(alerts.len(), 1);
    assert!(alerts[0].cleared.is_some());
    until_true("nothing waits", || {
        fridge.home.store().undelivered().unwrap() == (0, 0)
    })
    .await;
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_gap_ends_no_alert_and_a_silent_board_is_one_of_its_own() {
    let mut fridge = Fridge::new().await;
    fridge.reads(40, 10.0).await;
    until_true("too warm", || fridge.told().len() == 1).await;
    fridge.pass(120);
    until_true("the silence is told", || fridge.told().len() == 2).await;
    assert_eq!(fridge.told()[1]["watch"], SILENT);
    assert_eq!(fridge.alerts(TOO_WARM)[0].cleared, None);
    let silent = fridge.alerts(SILENT);
    let since = silent[0].since.millis() - crate::support::writer::NOON;
    assert_eq!(since / 60_000, 39, "since its last reading");

    // It speaks again, still too warm: the silence ends, the alert does not.
    fridge.reads(20, 10.0).await;
    until_true("the silence ends", || fridge.told().len() == 3).await;
    let third = &fridge.told()[2];
    assert_eq!(
        (&third["watch"], &third["state"]),
        (&SILENT.into(), &"cleared".into())
    );
    let warm = fridge.alerts(TOO_WARM);
    assert_eq!((warm.len(), warm[0].cleared), (1, None));
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_silence_that_lasts_over_a_restart_is_told_once() {
    let mut fridge = Fridge::new().await;
    fridge.reads(20, 4.0).await;
    fridge.pass(60);
    until_true("the silence is told", || fridge.told().len() == 1).await;
    fridge.stop().await;
    fridge.pass(60);
    fridge.start().await;
    fridge.pass(60);
    fridge.home.until_the_daemon_looked().await;
    assert_eq!(fridge.alerts(SILENT).len(), 1);
    fridge.reads(2, 4.0).await;
    until_true("its end is told", || fridge.told().len() == 2).await;
    assert_eq!(fridge.told()[1]["state"], "cleared");
    assert_eq!(fridge.told()[1]["id"], fridge.told()[0]["id"]);
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_that_was_silent_before_a_start_is_told_with_its_true_since() {
    let mut fridge = Fridge::new().await;
    fridge.reads(20, 4.0).await;
    fridge.stop().await;
    fridge.pass(600);
    fridge.start().await;
    fridge.home.until_the_daemon_looked().await;
    assert_eq!(fridge.alerts(SILENT), [], "it gets its whole limit first");
    fridge.pass(60);
    until_true("the silence is told", || fridge.told().len() == 1).await;
    let since = fridge.alerts(SILENT)[0].since.millis();
    assert_eq!((since - crate::support::writer::NOON) / 60_000, 19);
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_that_was_not_taken_is_tried_again_until_it_is() {
    let mut fridge = Fridge::new().await;
    fridge.let_the_program_take(false);
    fridge.reads(40, 10.0).await;
    let id = fridge.alerts(TOO_WARM)[0].id.clone();
    let attempts = |fridge: &Fridge| {
        let store = fridge.home.store();
        let message = store.messages_of(&id).unwrap().remove(0);
        (message.attempts, message.error.unwrap_or_default())
    };
    let first = until("a try fails", || {
        Some(attempts(&fridge)).filter(|(_, error)| !error.is_empty())
    });
    let (n, error) = first.await;
    assert!(error.contains("exit code 3"), "{error}");
    assert_eq!(fridge.home.store().undelivered().unwrap(), (1, 0));

    // After a while it is tried again, and then again.
    fridge.reads(2 << n, 10.0).await;
    until_true("another try fails", || attempts(&fridge).0 > n).await;
    fridge.let_the_program_take(true);
    fridge.reads(8 << n, 10.0).await;
    until_true("one is taken", || fridge.told().len() == 1).await;
    until_true("nothing waits", || {
        fridge.home.store().undelivered().unwrap() == (0, 0)
    })
    .await;
    let (taken, _) = attempts(&fridge);
    assert!(taken > n, "{taken}");
    assert_eq!(fridge.told()[0]["attempt"], taken);
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_that_nobody_takes_for_three_days_is_shown_as_undelivered() {
    let mut fridge = Fridge::new().await;
    fridge.let_the_program_take(false);
    fridge.reads(40, 10.0).await;
    until_true("it waits", || {
        fridge.home.store().undelivered().unwrap() == (1, 0)
    })
    .await;
    let id = fridge.alerts(TOO_WARM)[0].id.clone();
    fridge.pass(3 * 24 * 60);
    until_true("it is given up", || {
        let store = fridge.home.store();
        store.messages_of(&id).unwrap()[0].given_up.is_some()
    })
    .await;
    assert_eq!(fridge.home.store().undelivered().unwrap().1, 1);
    assert_eq!(fridge.told(), [Value::Null; 0]);
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_set_back_holds_no_message_back() {
    let mut fridge = Fridge::new().await;
    fridge.let_the_program_take(false);
    fridge.reads(40, 10.0).await;
    until_true("a try fails", || {
        let store = fridge.home.store();
        let id = &fridge.alerts(TOO_WARM)[0].id;
        store.messages_of(id).unwrap()[0].error.is_some()
    })
    .await;
    fridge.let_the_program_take(true);
    fridge.home.clock.set(-24 * 3_600);
    // How often it was tried before, and so how long it waits, is chance.
    fridge.pass(60);
    until_true("it is taken", || {
        fridge.told().iter().any(|told| told["watch"] == TOO_WARM)
    })
    .await;
    fridge.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alert_ends_when_its_watch_or_its_board_is_taken_away() {
    let mut fridge = Fridge::new().await;
    fridge.reads(40, 10.0).await;
    fridge.pass(60);
    until_true("both are told", || fridge.told().len() == 2).await;
    fridge.home.record(vec![
        Statement::Unwatch {
            place: name(FRIDGE),
            quantity: QuantityWord(Quantity::Temperature),
            rule: Rule::Range,
        },
        board_stay(FRIDGE, "air", None),
    ]);
    until_true("both ends are told", || fridge.told().len() == 4).await;
    for watch in [TOO_WARM, SILENT] {
        let alerts = fridge.alerts(watch);
        assert_eq!(alerts.len(), 1);
        assert!(alerts[0].cleared.is_some(), "{watch}");
    }
    fridge.stop().await;
}

/// Twenty boards behind mosquitto, which is killed and started again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_is_down_with_twenty_boards_is_one_message() {
    let mut broker = Broker::start();
    let mut home = House::new();
    home.brokers = vec![broker::Settings::at("127.0.0.1", broker.port)];
    home.inlet = None;
    let boards: Vec<String> = (0..20).map(|i| format!("box-{i}")).collect();
    for board in &boards {
        home.place(board);
    }
    let daemon = home.start().await;
    let well = || daemon.source().condition().state.is_well();
    until_true("it is subscribed", well).await;
    for seq in 0..3 {
        let up = i64::try_from(seq * 600 + 5).unwrap();
        for board in &boards {
            let text = sample("k3v9q0tz1x", seq, up, 18.0);
            publish(broker.port, &topic(board), &text, &[]);
        }
        // The first of each waits for its date until the second.
        let wanted = 20 * (i64::try_from(seq).unwrap() + 1);
        let on_disk = || home.undated() + home.rows().len() as i64;
        until_true("all are on disk", || on_disk() == wanted).await;
        home.clock.pass(600);
    }
    home.until_the_daemon_looked().await;
    assert_eq!(home.undated(), 0);

    broker.kill();
    until_true("the daemon notices", || !well()).await;
    for seconds in [60, 400, 4_000, 4_000] {
        home.clock.pass(seconds);
        home.until_the_daemon_looked().await;
    }
    let alerts = home.store().alerts(Instant::default()).unwrap();
    let [alert] = alerts.as_slice() else { panic!("{alerts:?}") };
    assert_eq!((alert.kind.as_str(), alert.cleared), ("source", None));
    assert!(alert.text.contains("20 boards behind it"), "{}", alert.text);

    broker.go();
    until_true("it is subscribed again", well).await;
    for seconds in [60, 300, 60] {
        home.clock.pass(seconds);
        home.until_the_daemon_looked().await;
    }
    let alerts = home.store().alerts(Instant::default()).unwrap();
    let [alert] = alerts.as_slice() else { panic!("{alerts:?}") };
    assert!(alert.cleared.is_some(), "{alert:?}");
    daemon.stop().await;
}
