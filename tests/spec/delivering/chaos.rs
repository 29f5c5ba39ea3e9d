//! Random failures at the receivers and random kills of the daemon: no
//! message is missing, and what comes twice can be recognised.

use std::collections::BTreeMap;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::observation::Quantity;
use vernalog::trial::entry::{QuantityWord, Rule, Statement, Watch};
use vernalog::units::Instant as Moment;

use crate::delivering::ways::mail_settings;
use crate::support::broker::free_port;
use crate::support::house::{House, name, say, topic};
use crate::support::long;
use crate::support::peer::{Peer, puback, publish};
use crate::support::receivers::{Endpoint, MailServer, PASSWORD};

const SEED: u64 = 20_261_126;
const FRIDGE: &str = "fridge-drawer";

/// A daemon in a process of its own, with the real clock; killed when
/// dropped.
struct Process(Child);

impl Process {
    fn start(home: &House) -> Self {
        let child = Command::new(env!("CARGO_BIN_EXE_vernalog"))
            .args(["run", "--settings"])
            .arg(home.file("vernalog.toml"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// How often each message was taken, and how often without an answer.
#[derive(Default)]
struct Arrived(BTreeMap<String, (u32, u32)>);

impl Arrived {
    fn note(&mut self, message: &str, answered: bool) {
        let (times, unanswered) = self.0.entry(message.to_owned()).or_default();
        *times += 1;
        *unanswered += u32::from(!answered);
    }

    /// Repeats beyond those whose answer was lost on the way.
    fn unexplained(&self) -> u32 {
        self.0
            .values()
            .map(|(times, unanswered)| (times - 1).saturating_sub(*unanswered))
            .sum()
    }

    fn repeats(&self) -> u32 {
        self.0.values().map(|(times, _)| times - 1).sum()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_alert_is_missing_after_random_failures_and_kills() {
    let (n_alerts, n_kills) = if long() { (1_000, 60) } else { (30, 5) };
    say(&format!("seed {SEED}"));
    let server = MailServer::start();
    let endpoint = Endpoint::start().await;
    server.mode(&format!("chance {SEED}"));
    endpoint.chance(SEED);
    let home = House::new();
    home.place(FRIDGE);
    home.record(vec![Statement::Watch(Watch {
        place: name(FRIDGE),
        quantity: QuantityWord(Quantity::Temperature),
        rule: Rule::Range,
        low: None,
        high: Some(7.0),
        mean_minutes: 0,
        for_minutes: 0,
        margin: 0.5,
        urgent: true,
        wet_is_normal: false,
    })]);
    let port = free_port();
    std::fs::write(
        home.file("vernalog.toml"),
        format!(
            "time_zone = \"Europe/Dublin\"\ndata = {:?}\n\
             commit_every = \"1ms\"\n[inlet]\nlisten = \"127.0.0.1:{port}\"\n\
             [telling]\ntry_again = \"30ms\"\nmost_an_hour = 100000\n[[channel]]\n{}\
             [[channel]]\nkind = \"webhook\"\nurl = \"http://{}/\"\n\
             time_out_secs = 1\n",
            home.data(),
            mail_settings(&server, PASSWORD),
            endpoint.address
        ),
    )
    .unwrap();

    // Each alert is a warm reading, its end a cold one; both acknowledged.
    let mut chance = ChaCha8Rng::seed_from_u64(SEED);
    let mut daemon = Process::start(&home);
    let mut peer = connected(port).await;
    let mut kills = 0;
    // They are not numbered: each counts from its receipt.
    for number in 0..2 * n_alerts {
        let value = if number % 2 == 0 { 10.0 } else { 4.0 };
        // Readings must not share an instant.
        tokio::time::sleep(Duration::from_millis(8)).await;
        let payload = format!(r#"{{"temperature_celsius":{value:.1}}}"#);
        let packet = publish(7, &topic(FRIDGE), &payload);
        while !peer.try_exchange(&packet, &puback(7)).await {
            peer = connected(port).await;
        }
        let due = (kills + 1) * 2 * n_alerts / (n_kills + 1);
        if number >= due && kills < n_kills {
            let wait = chance.random_range(0..150);
            tokio::time::sleep(Duration::from_millis(wait)).await;
            drop(daemon);
            daemon = Process::start(&home);
            peer = connected(port).await;
            kills += 1;
        }
    }
    // A few kills while nothing but the outbox is at work.
    for _ in 0..3 {
        let wait = chance.random_range(100..500);
        tokio::time::sleep(Duration::from_millis(wait)).await;
        drop(daemon);
        daemon = Process::start(&home);
        kills += 1;
    }
    let patience = Instant::now();
    while home.store().undelivered().unwrap() != (0, 0) {
        assert!(
            patience.elapsed() < Duration::from_secs(900),
            "still undelivered: {:?}",
            home.store().undelivered_by_channel()
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    drop(daemon);

    let alerts = home.store().alerts(Moment::default()).unwrap();
    let alerts: Vec<_> = alerts
        .into_iter()
        .filter(|alert| alert.watch == "fridge-drawer-temperature")
        .collect();
    assert_eq!(u64::try_from(alerts.len()).unwrap(), n_alerts);
    assert!(alerts.iter().all(|alert| alert.cleared.is_some()));
    let (mut by_mail, mut by_web) = (Arrived::default(), Arrived::default());
    for mail in server.taken() {
        let id = mail["message_id"].as_str().unwrap();
        let id = id.trim_start_matches('<').split('@').next().unwrap();
        by_mail.note(id, mail["answered"] == true);
    }
    let mut attempts: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    for post in endpoint.taken() {
        let json = post.json();
        let message = json["message"].as_str().unwrap().to_owned();
        by_web.note(&message, post.answered);
        let attempt = json["attempt"].as_u64().unwrap();
        attempts.entry(message).or_default().push(attempt);
    }
    for alert in &alerts {
        for state in ["raised", "cleared"] {
            let message = format!("{}-{state}", alert.id);
            for (way, arrived) in [("mail", &by_mail), ("web", &by_web)] {
                assert!(
                    arrived.0.contains_key(&message),
                    "{way}: {message} is missing"
                );
            }
        }
    }
    // Whoever gets a message again sees a higher number.
    for (message, numbers) in &attempts {
        let rising = numbers.windows(2).all(|two| two[0] < two[1]);
        assert!(rising, "{message}: {numbers:?}");
    }
    say(&format!(
        "{n_alerts} alerts, {kills} kills: by mail {} messages, {} repeats, \
         {} of them at a kill; by webhook {}, {}, {}; missing 0",
        by_mail.0.len(),
        by_mail.repeats(),
        by_mail.unexplained(),
        by_web.0.len(),
        by_web.repeats(),
        by_web.unexplained(),
    ));
    // A kill can lose one answer of each channel, no more.
    let kills = u32::try_from(kills).unwrap();
    assert!(by_mail.unexplained() <= kills);
    assert!(by_web.unexplained() <= kills);
}

/// A board's connection, as soon as the daemon listens.
async fn connected(port: u16) -> Peer {
    let begin = Instant::now();
    loop {
        if let Some(peer) = Peer::try_welcome(port, "fridge").await {
            return peer;
        }
        assert!(begin.elapsed() < Duration::from_secs(60), "no daemon");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}
