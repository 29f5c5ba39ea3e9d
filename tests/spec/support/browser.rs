//! A real browser: headless Chromium, driven through its driver.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::Duration;

use fantoccini::wd::Capabilities;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::support::writer::PATIENCE;

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
        let address = format!("127.0.0.1:{port}");
        Self { process, address, _said: said }
    }

    /// A phone's window, 360 wide.
    pub(crate) async fn browser(&self) -> Client {
        self.browser_with(360, &json!({})).await
    }

    /// A window of another width, or a browser with other settings.
    pub(crate) async fn browser_with(
        &self,
        width: u16,
        preferences: &Value,
    ) -> Client {
        let options = json!({ "goog:chromeOptions": {
            "args": ["--headless=new", "--no-sandbox", "--disable-gpu"],
            "prefs": preferences,
            "mobileEmulation": { "deviceMetrics":
                { "width": width, "height": 740, "pixelRatio": 1 } }
        } });
        let options: Capabilities = serde_json::from_value(options).unwrap();
        ClientBuilder::new(HttpConnector::new())
            .capabilities(options)
            .connect(&format!("http://{}", self.address))
            .await
            .unwrap()
    }

    /// Cuts the browser's network, or joins it again.
    pub(crate) async fn network(&self, browser: &Client, is_there: bool) {
        let conditions = json!({ "network_conditions": {
            "offline": !is_there, "latency": 0, "throughput": 0,
            "download_throughput": -1, "upload_throughput": -1,
        } });
        self.command(browser, "chromium/network_conditions", &conditions).await;
    }

    /// Keeps every script of ours away from the pages; a browser with
    /// scripts switched off altogether cannot be driven to press a button.
    pub(crate) async fn without_scripts(&self, browser: &Client) {
        for (command, given) in [
            ("Network.enable", json!({})),
            ("Network.setBlockedURLs", json!({ "urls": ["*.js*"] })),
        ] {
            let command = json!({ "cmd": command, "params": given });
            self.command(browser, "goog/cdp/execute", &command).await;
        }
    }

    /// A command of the driver that its client does not know.
    async fn command(&self, browser: &Client, what: &str, given: &Value) {
        let id = browser.session_id().await.unwrap().unwrap();
        let body = given.to_string();
        let request = format!(
            "POST /session/{id}/{what} HTTP/1.1\r\n\
             Host: {}\r\nContent-Type: \
             application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.address,
            body.len()
        );
        let mut stream = TcpStream::connect(&self.address).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        // The driver keeps the line open whatever it is asked.
        let mut bytes = [0; 4_096];
        let n = stream.read(&mut bytes).await.unwrap();
        let answer = String::from_utf8_lossy(&bytes[..n]);
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

/// Finds one thing on the page.
pub(crate) async fn find(
    browser: &Client,
    css: &str,
) -> fantoccini::elements::Element {
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

/// Types over what stands in a field.
pub(crate) async fn fill(browser: &Client, css: &str, typed: &str) {
    let field = find(browser, css).await;
    field.clear().await.unwrap();
    field.send_keys(typed).await.unwrap();
}

/// One tap.
pub(crate) async fn tap(browser: &Client, css: &str) {
    find(browser, css).await.click().await.unwrap();
}

/// Waits until the page shows a text, in an element that may come and go.
pub(crate) async fn shows(browser: &Client, css: &str, wanted: &str) {
    let begin = std::time::Instant::now();
    let mut seen = String::new();
    while begin.elapsed() < PATIENCE {
        if let Ok(found) = browser.find(Locator::Css(css)).await {
            seen = found.text().await.unwrap_or_default();
            if seen.contains(wanted) {
                return;
            }
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("{css} never showed {wanted:?}, but {seen:?}");
}
