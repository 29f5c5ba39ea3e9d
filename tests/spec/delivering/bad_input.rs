//! Bad settings and other sides that say no: clear words at the start and in
//! `status`, no secret in them, and the other channels go on.

use std::process::{Child, Command, Stdio};

use crate::delivering::ways::{channel, mail_settings, warm_sill};
use crate::support::broker::{Broker, free_port};
use crate::support::home::Home;
use crate::support::house::until;
use crate::support::receivers::{MailServer, PASSWORD};
use crate::support::secret;

#[tokio::test]
async fn a_wrong_password_is_told_as_one_and_never_shown() {
    let server = MailServer::start();
    let mail = channel(&mail_settings(&server, "wrong-word-77"));
    for error in [
        mail.try_out().await.unwrap_err(),
        mail.send(&warm_sill(1), None).await.unwrap_err(),
    ] {
        let told = error.to_string();
        assert!(told.contains("refused the login of \"rowan\""), "{told}");
        assert!(told.contains("535"), "{told}");
        assert!(!told.contains("wrong-word-77"), "{told}");
    }
    // A server whose certificate nobody vouches for gets no password.
    let text = mail_settings(&server, PASSWORD);
    let stranger: String = text
        .lines()
        .filter(|l| !l.starts_with("ca_file"))
        .fold(String::new(), |all, line| all + line + "\n");
    let told = channel(&stranger).try_out().await.unwrap_err().to_string();
    assert!(told.contains("cannot talk to the mail server"), "{told}");
    assert!(told.to_lowercase().contains("certificate"), "{told}");

    let broker = Broker::start_without_guests();
    let file = secret("wrong-word-77");
    let out = channel(&format!(
        "kind = \"mqtt\"\nhost = \"127.0.0.1\"\nport = {}\n\
         user = \"vernalog\"\npassword_file = {file:?}\n",
        broker.port
    ));
    let told = out.try_out().await.unwrap_err().to_string();
    assert!(told.contains("refused the login"), "{told}");
}

/// The program with these channels; killed when dropped.
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

#[tokio::test]
async fn bad_channels_are_told_at_the_start_and_in_status_and_others_go_on() {
    let server = MailServer::start();
    let home = Home::new();
    let settings = home.read("vernalog.toml");
    let open = home.write("open.secret", "moist-chill-42");
    drop(open);
    let mail = |name: &str, more: &str| {
        format!(
            "[[channel]]\nkind = \"mail\"\nname = \"{name}\"\n\
             from = \"a@example.org\"\ntime_out_secs = 5\n{more}"
        )
    };
    let closed = free_port();
    let channels = [
        mail("address", "host = \"localhost\"\nto = [\"rowan\"]\n"),
        mail(
            "nobody-there",
            &format!(
                "host = \"localhost\"\nport = {closed}\n\
                 to = [\"b@example.org\"]\n"
            ),
        ),
        mail(
            "open-secret",
            "host = \"localhost\"\nuser = \"rowan\"\n\
             password_file = \"open.secret\"\nto = [\"b@example.org\"]\n",
        ),
        "[[channel]]\nkind = \"webhook\"\nurl = \"gopher://x/token-9\"\n"
            .to_owned(),
        format!("[[channel]]\n{}", mail_settings(&server, PASSWORD)),
    ];
    home.write("vernalog.toml", &(settings + &channels.join("")));
    let log = std::fs::File::create(home.path().join("log")).unwrap();
    let daemon = Command::new(env!("CARGO_BIN_EXE_vernalog"))
        .args(["run"])
        .current_dir(home.path())
        .env_remove("VERNALOG_SETTINGS")
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .unwrap();
    let _daemon = Daemon(daemon);
    let said = until("every channel was tried", || {
        let ran = home.run("status --json");
        let status = ran.objects().pop()?;
        let channels = status["channels"].as_array()?.clone();
        let tried = channels.iter().filter(|c| c["works"].is_boolean()).count();
        (tried == 5).then_some(channels)
    })
    .await;
    let works: Vec<(&str, bool)> = said
        .iter()
        .map(|c| {
            let name = c["channel"].as_str().unwrap_or("unusable");
            (name, c["works"].as_bool().unwrap())
        })
        .collect();
    assert_eq!(
        works,
        [
            ("nobody-there", false),
            ("open-secret", false),
            ("mail", true),
            ("unusable", false),
            ("unusable", false),
        ]
    );
    let status = home.run("status").stdout();
    let log = home.read("log");
    for (in_status, in_log) in [
        (
            "in the settings: channel \"address\": `to` is \"rowan\"",
            "no mail address",
        ),
        (
            "in the settings: channel \"webhook\"",
            "neither http:// nor https://",
        ),
        (
            "nobody-there: does not work: cannot talk to",
            "cannot talk to the mail",
        ),
        ("open-secret: does not work: the secret file", "chmod 640"),
        ("mail: works", "running"),
    ] {
        assert!(status.contains(in_status), "{in_status}\n{status}");
        assert!(log.contains(in_log), "{in_log}\n{log}");
    }
    for text in [status, log, home.run("status --json").stdout()] {
        assert!(!text.contains("moist-chill-42"), "{text}");
        assert!(!text.contains("token-9"), "{text}");
    }
}
