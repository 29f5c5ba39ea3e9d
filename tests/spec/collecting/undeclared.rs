//! Boards that nobody has placed yet: some are kept, a flood is not. And the
//! ledger is written while readings come in.

use std::time::{Duration, Instant};

use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{Draft, Statement};
use vernalog::trial::when::When;

use crate::support::flood::Flood;
use crate::support::house::{
    House, board_stay, name, sample, say, topic, until_true,
};
use crate::support::peer::{self, Peer, puback};

async fn send(peer: &mut Peer, board: &str, payload: &str) {
    peer.send(&peer::publish(7, &topic(board), payload)).await;
    peer.expect(&puback(7)).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_33rd_board_without_a_place_is_refused_until_it_has_one() {
    const PAYLOAD: &str = r#"{"temperature_celsius":3.6}"#;
    let home = House::new();
    home.place("fridge-drawer");
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    send(&mut peer, "fridge-drawer", PAYLOAD).await;
    for board in 1..=33 {
        send(&mut peer, &format!("box-{board}"), PAYLOAD).await;
    }
    assert_eq!(home.rows().len(), 33, "one with a place and 32 without");
    let reasons = home.reasons();
    let [reason] = reasons.as_slice() else { panic!("{reasons:?}") };
    assert!(reason.contains("box-33"), "{reason}");
    assert!(
        reason.contains("vernalog record move box-33 PLACE --board"),
        "{reason}"
    );

    // The ledger is written by another program; the daemon sees it.
    home.record(vec![board_stay("box-33", "air", Some("fridge-drawer"))]);
    let mut tries = 0;
    while home.rows().len() == 33 {
        tries += 1;
        assert!(tries < 1_000, "never taken");
        home.clock.pass(1);
        send(&mut peer, "box-33", PAYLOAD).await;
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    // What was known before goes on, and a name more is still too many.
    home.clock.pass(1);
    send(&mut peer, "box-1", PAYLOAD).await;
    assert_eq!(home.rows().len(), 35);
    send(&mut peer, "box-34", PAYLOAD).await;
    assert!(home.reasons().last().unwrap().contains("box-34"));
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn reading_1001_of_a_board_without_a_place_is_refused() {
    let home = House::new();
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    // Without a date they count as well.
    let samples: Vec<String> = (1..=1_000)
        .map(|n| format!(r#"{{"boot":"k3v9q0tz1x","seq":{n},"up_ms":{n},"light_lux":{n}}}"#))
        .collect();
    for half in samples.chunks(500) {
        send(&mut peer, "box-1", &format!("[{}]", half.join(","))).await;
    }
    assert_eq!(home.undated(), 1_000);
    send(&mut peer, "box-1", &sample("k3v9q0tz1x", 1_001, 2, 3.5)).await;
    assert_eq!(home.undated(), 1_000);
    let reasons = home.reasons();
    let [reason] = reasons.as_slice() else { panic!("{reasons:?}") };
    assert!(reason.contains("1000 of its readings are kept"), "{reason}");
    assert!(
        reason.contains("vernalog record move box-1 PLACE --board"),
        "{reason}"
    );
    daemon.stop().await;
    // A daemon that starts anew counts the same.
    let daemon = home.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    send(&mut peer, "box-1", &sample("k3v9q0tz1x", 1_002, 2, 3.5)).await;
    assert_eq!(home.reasons().len(), 2);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_ledger_is_written_while_readings_come_in() {
    let home = House::new();
    home.place("fridge-drawer");
    home.place("stair-landing");
    let daemon = home.start().await;
    let port = daemon.inlet().port();
    let boards = ["fridge-drawer", "stair-landing"];
    let floods =
        boards.map(|board| Flood::begin(board, port, 1_000, Duration::ZERO));
    let stored = || floods.iter().map(Flood::acknowledged).sum::<u64>();
    let mut store = Store::open(&home.data(), Access::ReadWrite).unwrap();
    let mut longest = Duration::ZERO;
    for n in 0_u64..40 {
        until_true("the flood flows", || stored() > 1_000 * n).await;
        let now = home.clock.now();
        let about = Some(name("fridge-drawer"));
        let text = format!("note {n}");
        let note = Statement::Note { about, text };
        let begin = Instant::now();
        store
            .record(&Records {
                drafts: &[Draft::new(None, When::exactly(now), note)],
                on_conflict: OnConflict::Refuse,
                keep: Keep::AllOrNothing,
                by: "rowan",
                origin: "command",
                now,
                dry_run: false,
            })
            .expect("the writer lets others in");
        longest = longest.max(begin.elapsed());
    }
    let told = floods.map(Flood::end);
    say(&format!("the longest of 40 ledger writes took {longest:?}; {told:?}"));
    assert!(longest < Duration::from_secs(4), "{longest:?}");
    assert_eq!(told.map(|t| t.connections), [1, 1]);
    let on_disk = home.number("SELECT count(*) FROM reading")
        + home.number("SELECT count(*) FROM undated");
    let acknowledged: u64 = told.iter().map(|t| t.acknowledged).sum();
    assert_eq!(on_disk, i64::try_from(acknowledged).unwrap());
    daemon.stop().await;
}
