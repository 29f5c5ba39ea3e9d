//! Live: values change on a page that is open, and no open page keeps the
//! daemon from stopping.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use vernalog::observation::{Quality, Quantity, Reading, Series};
use vernalog::store::{Access, Store};

use crate::support::browser::{Driver, shows};
use crate::support::house::{House, board_stay, name};
use crate::web_page::{house_with_boxes, record};

/// A reading of the board on the landing, now.
fn reads(house: &House, value: f64) {
    let series = Series {
        board: name("landing-board"),
        probe: name("air"),
        quantity: Quantity::Temperature,
    };
    let at = house.clock.now();
    let reading = Reading { at, value, quality: Quality::GOOD };
    let mut store = Store::open(&house.data(), Access::ReadWrite).unwrap();
    store.import_readings(&[(series, reading)]).unwrap();
}

fn house_with_a_board() -> House {
    let house = house_with_boxes();
    let stay = board_stay("landing-board", "air", Some("stair-landing"));
    record(&house, vec![stay]);
    reads(&house, 17.5);
    house
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn values_change_on_an_open_page_and_are_grey_when_the_daemon_is_gone() {
    let house = house_with_a_board();
    let daemon = house.start().await;
    let driver = Driver::start();
    let browser = driver.browser().await;
    let here = format!("http://{}", daemon.web());
    let values = "[data-live='stair-landing']";
    browser.goto(&format!("{here}/")).await.unwrap();
    shows(&browser, values, "17.5 °C").await;
    shows(&browser, "#live", "Live").await;

    // A line that is open and silent, as after a walk out of the house: what
    // comes is lost, and time goes on.
    let silent = "const now = Date.now; window.silent = true; Date.now = () => \
        { if (window.silent && new Error().stack.includes('show')) throw \
        new Error('lost'); return now() + 80000; };";
    browser.execute(silent, Vec::new()).await.unwrap();
    shows(&browser, "#live", "Not live: values as they were at").await;
    shows(&browser, "body.stale", "17.5 °C").await;
    browser.execute("window.silent = false;", Vec::new()).await.unwrap();
    house.clock.pass(60);
    reads(&house, 18.5);
    shows(&browser, values, "18.5 °C").await;
    shows(&browser, "#live", "Live").await;
    shows(&browser, "body:not(.stale)", "18.5 °C").await;
    browser.goto(&format!("{here}/place/stair-landing")).await.unwrap();
    house.clock.pass(60);
    reads(&house, 19.0);
    shows(&browser, values, "19.0 °C").await;

    daemon.stop().await;
    shows(&browser, "#live", "Not live: values as they were at").await;
    shows(&browser, "body.stale", "19.0 °C").await;
    browser.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_that_is_open_ends_with_the_daemon() {
    let house = house_with_a_board();
    let daemon = house.start().await;
    let mut stream = TcpStream::connect(daemon.web()).await.unwrap();
    let host = daemon.web();
    let request = format!("GET /live HTTP/1.1\r\nHost: {host}\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut heard = String::new();
    while !heard.contains("17.5") {
        let mut bytes = [0; 4_096];
        let n = stream.read(&mut bytes).await.unwrap();
        assert!(n > 0, "{heard}");
        heard.push_str(&String::from_utf8_lossy(&bytes[..n]));
    }
    assert!(heard.contains("text/event-stream"), "{heard}");

    let begin = std::time::Instant::now();
    daemon.stop().await;
    // Much less than the five seconds after which it would be cut off.
    assert!(begin.elapsed() < Duration::from_secs(4), "{:?}", begin.elapsed());
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).await.unwrap();
}
