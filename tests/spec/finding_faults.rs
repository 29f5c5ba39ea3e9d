//! What a grower does when nothing comes in: look for the fault, listen.

use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use crate::support::broker::{Broker, free_port, publish};
use crate::support::home::Home;
use crate::support::house::{House, sample, topic};
use crate::support::peer::{Peer, puback};

/// The findings of `vernalog diagnose` by subject.
fn findings(home: &Home, code: i32) -> Vec<(String, String, String, String)> {
    let ran = home.run("diagnose --json");
    let ran = if code == 0 { ran.succeeds() } else { ran.says_no() };
    ran.stdout()
        .lines()
        .map(|line| {
            let value: Value = serde_json::from_str(line).unwrap();
            let word = |key: &str| value[key].as_str().unwrap().to_owned();
            (word("subject"), word("verdict"), word("seen"), word("remedy"))
        })
        .collect()
}

fn of<'a>(
    all: &'a [(String, String, String, String)],
    subject: &str,
) -> &'a (String, String, String, String) {
    all.iter()
        .find(|(found, ..)| found.starts_with(subject))
        .unwrap_or_else(|| panic!("nothing about {subject} in {all:#?}"))
}

#[test]
fn a_new_home_has_nothing_wrong_and_is_told_what_it_lacks() {
    let home = Home::new();

    let all = findings(&home, 0);

    assert_eq!(of(&all, "data file").1, "fine");
    assert_eq!(of(&all, "library").1, "fine");
    let (_, verdict, seen, remedy) = of(&all, "daemon");
    assert_eq!((&**verdict, &**seen), ("doubtful", "it does not run"));
    assert!(remedy.contains("vernalog run"), "{remedy}");
    assert_eq!(of(&all, "backup").1, "doubtful");
    assert_eq!(of(&all, "channels").1, "doubtful");
}

#[test]
fn what_is_wrong_is_named_with_its_remedy() {
    let home = Home::new();
    let (nobody, closed) = (free_port(), free_port());
    let broker = Broker::start();
    publish(
        broker.port,
        "vernalog/sill/readings",
        r#"{"boot":"aaaaaaaa","seq":1,"up_ms":1,"temperature_celsius":3}"#,
        &["-r"],
    );
    let settings = home.read("vernalog.toml");
    let more = format!(
        "[[broker]]\nhost = \"127.0.0.1\"\nport = {}\n\
         [[broker]]\nhost = \"127.0.0.1\"\nport = {nobody}\n\
         [[serial]]\nport = \"/dev/serial/by-id/usb-rowan\"\n\
         [backup]\nfolder = \".\"\n\
         [web]\nlisten = \"0.0.0.0:{closed}\"\n\
         [[channel]]\nkind = \"command\"\n\
         command = [\"/nowhere/bell\"]\n",
        broker.port
    );
    home.write("vernalog.toml", &format!("{settings}\n{more}"));

    let all = findings(&home, 1);

    let (_, verdict, seen, _) =
        of(&all, &format!("broker 127.0.0.1:{}", broker.port));
    assert_eq!(verdict, "doubtful");
    assert!(seen.contains("retained messages under vernalog/sill/readings"));
    let (_, verdict, seen, remedy) =
        of(&all, &format!("broker 127.0.0.1:{nobody}"));
    assert_eq!(verdict, "wrong", "{seen}");
    assert!(remedy.contains("[[broker]]"), "{remedy}");
    let (_, verdict, seen, remedy) = of(&all, "serial");
    assert_eq!((&**verdict, &**seen), ("wrong", "it is not there"));
    assert!(remedy.contains("/dev/serial/by-id"), "{remedy}");
    let (_, verdict, seen, _) = of(&all, "backup");
    assert_eq!(verdict, "doubtful");
    assert!(seen.contains("same disk"), "{seen}");
    let (_, verdict, _, remedy) = of(&all, "pages");
    assert_eq!(verdict, "wrong");
    assert!(remedy.contains("vernalog password --web"), "{remedy}");
    let (_, verdict, seen, _) = of(&all, "channel");
    assert_eq!(verdict, "wrong");
    assert!(seen.contains("/nowhere/bell"), "{seen}");
}

#[test]
fn a_broker_that_takes_anybody_although_it_knows_users_is_told() {
    let home = Home::new();
    let broker = Broker::start();
    let secret = home.write("broker.secret", "moss\n");
    fs::set_permissions(secret, fs::Permissions::from_mode(0o600)).unwrap();
    let settings = home.read("vernalog.toml");
    let more = format!(
        "[[broker]]\nhost = \"127.0.0.1\"\nport = {}\nuser = \"rowan\"\n\
         password_file = \"broker.secret\"\n",
        broker.port
    );
    home.write("vernalog.toml", &format!("{settings}\n{more}"));

    let all = findings(&home, 0);

    let (_, verdict, seen, remedy) = of(&all, "broker");
    assert_eq!(verdict, "doubtful");
    assert!(seen.contains("takes others without a name"), "{seen}");
    assert!(remedy.contains("anonymous"), "{remedy}");
    assert!(!seen.contains("moss"), "the password is told: {seen}");
}

/// `vernalog listen`, ended when dropped.
struct Listening {
    child: Child,
    lines: std::io::Lines<BufReader<std::process::ChildStdout>>,
}

impl Listening {
    fn to(house: &House) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_vernalog"))
            .args(["listen", "--json", "--for", "2min", "--data"])
            .arg(house.data())
            .env_remove("VERNALOG_SETTINGS")
            .current_dir(house.data().parent().unwrap())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut talk = BufReader::new(child.stderr.take().unwrap()).lines();
        while !talk.next().unwrap().unwrap().starts_with("listening") {}
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { child, lines }
    }

    fn next(&mut self) -> Value {
        serde_json::from_str(&self.lines.next().unwrap().unwrap()).unwrap()
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_boards_send_is_shown_as_it_comes() {
    let house = House::new();
    let daemon = house.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "stair").await;
    let say = |id, payload: &str| {
        crate::support::peer::publish(id, &topic("stair-landing"), payload)
    };
    peer.send(&say(1, &sample("aaaaaaaa", 1, 60, 17.5))).await;
    peer.expect(&puback(1)).await;
    let mut listening = Listening::to(&house);

    peer.send(&say(2, &sample("aaaaaaaa", 2, 120, 17.75))).await;
    peer.expect(&puback(2)).await;
    let undated = listening.next();
    peer.send(&say(3, "{\"seq\": frost}")).await;
    peer.expect(&puback(3)).await;
    let refused = listening.next();

    // Its start is too young to say when that was.
    assert_eq!(undated["event"], "undated");
    assert_eq!(undated["board"], "stair-landing");
    assert_eq!(undated["value"], 17.75);
    assert_eq!(refused["event"], "refused");
    assert_eq!(refused["bytes"], "{\"seq\": frost}");
    daemon.stop().await;
}

#[test]
fn listening_in_vain_says_so_and_answers_no() {
    let home = Home::new();
    let ran = home.run("listen --for 0s").says_no();
    assert!(ran.stderr().contains("the daemon does not run"));
    assert!(ran.stderr().contains("vernalog diagnose"));
    let ran = home.run("listen --for soon").fails();
    assert!(ran.stderr().contains("\"soon\" is no length of time"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn gaps_and_starts_of_each_board_are_in_status() {
    let house = House::new();
    let daemon = house.start().await;
    let mut peer = Peer::welcome(daemon.inlet(), "stair").await;
    for (id, boot, seq) in
        [(1, "aaaaaaaa", 1), (2, "aaaaaaaa", 4), (3, "bbbbbbbb", 1)]
    {
        let text = sample(boot, seq, 60 * i64::from(id), 17.5);
        let topic = topic("stair-landing");
        peer.send(&crate::support::peer::publish(id, &topic, &text)).await;
        peer.expect(&puback(id)).await;
    }
    daemon.stop().await;

    let home = Home::empty();
    fs::copy(house.data(), home.path().join("vernalog.db")).unwrap();
    let ran = home.run("status --data vernalog.db --json");

    let value: Value = serde_json::from_str(&ran.stdout()).unwrap();
    let numbers = &value["numbers"][0];
    assert_eq!(numbers["board"], "stair-landing");
    assert_eq!(numbers["starts"], 2);
    assert_eq!(numbers["stored"], 3);
    assert_eq!(numbers["missing"], 2);
}
