//! How alerts are told over time: quiet hours on both clock days, repeats,
//! seen and snoozed, the daily message, the heartbeat, a stand-in, and what
//! was dropped. Time is stepped; the receivers are real.

use chrono::NaiveTime;
use serde_json::Value;
use vernalog::alert::preset::plain;
use vernalog::alert::telling::Answer;
use vernalog::alert::{Alert, AlertId, AlertKind, Change, Severity};
use vernalog::daemon::heartbeat;
use vernalog::notify::body::AlertJson;
use vernalog::notify::{Settings, channels};
use vernalog::observation::Quantity;
use vernalog::store::{Access, AlertRow, NewAnswer, Store, WatchStep};
use vernalog::trial::entry::{Rule, Statement, Watch, word_of};

use crate::support::house::{Daemon, House, name, sample, topic, until_true};
use crate::support::peer::{Peer, puback, publish};
use crate::support::receivers::{Does, Endpoint};

const HOUR: i64 = 3_600;
const PLACE: &str = "stair-landing";

/// A house that tells its alerts to an endpoint.
struct Telling {
    home: House,
    endpoint: Endpoint,
    stand_in: Endpoint,
    daemon: Option<Daemon>,
}

fn clock(text: &str) -> Option<NaiveTime> {
    Some(NaiveTime::parse_from_str(text, "%H:%M").unwrap())
}

impl Telling {
    /// Not started yet; the clock stands at noon of 10 February 2026.
    async fn new() -> Self {
        let (endpoint, stand_in) =
            (Endpoint::start().await, Endpoint::start().await);
        let mut home = House::new();
        let hook = |name: &str, to: &Endpoint, more: &str| -> Settings {
            toml::from_str(&format!(
                "kind = \"webhook\"\nname = \"{name}\"\n\
                 url = \"http://{}/\"\n{more}",
                to.address
            ))
            .unwrap()
        };
        let more = "stands_in_for = \"first\"\nafter_failures = 3\n";
        let (good, bad) = channels(vec![
            hook("first", &endpoint, ""),
            hook("second", &stand_in, more),
        ]);
        assert_eq!(bad, []);
        home.channels = good;
        Self { home, endpoint, stand_in, daemon: None }
    }

    async fn start(&mut self) {
        self.daemon = Some(self.home.start().await);
    }

    async fn stop(&mut self) {
        self.daemon.take().expect("it runs").stop().await;
    }

    async fn restart(&mut self) {
        self.stop().await;
        self.start().await;
    }

    fn store(&self) -> Store {
        Store::open(&self.home.data(), Access::ReadWrite).unwrap()
    }

    /// An alert begins or ends now, as the watches would write it.
    fn tell(&self, watch: &str, severity: Severity, state: Change) -> String {
        let now = self.home.clock.now();
        let lasting = self.store().alerts(now).unwrap();
        let raised = lasting
            .iter()
            .find(|row| row.watch == watch && row.cleared.is_none())
            .map_or(now, |row| row.raised);
        let what = match state {
            Change::Cleared => "back in range",
            _ => "too warm",
        };
        let alert = Alert {
            id: AlertId::new(watch, raised),
            kind: AlertKind::Range,
            watch: watch.to_owned(),
            place: Some(name(PLACE)),
            quantity: Some(Quantity::Temperature),
            state,
            since: raised,
            at: now,
            value: Some(9.0),
            limit: Some(7.0),
            severity,
            text: format!("{watch}: {what}. It was seen so."),
        };
        let body = AlertJson::new(&alert, 1).to_line();
        let id = alert.id.to_string();
        let row = AlertRow {
            id: id.clone(),
            watch: alert.watch,
            kind: "range".to_owned(),
            place: alert.place,
            board: None,
            quantity: alert.quantity,
            severity: word_of(&Severity::WORDS, &severity).to_owned(),
            since: alert.since,
            raised,
            cleared: (state == Change::Cleared).then_some(now),
            value: alert.value,
            limit: alert.limit,
            text: alert.text,
        };
        let step = WatchStep {
            alerts: vec![row],
            messages: vec![(id.clone(), "first".to_owned(), body)],
            ..WatchStep::default()
        };
        self.store().keep_watch_step(&step, now).unwrap();
        id
    }

    fn answer(&self, alert: &str, answer: Answer) {
        let new = NewAnswer {
            alert,
            answer,
            reason: "on my way",
            by: "rowan",
            origin: "command",
            form: None,
        };
        let now = self.home.clock.now();
        assert!(self.store().answer_alert(&new, now).unwrap());
    }

    /// Time passes, and the daemon has looked at the outbox after that.
    async fn pass(&self, seconds: i64) {
        self.home.clock.pass(seconds);
        self.home.until_the_daemon_looked().await;
        // One more look: the outbox is rung after the word is left.
        self.home.clock.pass(31);
        self.home.until_the_daemon_looked().await;
    }

    /// What arrived: state and first word of each message.
    fn told(&self) -> Vec<(String, String)> {
        self.endpoint.taken().iter().map(|post| short(&post.json())).collect()
    }

    async fn until_told(&self, expected: &[(&str, &str)]) {
        until_true(&format!("told {expected:?}"), || {
            let told = self.told();
            assert!(told.len() <= expected.len(), "{told:?}");
            told.len() == expected.len()
        })
        .await;
        let told = self.told();
        let told: Vec<(&str, &str)> =
            told.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
        assert_eq!(told, expected);
    }
}

fn short(json: &Value) -> (String, String) {
    let text = json["text"].as_str().unwrap();
    let word = text.split([':', ' ', '.']).next().unwrap();
    (json["state"].as_str().unwrap().to_owned(), word.to_owned())
}

/// Source of the clock days: as beside the test of quiet hours in `alert`.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn quiet_hours_keep_back_what_can_wait_on_both_clock_days() {
    // Hours from the clock's noon to 22:00 in Dublin on the eve, and hours of
    // the night from there to 06:45 on the wall.
    for (eve_hours, night_minutes) in
        [(46 * 24 + 10, 7 * 60 + 45), (256 * 24 + 9, 9 * 60 + 45)]
    {
        let mut house = Telling::new().await;
        house.home.telling.settings.quiet_from = clock("22:30");
        house.home.telling.settings.quiet_until = clock("07:00");
        house.home.telling.settings.repeat_urgent = 24 * HOUR * 1_000;
        house.home.clock.pass(eve_hours * HOUR);
        house.start().await;
        house.tell("evening", Severity::Normal, Change::Raised);
        house.pass(60).await;
        house.until_told(&[("raised", "evening")]).await;

        house.home.clock.pass(HOUR);
        house.tell("damp", Severity::Normal, Change::Raised);
        house.tell("dark", Severity::Normal, Change::Raised);
        house.pass(HOUR).await;
        house.tell("dark", Severity::Normal, Change::Cleared);
        house.tell("frost", Severity::Urgent, Change::Raised);
        house.pass(60).await;
        house.until_told(&[("raised", "evening"), ("raised", "frost")]).await;
        let held = "SELECT count(*) FROM outbox WHERE held_ms IS NOT NULL";
        until_true("three are kept back", || house.home.number(held) == 3)
            .await;
        // A restart in the night wakes nobody, and 06:45 is still night.
        house.restart().await;
        let gone =
            house.home.clock.now().millis() - crate::support::writer::NOON;
        let to_a_quarter_to_seven =
            eve_hours * HOUR + night_minutes * 60 - gone / 1_000;
        house.pass(to_a_quarter_to_seven - 40).await;
        assert_eq!(house.told().len(), 2);

        house.pass(20 * 60).await;
        house
            .until_told(&[
                ("raised", "evening"),
                ("raised", "frost"),
                ("summary", "In"),
            ])
            .await;
        let summary = house.endpoint.taken().pop().unwrap().json();
        let text = summary["text"].as_str().unwrap();
        assert!(text.contains("2 things that could wait"), "{text}");
        assert!(text.contains("damp: too warm"), "{text}");
        assert!(text.contains("dark: back in range"), "{text}");
        assert!(!text.contains("dark: too warm"), "{text}");
        assert_eq!(house.store().undelivered().unwrap(), (0, 0));
        house.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_urgent_is_repeated_until_seen_and_told_again_when_worse() {
    let mut house = Telling::new().await;
    house.start().await;
    let id = house.tell("frost", Severity::Urgent, Change::Raised);
    house.tell("damp", Severity::Normal, Change::Raised);
    house.pass(60).await;
    let first = [("raised", "frost"), ("raised", "damp")];
    house.until_told(&first).await;
    house.pass(4 * HOUR).await;
    let mut expected = [first.as_slice(), &[("lasts", "frost")]].concat();
    house.until_told(&expected).await;

    // Seen: silence, over a restart as well.
    house.answer(&id, Answer::Seen);
    house.pass(9 * HOUR).await;
    house.restart().await;
    house.pass(9 * HOUR).await;
    assert_eq!(house.told().len(), expected.len());

    // It was at 9 °C with a limit of 7 °C: 10.5 °C is worse.
    let worse =
        WatchStep { worst: vec![(id.clone(), 10.5)], ..WatchStep::default() };
    let now = house.home.clock.now();
    house.store().keep_watch_step(&worse, now).unwrap();
    house.pass(60).await;
    expected.push(("lasts", "frost"));
    house.until_told(&expected).await;
    let told = house.endpoint.taken().pop().unwrap().json();
    assert_eq!(told["value"], 10.5);
    assert!(told["text"].as_str().unwrap().contains("has become worse"));

    // Snoozed for six hours, over a restart; then told, and its end as well.
    let until = house.home.clock.now().plus_millis(6 * HOUR * 1_000);
    house.answer(&id, Answer::Snoozed { until });
    house.pass(5 * HOUR).await;
    house.restart().await;
    assert_eq!(house.told().len(), expected.len());
    house.pass(HOUR).await;
    expected.push(("lasts", "frost"));
    house.until_told(&expected).await;
    house.answer(&id, Answer::Seen);
    house.tell("frost", Severity::Urgent, Change::Cleared);
    house.pass(60).await;
    expected.push(("cleared", "frost"));
    house.until_told(&expected).await;

    // Every one of them has its own number, and all one alert.
    let taken = house.endpoint.taken();
    let of_frost: Vec<Value> = taken
        .iter()
        .map(crate::support::receivers::Taken::json)
        .filter(|json| json["id"] == id.as_str())
        .collect();
    let mut messages: Vec<&str> =
        of_frost.iter().map(|j| j["message"].as_str().unwrap()).collect();
    messages.sort_unstable();
    messages.dedup();
    assert_eq!(messages.len(), 5);
    house.stop().await;
}

/// The whole way: a board's readings, an answer, and readings further out.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_seen_is_told_again_when_readings_are_further_out() {
    let mut house = Telling::new().await;
    house.home.place(PLACE);
    house.home.record(vec![Statement::Watch(Watch {
        mean_minutes: 0,
        for_minutes: 0,
        high: Some(7.0),
        ..plain(&name(PLACE), Quantity::Temperature, Rule::Range)
    })]);
    house.start().await;
    let inlet = house.daemon.as_ref().unwrap().inlet();
    let mut peer = Peer::welcome(inlet, "a").await;
    let mut told = Vec::new();
    for (seq, (value, then)) in (0_u64..).zip([
        (9.0, Some(("raised", "stair-landing"))),
        (9.2, None),
        (13.0, Some(("lasts", "stair-landing"))),
        (13.1, None),
        (4.0, Some(("cleared", "stair-landing"))),
    ]) {
        let up = i64::try_from(seq).unwrap() * 600 + 10;
        let payload = sample("k3v9q0tz1x", seq, up, value);
        peer.send(&publish(7, &topic(PLACE), &payload)).await;
        peer.expect(&puback(7)).await;
        house.pass(600).await;
        told.extend(then);
        house.until_told(&told).await;
        if seq == 0 {
            let now = house.home.clock.now();
            let id = house.store().alerts(now).unwrap().remove(0).id;
            house.answer(&id, Answer::Seen);
        }
    }
    let worse = house.endpoint.taken()[1].json();
    assert_eq!(worse["value"], 13.0);
    let text = worse["text"].as_str().unwrap();
    assert!(text.contains("become worse since somebody answered"), "{text}");
    assert!(text.contains("13.0 °C"), "{text}");
    house.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daily_message_tells_each_place_once_a_day() {
    let mut house = Telling::new().await;
    house.home.telling.settings.daily_at = clock("13:00");
    house.home.place(PLACE);
    house.start().await;
    let inlet = house.daemon.as_ref().unwrap().inlet();
    let mut peer = Peer::welcome(inlet, "a").await;
    // Noon to ten past one, each ten minutes.
    let values = [18.0, 19.5, 21.25, 20.0, 20.0, 20.0, 20.0];
    for (seq, value) in (0_u64..).zip(values) {
        let up = i64::try_from(seq).unwrap() * 600 + 10;
        let payload = sample("k3v9q0tz1x", seq, up, value);
        peer.send(&publish(7, &topic(PLACE), &payload)).await;
        peer.expect(&puback(7)).await;
        house.home.clock.pass(600);
    }
    house.pass(60).await;
    house.until_told(&[("daily", "No")]).await;
    let text = house.endpoint.taken()[0].json()["text"].to_string();
    assert!(text.contains("not every place is known"), "{text}");
    assert!(text.contains("stair-landing: not watched."), "{text}");
    assert!(text.contains("temperature 18.0 to 21.2"), "{text}");
    assert!(text.contains("4 % of the time known"), "{text}");

    // The board falls silent meanwhile, which is another message.
    let daily = |house: &Telling| {
        let told = house.told();
        told.iter().filter(|(state, _)| state == "daily").count()
    };
    house.restart().await;
    house.pass(2 * HOUR).await;
    assert_eq!(daily(&house), 1);
    house.pass(22 * HOUR).await;
    until_true("the next day's", || daily(&house) == 2).await;
    house.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_heart_beats_only_while_something_is_written() {
    let mut house = Telling::new().await;
    let settings: heartbeat::Settings = toml::from_str(&format!(
        "url = \"http://{}/alive\"\nmethod = \"post\"\nevery = \"5min\"\n",
        house.endpoint.address
    ))
    .unwrap();
    let heartbeat = settings.understood(&[], std::path::Path::to_owned);
    house.home.telling.heartbeat = Some(heartbeat.unwrap());
    house.start().await;
    let beats = |house: &Telling| {
        let taken = house.endpoint.taken();
        taken.iter().filter(|t| t.head.starts_with("POST /alive")).count()
    };
    house.pass(60).await;
    until_true("a first beat", || beats(&house) == 1).await;
    let beat = house.endpoint.taken()[0].json();
    assert_eq!(beat["format"], "vernalog-heartbeat/1");
    assert_eq!((&beat["alerts"], &beat["undelivered"]), (&0.into(), &0.into()));
    house.pass(120).await;
    assert_eq!(beats(&house), 1, "not before its time");
    house.pass(300).await;
    until_true("a second beat", || beats(&house) == 2).await;

    // The data file takes the daemon's word no more; it is counted how often
    // that was tried (FAIL keeps what the trigger wrote before it).
    let file = rusqlite::Connection::open(house.home.data()).unwrap();
    file.execute_batch(
        "CREATE TABLE tried (n INTEGER); \
         CREATE TRIGGER refuse BEFORE INSERT ON daemon_says BEGIN \
         INSERT INTO tried VALUES (1); \
         SELECT RAISE(FAIL, 'refused by a test'); END;",
    )
    .unwrap();
    for time in 1..=3 {
        house.home.clock.pass(600);
        until_true("the daemon tries to write", || {
            house.home.number("SELECT count(*) FROM tried") >= time
        })
        .await;
    }
    assert_eq!(beats(&house), 2, "nothing was written");
    file.execute_batch("DROP TRIGGER refuse").unwrap();
    house.pass(60).await;
    until_true("a third beat", || beats(&house) == 3).await;
    house.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stand_in_gets_what_the_first_does_not_take_and_the_rest_is_told() {
    let mut house = Telling::new().await;
    house.endpoint.does(Does::Answer(500));
    house.start().await;
    let frost = house.tell("frost", Severity::Normal, Change::Raised);
    let attempts = |house: &Telling| {
        house.store().messages_of(&frost).unwrap()[0].attempts
    };
    until_true("the stand-in", || {
        house.home.clock.pass(60);
        house.stand_in.taken().len() == 1
    })
    .await;
    assert!(attempts(&house) >= 3, "{}", attempts(&house));
    assert_eq!(house.stand_in.taken()[0].json()["id"], frost.as_str());

    // After three days it is given up, and shown so; the summary waits.
    house.pass(3 * 24 * HOUR + HOUR).await;
    let first =
        |house: &Telling| house.store().messages_of(&frost).unwrap().remove(0);
    until_true("it is given up", || first(&house).given_up.is_some()).await;
    assert!(house.store().undelivered().unwrap().1 >= 1);
    house.endpoint.does(Does::Take);
    until_true("what was dropped is told", || {
        house.home.clock.pass(HOUR);
        first(&house).told_in.is_some()
    })
    .await;
    // That messages are undelivered is an alert of its own beside it.
    let taken = house.endpoint.taken();
    let dropped: Vec<Value> = taken
        .iter()
        .map(crate::support::receivers::Taken::json)
        .filter(|json| json["state"] == "dropped")
        .collect();
    let [dropped] = dropped.as_slice() else { panic!("{taken:?}") };
    let text = dropped["text"].as_str().unwrap();
    assert!(text.contains("could not be delivered"), "{text}");
    assert!(text.contains("- frost: too warm"), "{text}");
    house.stop().await;
}
