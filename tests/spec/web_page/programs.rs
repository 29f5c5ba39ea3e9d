//! Programs of the household: JSON with a token, under the same guard.

use std::net::SocketAddr;

use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use vernalog::trial::entry::Look;
use vernalog::web::{May, kept_tokens, with_token, without_token};

use crate::support::home::Home;
use crate::support::house::{House, name};
use crate::support::phone::Phone;
use crate::support::writer::PATIENCE;
use crate::web_page::{at, house_with_boxes, n_entries, unit, with_password};

/// Gives a program a token.
fn token(house: &House, called: &str, may: May) -> String {
    let file = house.file(vernalog::web::TOKEN_FILE);
    let kept = kept_tokens(&file).unwrap();
    let (token, text) = with_token(&kept, &name(called), may);
    std::fs::write(&file, text).unwrap();
    token
}

/// A request of a program.
struct Program {
    address: SocketAddr,
    headers: Vec<(&'static str, String)>,
}

impl Program {
    fn new(address: SocketAddr, token: &str) -> Self {
        let headers = vec![
            ("Host", address.to_string()),
            ("Authorization", format!("Bearer {token}")),
            ("Content-Type", "application/json".to_owned()),
        ];
        Self { address, headers }
    }

    fn with(&self, name: &'static str, value: &str) -> Self {
        let mut headers = self.headers.clone();
        headers.retain(|(known, _)| *known != name);
        if !value.is_empty() {
            headers.push((name, value.to_owned()));
        }
        Self { address: self.address, headers }
    }

    /// Status and what was answered.
    async fn ask(&self, method: &str, path: &str, body: &str) -> (u16, Value) {
        let headers: String = self
            .headers
            .iter()
            .map(|(name, value)| format!("{name}: {value}\r\n"))
            .collect();
        let request = format!(
            "{method} {path} HTTP/1.1\r\n{headers}Connection: close\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let exchange = async {
            let mut stream = TcpStream::connect(self.address).await.unwrap();
            drop(stream.write_all(request.as_bytes()).await);
            let mut answer = String::new();
            drop(stream.read_to_string(&mut answer).await);
            answer
        };
        let answer = timeout(PATIENCE, exchange).await.unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        assert!(!head.to_lowercase().contains("set-cookie"), "{head}");
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (status, serde_json::from_str(body).unwrap_or(Value::Null))
    }

    async fn get(&self, path: &str) -> Value {
        let (status, value) = self.ask("GET", path, "").await;
        assert_eq!(status, 200, "{value}");
        value
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_reads_what_the_pages_show_and_records_a_check() {
    let house = house_with_boxes();
    let secret = token(&house, "scales", May::Record);
    let daemon = house.start().await;
    let program = Program::new(daemon.web(), &secret);

    let places = program.get("/api/v1/places").await;
    assert_eq!(places["format"], "vernalog-places/1");
    assert_eq!(places["places"][0]["place"], "boiler-shelf");
    let round = program.get("/api/v1/round").await;
    assert_eq!(round["units"].as_array().unwrap().len(), 24);
    let units = program.get("/api/v1/units").await;
    assert_eq!(units["units"].as_array().unwrap().len(), 25);
    let alerts = program.get("/api/v1/alerts").await;
    assert_eq!(alerts["alerts"], json!([]));

    let label = at(&house, "r01").replace("/u/", "");
    let checks = format!("/api/v1/units/{label}/checks");
    let key = "0123456789abcdef0123456789abcdef";
    let body = json!({
        "germinated": 3, "mouldy_now": 1, "looked": "opened",
        "note": "by the scales", "key": key,
    });
    let (status, value) = program.ask("POST", &checks, &body.to_string()).await;
    assert_eq!((status, &value["unit"]), (201, &json!("r01")), "{value}");
    // The same once more, as after a lost answer.
    let (status, value) = program.ask("POST", &checks, &body.to_string()).await;
    assert_eq!((status, &value["before"]), (200, &json!(true)), "{value}");
    let look = unit(&house, "r01").looks[0].clone();
    assert_eq!((look.germinated, look.mouldy_now), (3, 1));
    assert_eq!((look.looked, &*look.by), (Look::Opened, "scales"));
    let one = program.get("/api/v1/units/r01").await;
    assert_eq!((&one["left"], &one["seeds"]), (&json!(17), &json!(20)));
    assert_eq!(one["looks"][0]["note"], "by the scales");
    assert_eq!(
        program.get("/api/v1/round").await["units"].as_array().unwrap().len(),
        23
    );
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_check_that_cannot_be_is_told_and_nothing_is_written() {
    let house = house_with_boxes();
    let secret = token(&house, "scales", May::Record);
    let daemon = house.start().await;
    let program = Program::new(daemon.web(), &secret);
    let before = n_entries(&house);
    let to = "/api/v1/units/r01/checks";
    for (body, field, told) in [
        (
            json!({"germinated": 21, "looked": "opened"}),
            "germinated",
            "only 20",
        ),
        (json!({"germinated": 1, "looked": "ajar"}), "looked", "ajar"),
        (json!({"germinated": -1, "looked": "opened"}), "", "-1"),
        (json!({"germinated": 1, "looked": "opened", "x": 1}), "", "`x`"),
        (json!({"looked": "opened"}), "", "germinated"),
        (json!([1, 2]), "", ""),
        (
            json!({"germinated": 1, "looked": "opened", "key": "short"}),
            "key",
            "32",
        ),
        (
            json!({"germinated": 1, "looked": "opened", "at": "soon"}),
            "at",
            "soon",
        ),
        (
            json!({"germinated": 1, "looked": "opened", "at": "2019-01-01"}),
            "",
            "r01",
        ),
        (
            json!({"germinated": 1, "looked": "opened",
                   "note": "x".repeat(3_000)}),
            "note",
            "longer",
        ),
    ] {
        let (status, value) = program.ask("POST", to, &body.to_string()).await;
        assert_eq!(status, 422, "{body} {value}");
        assert_eq!(value["field"].as_str().unwrap_or(""), field, "{value}");
        assert!(value["error"].as_str().unwrap().contains(told), "{value}");
    }
    for (body, status) in [("{", 400), (&"[".repeat(70_000), 413)] {
        assert_eq!(program.ask("POST", to, body).await.0, status);
    }
    let nowhere = program.ask("POST", "/api/v1/units/none/checks", "{}").await;
    assert_eq!(nowhere.0, 404);
    assert_eq!(program.ask("GET", "/api/v1/none", "").await.0, 404);
    assert_eq!(n_entries(&house), before);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_is_answered_without_a_token_that_lives() {
    let house = house_with_boxes();
    with_password(&house, "moist-chill");
    let reader = token(&house, "wall-display", May::Read);
    let daemon = house.start().await;
    let program = Program::new(daemon.web(), &reader);
    let addresses = ["places", "round", "units", "units/r01", "alerts", "x"];
    let check = json!({"germinated": 1, "looked": "opened"}).to_string();
    let to = "/api/v1/units/r01/checks";
    let before = n_entries(&house);

    program.get("/api/v1/places").await;
    assert_eq!(program.ask("POST", to, &check).await.0, 403);
    assert_eq!(program.ask("PUT", to, &check).await.0, 405);
    for wrong in ["", "Bearer", "Bearer 0", "Basic d2FsbC1kaXNwbGF5Og=="] {
        let stranger = program.with("Authorization", wrong);
        for address in addresses {
            let path = format!("/api/v1/{address}");
            let (status, value) = stranger.ask("GET", &path, "").await;
            assert_eq!(status, 401, "{path}");
            let told = value["error"].as_str().unwrap();
            assert!(told.contains("vernalog token"), "{told}");
        }
        assert_eq!(stranger.ask("POST", to, &check).await.0, 401);
    }
    let evil = program.with("Host", "evil.example");
    assert_eq!(evil.ask("GET", "/api/v1/places", "").await.0, 421);
    let forged = program.with("Origin", "http://evil.example");
    assert_eq!(forged.ask("GET", "/api/v1/places", "").await.0, 403);

    // A log-in is no token: no page of another site can use it.
    let mut phone = Phone::new(daemon.web());
    phone.open("/").await;
    phone.send("/login", &[("password", "moist-chill")]).await.answers(200);
    phone.open("/api/v1/places").await.answers(401);

    let writer = token(&house, "scales", May::Record);
    let scales = Program::new(daemon.web(), &writer);
    let form = scales.with("Content-Type", "text/plain");
    assert_eq!(form.ask("POST", to, &check).await.0, 415);
    let file = house.file(vernalog::web::TOKEN_FILE);
    let kept = kept_tokens(&file).unwrap();
    let text = without_token(&kept, &name("scales")).unwrap();
    std::fs::write(&file, text).unwrap();
    assert_eq!(scales.ask("POST", to, &check).await.0, 401);
    assert_eq!(n_entries(&house), before);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_in_a_hurry_is_told_to_wait() {
    let house = house_with_boxes();
    let secret = token(&house, "wall-display", May::Read);
    let daemon = house.start().await;
    let program = Program::new(daemon.web(), &secret);
    let mut refused = 0;
    for _ in 0..90 {
        let (status, _) = program.ask("GET", "/api/v1/alerts", "").await;
        refused += u32::from(status == 429);
    }
    // One comes back a second, and the machine may be slow.
    assert!(refused > 0, "90 requests were all answered");
    daemon.stop().await;
}

#[test]
fn a_token_is_made_listed_and_taken_back_on_the_command_line() {
    let home = Home::new();
    let made = home.run("token wall-display --read-only").succeeds();
    let token = made.stdout().trim().to_owned();
    assert_eq!(token.len(), 32, "{token}");
    assert!(!home.read("web.tokens").contains(&token));
    home.run("token").succeeds().answers("wall-display  may read");
    home.run("token wall-display --revoke").succeeds();
    assert_eq!(home.read("web.tokens"), "");
    home.run("token wall-display --revoke").fails();
}
