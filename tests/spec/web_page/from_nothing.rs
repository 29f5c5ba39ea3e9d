//! A small trial made from nothing in a real browser, to its first count,
//! with every script of ours kept away from it.

use fantoccini::{Client, Locator};

use crate::support::browser::{Driver, find, tap, text};
use crate::web_page::setting_up::empty_house;
use crate::web_page::unit;

async fn fill(browser: &Client, id: &str, typed: &str) {
    let field = find(browser, &format!("#{id}")).await;
    field.send_keys(typed).await.unwrap();
}

async fn choose(browser: &Client, id: &str, value: &str) {
    let list = find(browser, &format!("#{id}")).await;
    list.select_by_value(value).await.unwrap();
}

/// Presses the form's own button and waits for the answer.
async fn send(browser: &Client) {
    tap(browser, "form.card button.main, form button.main").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_newcomer_gets_from_nothing_to_the_first_count_without_a_script() {
    let house = empty_house();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    driver.without_scripts(&browser).await;
    let here = format!("http://{}", daemon.web());

    browser.goto(&format!("{here}/setup")).await.unwrap();
    let loaded = "return performance.getEntriesByType('resource').filter(\
                  one => one.name.includes('.js') && one.decodedBodySize > 0\
                  ).length";
    let loaded = browser.execute(loaded, Vec::new()).await.unwrap();
    assert_eq!(loaded, serde_json::json!(0), "a script came through");
    tap(&browser, "a.button.main").await;
    fill(&browser, "set-question", "Six or twelve weeks?").await;
    fill(&browser, "set-name", "rowan").await;
    fill(&browser, "set-planned", "chill_weeks").await;
    send(&browser).await;
    find(&browser, "#set-kind").await;
    assert_eq!(text(&browser, "h1").await, "Places");
    fill(&browser, "set-title", "Stair landing").await;
    choose(&browser, "set-kind", "shelf").await;
    send(&browser).await;
    find(&browser, ".message").await;

    // A slip on the way: told beside the field, the rest still typed.
    tap(&browser, "a.button.main").await;
    find(&browser, "#set-supplier").await;
    fill(&browser, "set-supplier", "Hedge").await;
    send(&browser).await;
    let told = text(&browser, "#set-species-wrong").await;
    assert!(told.contains("say what it is"), "{told}");
    let kept = find(&browser, "#set-supplier").await;
    assert_eq!(kept.prop("value").await.unwrap().as_deref(), Some("Hedge"));
    fill(&browser, "set-species", "Sorbus aucuparia").await;
    send(&browser).await;
    find(&browser, ".message").await;

    tap(&browser, "a.button.main").await;
    choose(&browser, "set-lot", "hedge").await;
    fill(&browser, "set-seeds", "60").await;
    fill(&browser, "set-factor-chill_weeks", "12").await;
    send(&browser).await;
    find(&browser, ".message").await;
    house.clock.pass(60);

    browser.goto(&format!("{here}/setup/grid")).await.unwrap();
    tap(&browser, "#set-place-stair-landing").await;
    fill(&browser, "set-each", "3").await;
    fill(&browser, "set-seeds", "20").await;
    send(&browser).await;
    let name = find(&browser, "#set-name-2").await;
    assert_eq!(name.prop("value").await.unwrap().as_deref(), Some("c03"));
    send(&browser).await;
    find(&browser, ".message").await;

    // Nothing is wider than the phone.
    for page in ["/setup", "/setup/batches", "/setup/watches", "/labels"] {
        browser.goto(&format!("{here}{page}")).await.unwrap();
        let main = find(&browser, "main").await;
        let (_, _, width, _) = main.rectangle().await.unwrap();
        assert!(width <= 360.0, "{page}: {width}");
    }

    house.clock.pass(3_600);
    browser.goto(&format!("{here}/round")).await.unwrap();
    tap(&browser, "a.button.main").await;
    fill(&browser, "count-new", "2").await;
    let save = "button[value=count]:not(.unseen)";
    tap(&browser, save).await;
    let told = text(&browser, ".message").await;
    assert!(told.contains("2 newly germinated. Recorded."), "{told}");
    assert_eq!(unit(&house, "c01").looks[0].germinated, 2);
    let links = browser.find_all(Locator::Css(".message form")).await.unwrap();
    assert_eq!(links.len(), 1, "one tap takes it back");

    browser.close().await.unwrap();
    daemon.stop().await;
}
