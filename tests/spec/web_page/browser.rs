//! The pages in a real browser, as a grower taps through them.

use std::time::{Duration, Instant as Stopwatch};

use fantoccini::{Client, Locator};
use serde_json::json;
use vernalog::trial::entry::Look;

use crate::support::browser::{Driver, fill, find, shows, tap, text};
use crate::support::house::{House, say};
use crate::web_page::{at, house_with_boxes, unit, with_password};

const SAVE: &str = "button[value=count]:not(.unseen)";
const ZERO: &str = "button[value=zero-through-lid]";

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
    fill(&browser, "#password", "moist-chill").await;
    tap(&browser, "button.main").await;
    find(&browser, "#count-new").await;
    assert_eq!(text(&browser, "h1").await, "r13");

    // Enter saves what was typed, not "nothing new".
    fill(&browser, "#count-by", "Róisín").await;
    fill(&browser, "#count-new", "2\u{e007}").await;
    shows(&browser, ".message", "2 newly germinated. Recorded.").await;
    let look = unit(&house, "r13").looks[0].clone();
    assert_eq!((look.germinated, &*look.by), (2, "Róisín"));

    // From the round: one tap opens, one tap counts, the next is shown.
    house.clock.pass(60);
    browser.goto(&format!("{here}/round")).await.unwrap();
    tap(&browser, ".rows a").await;
    tap(&browser, ZERO).await;
    shows(&browser, "h1", "r15").await;
    assert_eq!(unit(&house, "r14").looks.len(), 1);

    // A count that cannot be: told beside its field, nothing lost.
    fill(&browser, "#count-new", "21").await;
    tap(&browser, SAVE).await;
    shows(&browser, "#count-new-wrong", "only 20 seeds are left").await;
    let new = find(&browser, "#count-new").await;
    assert_eq!(new.prop("value").await.unwrap().as_deref(), Some("21"));
    assert_eq!(unit(&house, "r15").looks, []);
    let kept = browser.execute("return localStorage.length", Vec::new()).await;
    assert_eq!(kept.unwrap(), json!(0), "nothing waits on the phone");

    browser.close().await.unwrap();
    daemon.stop().await;
}

/// What a hand needs, beside what the machine takes: common practice, no
/// source. A tap, a typed digit, and the look at a page that has come.
const TAP: Duration = Duration::from_millis(1_500);
const DIGIT: Duration = Duration::from_millis(700);
const READ: Duration = Duration::from_millis(1_000);

/// A hand whose taps are counted.
struct Hand<'a> {
    browser: &'a Client,
    taps: u32,
    digits: u32,
    pages: u32,
}

impl Hand<'_> {
    async fn tap(&mut self, css: &str) {
        self.taps += 1;
        tap(self.browser, css).await;
    }

    async fn sees(&mut self, css: &str, words: &str) {
        self.pages += 1;
        shows(self.browser, css, words).await;
    }

    fn pace(&self) -> Duration {
        TAP * self.taps + DIGIT * self.digits + READ * self.pages
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_round_of_24_with_4_changed_takes_under_90_seconds_of_screen_time() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    let here = format!("http://{}", daemon.web());
    browser.goto(&format!("{here}/round")).await.unwrap();
    let mut hand = Hand { browser: &browser, taps: 0, digits: 0, pages: 0 };

    let begin = Stopwatch::now();
    hand.sees("h1", "Today’s round").await;
    hand.tap("main .button.main").await;
    let order: Vec<String> =
        (13..=24).chain(1..=12).map(|number| format!("r{number:02}")).collect();
    for called in &order {
        house.clock.pass(3);
        hand.sees("h1", called).await;
        if ["r14", "r20", "r03", "r12"].contains(&called.as_str()) {
            hand.tap("#count-new").await;
            hand.digits += 1;
            find(&browser, "#count-new").await.send_keys("2").await.unwrap();
            hand.tap(SAVE).await;
        } else {
            hand.tap(ZERO).await;
        }
    }
    hand.sees(".state", "All 24 units were looked at today").await;
    let machine = begin.elapsed();

    let screen = machine + hand.pace();
    say(&format!(
        "a round of 24 with 4 changed: {} taps ({:.2} a unit), machine \
         {:.1} s, with a hand's pace {:.0} s",
        hand.taps,
        f64::from(hand.taps) / 24.0,
        machine.as_secs_f64(),
        screen.as_secs_f64()
    ));
    assert!(hand.taps <= 2 * 24, "{} taps", hand.taps);
    // The machine's part is a few seconds; on a busy one it is no measure.
    assert!(hand.pace() < Duration::from_secs(85), "{:?}", hand.pace());
    let germinated: u32 =
        order.iter().map(|called| unit(&house, called).germinated()).sum();
    assert_eq!(germinated, 8);

    // The next day nothing is new: a tap, the list, a tap for a place.
    house.clock.pass(86_400);
    browser.goto(&format!("{here}/round")).await.unwrap();
    tap(&browser, "a[href='/round/others?place=stair-landing']").await;
    shows(&browser, "h1", "All others here").await;
    let ticks = browser.find_all(Locator::Css(".ticks input")).await.unwrap();
    assert_eq!(ticks.len(), 12);
    ticks[2].click().await.unwrap();
    tap(&browser, "form.card button.main").await;
    shows(&browser, ".state", "13 to look at").await;
    let looks = |called: &str| unit(&house, called).looks.len();
    assert_eq!((looks("r01"), looks("r03"), looks("r12")), (2, 1, 2));

    browser.close().await.unwrap();
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slip_is_taken_back_given_to_its_box_or_moved_with_a_look() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    let here = format!("http://{}", daemon.web());
    let goto = async |called: &str| {
        let address = format!("{here}{}", at(&house, called));
        browser.goto(&address).await.unwrap();
    };

    goto("r01").await;
    tap(&browser, "button[value=zero-opened]").await;
    shows(&browser, ".message", "nothing new. Recorded.").await;
    tap(&browser, ".message button").await;
    shows(&browser, ".message", "Taken back: nothing new").await;
    assert_eq!(unit(&house, "r01").looks, []);

    fill(&browser, "#count-new", "3").await;
    tap(&browser, SAVE).await;
    shows(&browser, ".message", "3 newly germinated. Recorded.").await;
    tap(&browser, ".message a.button").await;
    fill(&browser, "#belongs-other", "r02").await;
    tap(&browser, "form[action$='/belongs'] button").await;
    shows(&browser, "h1", "r02").await;
    assert_eq!(unit(&house, "r01").germinated(), 0);
    assert_eq!(unit(&house, "r02").germinated(), 3);

    house.clock.pass(60);
    tap(&browser, "details:has(#move-place) > summary").await;
    let place = "#move-place option[value=boiler-shelf]";
    tap(&browser, place).await;
    tap(&browser, "[for='move-looked-through-lid']").await;
    fill(&browser, "#move-new", "1").await;
    tap(&browser, "form[action$='/move'] > button").await;
    shows(&browser, ".message", "moved to boiler-shelf. Recorded.").await;
    let r02 = unit(&house, "r02");
    assert_eq!(r02.germinated(), 4);
    assert_eq!(r02.looks[1].looked, Look::ThroughLid);
    let stay = r02.stay_at(house.clock.now()).unwrap();
    assert_eq!(stay.place.as_str(), "boiler-shelf");

    browser.close().await.unwrap();
    daemon.stop().await;
}

/// Pages a grower opens.
fn pages(house: &House) -> Vec<String> {
    let unit = at(house, "r13");
    [
        "/",
        "/round",
        "/round/others?place=boiler-shelf",
        "/tally",
        "/alerts",
        "/place/stair-landing",
        "/place/stair-landing?span=all",
        "/who",
        "/nowhere",
        &unit,
    ]
    .map(str::to_owned)
    .to_vec()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_page_scrolls_sideways_on_a_phone_or_on_a_desk() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let driver = Driver::start();
    for width in [360, 1_280] {
        let browser = driver.browser_of(width).await;
        for page in pages(&house) {
            let address = format!("http://{}{page}", daemon.web());
            browser.goto(&address).await.unwrap();
            find(&browser, "main").await;
            let script = "return [document.documentElement.scrollWidth, \
                          innerWidth]";
            let widths = browser.execute(script, Vec::new()).await.unwrap();
            assert_eq!(widths, json!([width, width]), "{page}");
            let nav = find(&browser, "header nav").await;
            let (.., high) = nav.rectangle().await.unwrap();
            assert!(high < 60.0, "{page}: a navigation of {high} px");
        }
        browser.close().await.unwrap();
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_browser_without_script_counts_all_the_same() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser_without_script().await;
    let here = format!("http://{}", daemon.web());
    browser.goto(&format!("{here}/")).await.unwrap();
    assert_eq!(text(&browser, "#live").await, "", "no script has run");
    tap(&browser, "main .button.main").await;
    tap(&browser, "main .button.main").await;
    shows(&browser, "h1", "r13").await;
    tap(&browser, ZERO).await;
    shows(&browser, "h1", "r14").await;
    fill(&browser, "#count-new", "21").await;
    tap(&browser, SAVE).await;
    shows(&browser, "#count-new-wrong", "only 20 seeds are left").await;
    fill(&browser, "#count-new", "1").await;
    tap(&browser, SAVE).await;
    shows(&browser, "h1", "r15").await;
    assert_eq!(unit(&house, "r13").looks.len(), 1);
    assert_eq!(unit(&house, "r14").germinated(), 1);
    browser.close().await.unwrap();
    daemon.stop().await;
}
