//! The pages in a real browser, as a grower taps through them.

use crate::support::browser::{Driver, find, text};
use crate::web_page::{at, house_with_boxes, unit, with_password};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_phone_logs_in_opens_a_label_and_counts() {
    let house = house_with_boxes();
    with_password(&house, "moist-chill");
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    let here = format!("http://{}", daemon.web());

    // The address on the label leads to the log-in, and then to the box.
    browser.goto(&format!("{here}{}", at(&house, "r13"))).await.unwrap();
    assert_eq!(text(&browser, "h1").await, "Log in");
    let password = find(&browser, "#password").await;
    password.send_keys("moist-chill").await.unwrap();
    find(&browser, "button.main").await.click().await.unwrap();
    find(&browser, "#count-new").await;
    assert_eq!(text(&browser, "h1").await, "r13");

    // Enter saves what was typed, not "nothing new".
    find(&browser, "#count-by").await.send_keys("Róisín").await.unwrap();
    let new = find(&browser, "#count-new").await;
    new.send_keys("2\u{e007}").await.unwrap();
    let told = text(&browser, ".message").await;
    assert!(told.contains("2 newly germinated. Recorded."), "{told}");
    let look = unit(&house, "r13").looks[0].clone();
    assert_eq!((look.germinated, &*look.by), (2, "Róisín"));

    // From the round: one tap opens, one tap counts, the next is shown.
    house.clock.pass(60);
    browser.goto(&format!("{here}/round")).await.unwrap();
    find(&browser, ".rows a").await.click().await.unwrap();
    let zero = "button[value=zero-through-lid]";
    find(&browser, zero).await.click().await.unwrap();
    find(&browser, ".message").await;
    assert_eq!(text(&browser, "h1").await, "r15");
    assert_eq!(unit(&house, "r14").looks.len(), 1);

    // A count that cannot be: told beside its field, nothing lost.
    let new = find(&browser, "#count-new").await;
    new.send_keys("21").await.unwrap();
    find(&browser, "button[value=count]:not(.unseen)")
        .await
        .click()
        .await
        .unwrap();
    let told = text(&browser, "#count-new-wrong").await;
    assert!(told.contains("only 20 seeds are left"), "{told}");
    let new = find(&browser, "#count-new").await;
    assert_eq!(new.prop("value").await.unwrap().as_deref(), Some("21"));
    assert_eq!(unit(&house, "r15").looks, []);

    browser.close().await.unwrap();
    daemon.stop().await;
}
