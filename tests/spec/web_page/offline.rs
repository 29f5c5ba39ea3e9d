//! Without a network: what a page that is open keeps, and how it gets into
//! the ledger later, exactly once.

use fantoccini::Client;
use serde_json::Value;

use crate::support::browser::{Driver, fill, find, shows, tap, text};
use crate::support::house::{House, until_true};
use crate::support::writer::PATIENCE;
use crate::web_page::{at, house_with_boxes, n_entries, unit, with_password};

const SAVE: &str = "button[value=count]:not(.unseen)";

/// What waits on the phone.
async fn kept(browser: &Client) -> Value {
    let script = "return JSON.stringify(localStorage)";
    let kept = browser.execute(script, Vec::new()).await.unwrap();
    serde_json::from_str(kept.as_str().unwrap()).unwrap()
}

fn n_kept(kept: &Value) -> usize {
    kept.as_object().unwrap().len()
}

async fn until_sent(browser: &Client) {
    let begin = std::time::Instant::now();
    loop {
        let left = kept(browser).await;
        if n_kept(&left) == 0 {
            return;
        }
        assert!(begin.elapsed() < PATIENCE, "never sent: {left}");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
}

/// New germinants of each look of a box.
fn looks(house: &House, called: &str) -> Vec<u32> {
    unit(house, called).looks.iter().map(|look| look.germinated).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counts_typed_without_a_network_are_kept_and_sent_exactly_once() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    let here = format!("http://{}", daemon.web());
    let r13 = format!("{here}{}", at(&house, "r13"));
    browser.goto(&r13).await.unwrap();
    find(&browser, "#count-new").await;

    driver.network(&browser, false).await;
    let typed_at = house.clock.now();
    fill(&browser, "#count-by", "Róisín").await;
    fill(&browser, "#count-new", "2").await;
    tap(&browser, SAVE).await;
    shows(&browser, "#kept", "No connection. 1 count waits on this phone")
        .await;
    shows(&browser, "#kept", "r13: newly germinated 2").await;
    shows(&browser, "#kept", "tally sheet").await;
    // A count that the ledger will refuse; the page cannot know.
    fill(&browser, "#count-new", "19").await;
    tap(&browser, SAVE).await;
    shows(&browser, "#kept", "2 counts wait on this phone").await;
    assert_eq!(looks(&house, "r13"), [0; 0]);
    let before = kept(&browser).await;
    assert_eq!(n_kept(&before), 2, "{before}");

    // A link says that it leads nowhere, and the page stays.
    tap(&browser, "header a[href='/alerts']").await;
    assert_eq!(text(&browser, "h1").await, "r13");

    // An hour later the network is back.
    house.clock.pass(3_600);
    let later = "const was = Date.now; Date.now = () => was() + 3600000;";
    browser.execute(later, Vec::new()).await.unwrap();
    driver.network(&browser, true).await;
    shows(&browser, "#kept", "1 kept count was sent.").await;
    shows(&browser, "#kept", "only 18 seeds are left").await;
    assert_eq!(looks(&house, "r13"), [2]);
    let look = unit(&house, "r13").looks[0].clone();
    let off = look.when.at.millis_since(typed_at).abs();
    assert!(off < 60_000, "{off} ms from when it was typed");
    assert_eq!(look.by, "Róisín");

    // The refused one stands in its form again, and is corrected there.
    tap(&browser, "#kept a.button").await;
    shows(&browser, ".kept-words", "only 18 seeds are left").await;
    let new = find(&browser, "#count-new").await;
    assert_eq!(new.prop("value").await.unwrap().as_deref(), Some("19"));
    fill(&browser, "#count-new", "1").await;
    tap(&browser, SAVE).await;
    shows(&browser, ".message", "1 newly germinated. Recorded.").await;
    let mut all = looks(&house, "r13");
    // By the instant at which each was typed, as far as a still clock tells.
    all.sort_unstable();
    assert_eq!(all, [1, 2]);
    assert_eq!(n_kept(&kept(&browser).await), 0);

    // An answer that was lost on its way: the same forms are sent again.
    let n_before = n_entries(&house);
    for (name, value) in before.as_object().unwrap() {
        let script = "localStorage.setItem(arguments[0], arguments[1])";
        let pair = vec![name.clone().into(), value.clone()];
        browser.execute(script, pair).await.unwrap();
    }
    browser.refresh().await.unwrap();
    until_sent(&browser).await;
    assert_eq!(n_entries(&house), n_before);

    browser.close().await.unwrap();
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_kept_survives_a_new_start_and_a_log_in() {
    let mut house = house_with_boxes();
    with_password(&house, "moist-chill");
    let daemon = house.start().await;
    let address = daemon.web();
    house.web.as_mut().unwrap().settings.listen = address;
    let driver = Driver::start();
    let browser = driver.browser().await;
    browser.goto(&format!("http://{address}/tally")).await.unwrap();
    fill(&browser, "#password", "moist-chill").await;
    tap(&browser, "button.main").await;
    find(&browser, ".tally input").await;

    daemon.stop().await;
    fill(&browser, "[aria-label='r01, newly germinated']", "3").await;
    fill(&browser, "[aria-label='r14, newly germinated']", "0").await;
    tap(&browser, "form[action='/tally'] button.main").await;
    shows(&browser, "#kept", "r01, newly germinated 3").await;

    // The daemon knows nobody any more; the page asks for a log-in.
    let daemon = house.start().await;
    shows(&browser, "#kept", "Log in to send").await;
    assert_eq!(looks(&house, "r01"), [0; 0]);
    tap(&browser, "#kept a").await;
    shows(&browser, "#kept", "1 count waits on this phone").await;
    fill(&browser, "#password", "moist-chill").await;
    tap(&browser, "button.main").await;
    until_true("the kept rows are written", || {
        looks(&house, "r01") == [3] && looks(&house, "r14") == [0]
    })
    .await;
    until_sent(&browser).await;

    browser.close().await.unwrap();
    daemon.stop().await;
}
