//! What a broker keeps about each watch: how it stands now, over alerts,
//! restarts and withdrawals, for whoever comes later.

use serde_json::{Value, json};
use vernalog::alert::preset::plain;
use vernalog::observation::Quantity;
use vernalog::trial::entry::{QuantityWord, Rule, Statement, Watch};

use crate::delivering::encrypted::encrypted_broker;
use crate::delivering::ways::channel;
use crate::support::broker::kept;
use crate::support::house::{House, name, sample, topic, until};
use crate::support::peer::{Peer, puback, publish};
use crate::support::receivers::PASSWORD;
use crate::support::writer::NOON;

const PLACE: &str = "fridge-drawer";
const UNDER: &str = "vernalog/host/watches/#";

/// Waits until the broker keeps these states of watches, without the rest of
/// each, and gives all.
async fn until_kept(
    ask: &dyn Fn() -> Vec<String>,
    expected: &[(&str, &str)],
) -> Vec<Value> {
    until(&format!("kept {expected:?}"), || {
        let all: Vec<Value> = ask()
            .iter()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        let mut brief: Vec<(&str, &str)> = all
            .iter()
            .map(|one| {
                (one["watch"].as_str().unwrap(), one["state"].as_str().unwrap())
            })
            .collect();
        brief.sort_unstable();
        (brief == expected).then(|| all.clone())
    })
    .await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_keeps_how_each_watch_stands_for_whoever_comes_later() {
    const WARM: &str = "fridge-drawer-temperature";
    const DAMP: &str = "fridge-drawer-humidity";
    let folder = tempfile::tempdir().unwrap();
    let (broker, authority, settings) = encrypted_broker(folder.path());
    let ca = authority.file.to_str().unwrap().to_owned();
    let ask = || {
        kept(
            broker.port,
            &["--cafile", &ca, "-u", "vernalog", "-P", PASSWORD],
            UNDER,
        )
    };
    let mut home = House::new();
    home.channels = vec![channel(&settings)];
    home.place(PLACE);
    let watch = |quantity, high| {
        Statement::Watch(Watch {
            mean_minutes: 0,
            for_minutes: 0,
            high: Some(high),
            ..plain(&name(PLACE), quantity, Rule::Range)
        })
    };
    home.record(vec![
        watch(Quantity::Temperature, 7.0),
        watch(Quantity::Humidity, 95.0),
    ]);
    let daemon = home.start().await;
    // Nothing was heard yet: both are there, and say so.
    let both = |state| [(DAMP, "unknown"), (WARM, state)];
    until_kept(&ask, &both("unknown")).await;

    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    let mut seq = 0;
    let mut hears = async |peer: &mut Peer, value: f64| {
        // The board ran while the daemon did not.
        let up = (home.clock.now().millis() - NOON) / 1_000 + 10;
        let payload = sample("k3v9q0tz1x", seq, up, value);
        peer.send(&publish(7, &topic(PLACE), &payload)).await;
        peer.expect(&puback(7)).await;
        home.clock.pass(60);
        seq += 1;
    };
    hears(&mut peer, 4.0).await;
    let all = until_kept(&ask, &both("in")).await;
    let warm = all.iter().find(|one| one["watch"] == WARM).unwrap();
    assert_eq!(warm["format"], "vernalog-watch-state/1");
    assert_eq!(warm["words"], "temperature at most 7 °C");
    assert_eq!(warm["alert"], Value::Null);

    hears(&mut peer, 9.5).await;
    let all = until_kept(&ask, &both("out")).await;
    let warm = all.iter().find(|one| one["watch"] == WARM).unwrap();
    assert_eq!(warm["alert"]["value"], 9.5);
    assert_eq!(warm["alert"]["limit"], json!(7.0));
    let id = warm["alert"]["id"].clone();

    // A restart of both changes nothing; then it is over.
    daemon.stop().await;
    let daemon = home.start().await;
    let all = until_kept(&ask, &both("out")).await;
    let warm = all.iter().find(|one| one["watch"] == WARM).unwrap();
    assert_eq!(warm["alert"]["id"], id);
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    hears(&mut peer, 4.0).await;
    let all = until_kept(&ask, &both("in")).await;
    assert!(all.iter().all(|one| one["alert"].is_null()), "{all:?}");

    // The board falls silent while the daemon is down: what nobody knows is
    // not kept as known; and its silence has a state only while it lasts.
    daemon.stop().await;
    home.clock.pass(3 * 3_600);
    let daemon = home.start().await;
    until_kept(&ask, &both("unknown")).await;
    let silent =
        [(DAMP, "unknown"), ("fridge-drawer-silent", "out"), (WARM, "unknown")];
    let patience = || {
        home.clock.pass(60);
        ask()
    };
    until_kept(&patience, &silent).await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    for _ in 0..3 {
        hears(&mut peer, 4.1).await;
    }
    until_kept(&ask, &both("in")).await;

    // What is no longer watched is no longer kept, also when that was said
    // while the daemon was down.
    daemon.stop().await;
    home.record(vec![Statement::Unwatch {
        place: name(PLACE),
        quantity: QuantityWord(Quantity::Humidity),
        rule: Rule::Range,
    }]);
    let daemon = home.start().await;
    until_kept(&ask, &[(WARM, "in")]).await;
    daemon.stop().await;
}
