//! An alert as a grower meets it on the phone: on top of the first page,
//! opened, answered, and said to be answered; with and without script.

use fantoccini::Client;
use vernalog::alert::preset::plain;
use vernalog::alert::telling::Answer;
use vernalog::observation::Quantity;
use vernalog::trial::entry::{Rule, Statement, Watch};

use crate::delivering::ways::channel;
use crate::support::broker::free_port;
use crate::support::browser::{Driver, fill, find, shows, tap, text};
use crate::support::house::{House, name, sample, topic, until};
use crate::support::peer::{Peer, puback, publish};
use crate::web_page::with_pages;

const PLACE: &str = "fridge-drawer";

/// A fridge that is to stay below 7 °C, and a way out that leads nowhere.
fn house_with_a_fridge() -> House {
    let mut house = with_pages();
    house.channels = vec![channel(&format!(
        "kind = \"webhook\"\nurl = \"http://127.0.0.1:{}/\"\n",
        free_port()
    ))];
    house.place(PLACE);
    house.record(vec![Statement::Watch(Watch {
        mean_minutes: 0,
        for_minutes: 0,
        high: Some(7.0),
        urgent: true,
        ..plain(&name(PLACE), Quantity::Temperature, Rule::Range)
    })]);
    house
}

/// A reading a minute.
async fn hears(house: &House, peer: &mut Peer, minute: u64, value: f64) {
    let up = i64::try_from(minute).unwrap() * 60 + 10;
    let payload = sample("k3v9q0tz1x", minute, up, value);
    peer.send(&publish(7, &topic(PLACE), &payload)).await;
    peer.expect(&puback(7)).await;
    house.clock.pass(60);
}

/// What was answered, and why.
fn answers(house: &House, alert: &str) -> Vec<(&'static str, String)> {
    let answers = house.store().answers_to(alert).unwrap();
    answers
        .into_iter()
        .map(|row| {
            assert_eq!(row.origin, "page");
            let word = match row.answered.answer {
                Answer::Seen => "seen",
                Answer::Snoozed { .. } => "snoozed",
            };
            (word, row.reason)
        })
        .collect()
}

async fn is_seen_and_snoozed(browser: &Client) {
    let house = house_with_a_fridge();
    let daemon = house.start().await;
    let here = format!("http://{}", daemon.web());
    let mut peer = Peer::welcome(daemon.inlet(), "a").await;
    hears(&house, &mut peer, 0, 4.0).await;
    hears(&house, &mut peer, 1, 9.5).await;
    let id = until("the alert", || {
        Some(house.store().alerts(house.clock.now()).unwrap().pop()?.id)
    })
    .await;

    // On top of the first page, with what it says first.
    browser.goto(&here).await.unwrap();
    let top = text(browser, "main section:first-of-type").await;
    assert!(top.contains("fridge-drawer: too warm. 9.5 °C"), "{top}");
    assert!(top.contains("Urgent. Since today"), "{top}");
    tap(browser, ".alerts .soft a[href^='/alert/']").await;
    shows(browser, "h1", "too warm").await;
    let all = text(browser, "main").await;
    for words in ["Last readings: 4.0 °C at", "Often: ", "Safe to do: "] {
        assert!(all.contains(words), "{words}: {all}");
    }

    fill(browser, "#because", "on my way").await;
    tap(browser, "button[value=seen]").await;
    shows(browser, ".message", "Seen (today").await;
    shows(browser, ".message", "because: on my way").await;
    fill(browser, "#because", "away until noon").await;
    tap(browser, "button[value=snooze-6]").await;
    shows(browser, ".message", "Not told again until today").await;
    shows(browser, ".message", "because: away until noon").await;

    // The list says so as well; so much that it did not leave the house.
    tap(browser, "header a[href='/alerts']").await;
    shows(browser, ".alerts", "because: away until noon").await;
    shows(browser, ".message", "Not delivered by “webhook”: 1 message").await;
    tap(browser, ".alerts button[value=seen]").await;
    shows(browser, ".message", "Seen (today").await;
    assert_eq!(
        answers(&house, &id),
        [
            ("seen", "on my way".to_owned()),
            ("snoozed", "away until noon".to_owned()),
            ("seen", String::new())
        ]
    );

    // Over: nothing is left to answer.
    hears(&house, &mut peer, 2, 4.0).await;
    until("its end", || house.store().alert(&id).unwrap()?.cleared).await;
    browser.refresh().await.unwrap();
    shows(browser, ".state", "over since today").await;
    assert!(!text(browser, "main").await.contains("Not for 6 h"));
    find(browser, "h2").await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alert_is_seen_and_snoozed_with_a_reason_on_a_phone() {
    let driver = Driver::start();
    let browser = driver.browser().await;
    is_seen_and_snoozed(&browser).await;
    browser.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alert_is_seen_and_snoozed_without_script() {
    let driver = Driver::start();
    let browser = driver.browser_without_script().await;
    is_seen_and_snoozed(&browser).await;
    browser.close().await.unwrap();
}
