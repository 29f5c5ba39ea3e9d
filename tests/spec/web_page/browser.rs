//! The pages in a real browser: headless Chromium, driven through its
//! driver, without any script of ours because there is none.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, ChildStdout, Command, Stdio};

use fantoccini::wd::Capabilities;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::json;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use crate::web_page::{at, house_with_boxes, unit, with_password};

/// The driver of the browser; ends with the test.
pub(crate) struct Driver {
    process: Child,
    address: String,
    /// Kept open: the driver goes on talking.
    _said: BufReader<ChildStdout>,
}

impl Driver {
    pub(crate) fn start() -> Self {
        let mut process = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed: tests/run does it");
        let mut said = BufReader::new(process.stdout.take().unwrap());
        let port = said
            .by_ref()
            .lines()
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, rest) = line.split_once("successfully on port ")?;
                rest.trim_end_matches('.').parse::<u16>().ok()
            })
            .expect("the driver says its port");
        let address = format!("http://127.0.0.1:{port}");
        Self { process, address, _said: said }
    }

    /// A phone's window, 360 wide. The pages forbid every script, their own
    /// as well: there is none.
    pub(crate) async fn browser(&self) -> Client {
        let options = json!({
                    "goog:chromeOptions": {
                        "args": ["--headless=new", "--no-sandbox", "--disable-gpu"],
                        "mobileEmulation": {"deviceMetrics":
        {"width": 360, "height": 740, "pixelRatio": 1}}
                    }
                });
        let options: Capabilities = serde_json::from_value(options).unwrap();
        ClientBuilder::new(HttpConnector::new())
            .capabilities(options)
            .connect(&self.address)
            .await
            .unwrap()
    }
    /// The same in a browser that loads no script of ours; one with scripts
    /// switched off altogether cannot be driven to press a button.
    pub(crate) async fn browser_without_scripts(&self) -> Client {
        let browser = self.browser().await;
        let session = browser.session_id().await.unwrap().unwrap();
        for (command, given) in [
            ("Network.enable", json!({})),
            ("Network.setBlockedURLs", json!({ "urls": ["*.js*"] })),
        ] {
            let body = json!({ "cmd": command, "params": given }).to_string();
            let path = format!("/session/{session}/goog/cdp/execute");
            self.command(&path, &body).await;
        }
        browser
    }

    /// A command of the driver that its client does not know.
    async fn command(&self, path: &str, body: &str) {
        let address = self.address.trim_start_matches("http://");
        let mut driver = TcpStream::connect(address).await.unwrap();
        let request = format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        );
        driver.write_all(request.as_bytes()).await.unwrap();
        let (mut said, mut more) = (Vec::new(), [0; 4096]);
        // The driver keeps the connection, so its end says nothing.
        while !String::from_utf8_lossy(&said).contains("\"value\"") {
            let n = driver.read(&mut more).await.unwrap();
            assert!(n > 0, "{}", String::from_utf8_lossy(&said));
            said.extend(&more[..n]);
        }
        assert!(said.starts_with(b"HTTP/1.1 200"), "{command}",
            command = String::from_utf8_lossy(&said));
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

/// Finds one thing on the page.
pub(crate) async fn find(browser: &Client, css: &str) -> fantoccini::elements::Element {
    let found = browser.wait().for_element(Locator::Css(css)).await;
    match found {
        Ok(element) => element,
        Err(error) => {
            panic!("{css}: {error}\n{}", browser.source().await.unwrap())
        }
    }
}

pub(crate) async fn text(browser: &Client, css: &str) -> String {
    find(browser, css).await.text().await.unwrap()
}

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
