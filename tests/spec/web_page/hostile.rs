//! Hostile: guesses by the dozen, connections that say nothing, and secrets
//! that nobody may find.

use std::fs;
use std::process::{Command, Stdio};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};
use tokio::time::timeout;

use crate::support::broker::free_port;
use crate::support::home::Home;
use crate::support::pages::addresses;
use crate::support::phone::{Phone, Says};
use crate::support::writer::PATIENCE;
use crate::web_page::{at, house_with_boxes, n_entries, with_password};

/// One hash at a time, and after three wrong ones none at all for a while.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn guesses_at_once_are_not_even_looked_at() {
    let house = house_with_boxes();
    with_password(&house, "moist-chill");
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/").await;
    let fields = phone.filled("/login", &[("password", "guess")]);
    let says = phone.says(&fields);
    let phone = std::sync::Arc::new(phone);
    let mut guesses = tokio::task::JoinSet::new();
    for _ in 0..24 {
        let (phone, says) = (phone.clone(), says.clone());
        guesses.spawn(async move { phone.once("/login", &says).await.status });
    }
    let answers = guesses.join_all().await;
    let looked_at = answers.iter().filter(|status| **status == 403).count();
    let sent_away = answers.iter().filter(|status| **status == 429).count();
    assert_eq!(looked_at + sent_away, 24, "{answers:?}");
    assert!((1..=3).contains(&looked_at), "{answers:?}");
    daemon.stop().await;
}

/// Only addresses for programs are not under the guard of the forms, and
/// there is one that changes something.
#[test]
fn programs_can_change_one_thing_only() {
    let all = addresses();
    let changing: Vec<&str> = all
        .iter()
        .filter(|address| address.post && address.path.starts_with("/api/"))
        .map(|address| address.path.as_str())
        .collect();
    assert_eq!(changing, ["/api/v1/units/{unit}/checks", "/api/{*other}"]);
}

/// Sends nothing and waits.
async fn silent(from: [u8; 4], to: std::net::SocketAddr) -> TcpStream {
    let socket = TcpSocket::new_v4().unwrap();
    socket.bind((from, 0).into()).unwrap();
    let mut stream = socket.connect(to).await.unwrap();
    stream.write_all(b"GET / HTTP/1.1\r\nHost: loc").await.unwrap();
    stream
}

/// Whether the other side has closed.
async fn is_closed(stream: &mut TcpStream) -> bool {
    let mut byte = [0];
    let read = timeout(Duration::from_millis(200), stream.read(&mut byte));
    matches!(read.await, Ok(Ok(0) | Err(_)))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_address_that_holds_connections_does_not_shut_out_the_others() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let to = daemon.web();
    let mut held = Vec::new();
    for _ in 0..64 {
        held.push(silent([127, 0, 0, 2], to).await);
    }
    let mut one_more = silent([127, 0, 0, 2], to).await;
    let closed = async { while !is_closed(&mut one_more).await {} };
    timeout(PATIENCE, closed).await.expect("one too many is sent away");
    let mut phone = Phone::new(to);
    phone.open("/").await.answers(200);
    held.clear();
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_form_in_two_pieces_or_with_two_lengths_is_no_way_in() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let before = n_entries(&house);
    let mut phone = Phone::new(daemon.web());
    let count = format!("{}/count", at(&house, "r01"));
    phone.open("/").await;
    for head in [
        "Content-Length: 5\r\nContent-Length: 50\r\n",
        "Transfer-Encoding: chunked\r\nContent-Length: 3\r\n",
        "Content-Length: -1\r\n",
        "Host: evil.example\r\nContent-Length: 0\r\n",
        &format!("X: {}\r\nContent-Length: 0\r\n", "a".repeat(40_000)),
        &"X: a\r\n".repeat(200),
    ] {
        let mut stream = TcpStream::connect(daemon.web()).await.unwrap();
        let request = format!(
            "POST {count} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\
             {head}\r\n0\r\n\r\n",
            daemon.web()
        );
        drop(stream.write_all(request.as_bytes()).await);
        let mut answer = Vec::new();
        drop(timeout(PATIENCE, stream.read_to_end(&mut answer)).await);
        let text = String::from_utf8_lossy(&answer);
        let status = text.split(' ').nth(1).unwrap_or("closed");
        assert!(status.starts_with('4') || status == "closed", "{text}");
    }
    assert_eq!(n_entries(&house), before);
    daemon.stop().await;
}

/// The whole program with every secret it can have, at its most talkative.
#[test]
fn no_secret_is_in_a_page_or_in_the_log() {
    let home = Home::new();
    home.run_with("password --web --stdin", "moist-chill\n").succeeds();
    home.run_with("password sill-board --stdin --save", "x\n").fails();
    let token = home.run("token wall-display").succeeds().stdout();
    let token = token.trim().to_owned();
    let (web, inlet) = (free_port(), free_port());
    let settings = home.read("vernalog.toml");
    home.write(
        "vernalog.toml",
        &format!(
            "{settings}\n[web]\nlisten = \"127.0.0.1:{web}\"\n[inlet]\n\
             listen = \"127.0.0.1:{inlet}\"\nusers_file = \"boards.passwd\"\n"
        ),
    );
    home.run_with("password sill-board --stdin --save", "cold-water\n")
        .succeeds();
    let log = fs::File::create(home.path().join("log")).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_vernalog"))
        .args(["run", "--settings"])
        .arg(home.path().join("vernalog.toml"))
        .env("RUST_LOG", "trace")
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .unwrap();
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], web));
    let mut shown = Vec::new();
    let mut told = String::new();
    runtime.block_on(async {
        let begin = std::time::Instant::now();
        while TcpStream::connect(address).await.is_err() {
            assert!(begin.elapsed() < PATIENCE, "the pages never opened");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        let mut phone = Phone::new(address);
        phone.open("/").await;
        phone.send("/login", &[("password", "warm-chill")]).await;
        phone.send("/login", &[("password", "moist-chill")]).await;
        for page in ["/", "/health", "/report", "/alerts", "/who", "/round"] {
            let page = phone.open(page).await.clone();
            page.answers(200);
            shown.push(page.body);
        }
        let says = Says { method: "GET", ..phone.says(&[]) };
        told = phone.sent_cookies();
        phone.once("/api/v1/places", &says).await.answers(401);
    });
    for password in ["cold-water", "warm-water"] {
        let mut board = crate::support::broker::mosquitto_pub(
            inlet,
            &["-u", "sill-board", "-P", password, "-t", "a", "-m", "b"],
        );
        drop(board.output().unwrap());
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let log = home.read("log");
    assert!(log.contains("a wrong password was given"), "{log}");
    let session = told.rsplit('=').next().unwrap().to_owned();
    assert_eq!(session.len(), 32, "{told}");
    let hash = home.read("web.passwd").trim().to_owned();
    let secrets = [
        "moist-chill",
        "warm-chill",
        "cold-water",
        "warm-water",
        "$argon2id",
        &token,
        &session,
        &hash,
    ];
    for secret in secrets {
        assert!(!log.contains(secret), "{secret} in\n{log}");
        for page in &shown {
            assert!(!page.contains(secret), "{secret} in\n{page}");
        }
    }
}
