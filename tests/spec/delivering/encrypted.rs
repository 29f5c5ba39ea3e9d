//! Each way out by TLS, to real servers with a private authority: what it
//! vouches for is taken, and nobody else gets a word.

use std::path::Path;

use serde_json::Value;
use vernalog::daemon::heartbeat;
use vernalog::notify::Channel;

use crate::delivering::ways::{channel, mail_settings, warm_sill};
use crate::support::authority::Authority;
use crate::support::broker::{Broker, Listener};
use crate::support::house::{House, until_true};
use crate::support::receivers::{MailServer, PASSWORD, web_server};
use crate::support::secret;

#[tokio::test]
async fn a_mail_server_that_is_encrypted_from_the_first_byte_takes_mail() {
    let server = MailServer::start_encrypted();
    let settings = mail_settings(&server, PASSWORD) + "tls = \"tls\"\n";
    let mail = channel(&settings);
    mail.try_out().await.unwrap();
    mail.send(&warm_sill(1), None).await.unwrap();
    let taken = server.taken();
    let [mail] = taken.as_slice() else { panic!("{taken:?}") };
    assert_eq!(
        (&mail["encrypted"], &mail["login"]),
        (&true.into(), &true.into())
    );

    let wrong = mail_settings(&server, "wrong-word-77") + "tls = \"tls\"\n";
    let told = channel(&wrong).try_out().await.unwrap_err().to_string();
    assert!(told.contains("refused the login of \"rowan\""), "{told}");
    // Begun in clear, such a server is not understood, and gets no password.
    let clear = channel(&(mail_settings(&server, PASSWORD)));
    assert!(clear.try_out().await.is_err());
    assert_eq!(server.taken().len(), 1);
}

#[tokio::test]
async fn a_webhook_by_tls_is_posted_only_where_our_authority_vouches() {
    let server = web_server();
    let hook = |host: &str, ca: &str| {
        channel(&format!(
            "kind = \"webhook\"\nurl = \"https://{host}:{}/alerts\"\n\
             time_out_secs = 5\n{ca}",
            server.port
        ))
    };
    let ca = format!("ca_file = {:?}\n", server.ca());
    let good = hook("localhost", &ca);
    good.try_out().await.unwrap();
    good.send(&warm_sill(1), None).await.unwrap();
    let posts = |taken: Vec<Value>| -> Vec<Value> {
        taken.into_iter().filter(|one| one["method"] == "POST").collect()
    };
    let taken = posts(server.taken());
    let [post] = taken.as_slice() else { panic!("{taken:?}") };
    assert_eq!(post["path"], "/alerts");
    assert_eq!(post["body"], warm_sill(1).to_line());

    // Without the file, and under a name that is not in the certificate.
    for stranger in [hook("localhost", ""), hook("127.0.0.1", &ca)] {
        let told = stranger.send(&warm_sill(2), None).await.unwrap_err();
        let told = told.to_string().to_lowercase();
        assert!(told.contains("certificate"), "{told}");
    }
    assert_eq!(posts(server.taken()).len(), 1);
}

/// A broker by TLS that wants a login, and the channel to it.
pub(super) fn encrypted_broker(folder: &Path) -> (Broker, Authority, String) {
    let authority = Authority::new(folder, "ca");
    let pair = authority.signs("broker", &["localhost", "127.0.0.1"]);
    let mut broker = Broker::not_started(&format!(
        "allow_anonymous false\npassword_file FOLDER/users\n\
         certfile {}\nkeyfile {}\n",
        pair.certificate.display(),
        pair.key.display()
    ));
    broker.user("vernalog", PASSWORD);
    broker.go();
    let file = secret(PASSWORD);
    let settings = format!(
        "kind = \"mqtt\"\nhost = \"localhost\"\nport = {}\n\
         ca_file = {:?}\nuser = \"vernalog\"\npassword_file = {file:?}\n\
         time_out_secs = 5\n",
        broker.port, authority.file
    );
    (broker, authority, settings)
}

#[tokio::test]
async fn a_broker_by_tls_with_a_login_takes_alerts_and_no_stranger_gets_one() {
    let folder = tempfile::tempdir().unwrap();
    let (broker, authority, settings) = encrypted_broker(folder.path());
    let login =
        ["--cafile", authority.file.to_str().unwrap(), "-u", "vernalog"];
    let listener = Listener::start(
        broker.port,
        &[&login[..], &["-P", PASSWORD]].concat(),
        "vernalog/host/#",
    );
    let good = channel(&settings);
    good.try_out().await.unwrap();
    good.send(&warm_sill(1), None).await.unwrap();
    let told = until_heard(&listener, 1).await;
    let line = warm_sill(1).to_line();
    assert_eq!(told, [format!("vernalog/host/alerts {}", line.trim_end())]);
    // Not kept: whoever comes later is not told old alerts as new.
    let late = Listener::start(
        broker.port,
        &[&login[..], &["-P", PASSWORD]].concat(),
        "vernalog/host/#",
    );

    let other = Authority::new(folder.path(), "other").file;
    let own = format!("{:?}", authority.file);
    let stranger = channel(&settings.replace(&own, &format!("{other:?}")));
    let told = stranger.send(&warm_sill(2), None).await.unwrap_err();
    let told = told.to_string().to_lowercase();
    assert!(told.contains("certificate"), "{told}");
    let wrong = secret("wrong-word-77");
    let wrong = channel(
        &settings
            .lines()
            .filter(|l| !l.starts_with("password_file"))
            .fold(format!("password_file = {wrong:?}\n"), |all, line| {
                format!("{line}\n{all}")
            }),
    );
    let told = wrong.send(&warm_sill(2), None).await.unwrap_err().to_string();
    assert!(told.contains("refused the login"), "{told}");

    good.broker().unwrap().beat("{}").await.unwrap();
    assert_eq!(until_heard(&late, 1).await, ["vernalog/host/heartbeat {}"]);
}

async fn until_heard(listener: &Listener, n: usize) -> Vec<String> {
    until_true("the broker told it", || listener.heard().len() >= n).await;
    listener.heard()
}

/// The daemon's own heartbeat, whichever way.
async fn beats(
    settings: &str,
    channels: Vec<Channel>,
    heard: impl Fn() -> usize,
) {
    let mut home = House::new();
    let settings: heartbeat::Settings = toml::from_str(settings).unwrap();
    let understood = settings.understood(&channels, Path::to_owned);
    home.telling.heartbeat = Some(understood.unwrap());
    home.channels = channels;
    let daemon = home.start().await;
    for n in 1..=3 {
        until_true("a beat", || heard() >= n).await;
        assert_eq!(heard(), n, "not before its time");
        home.clock.pass(60);
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_heart_beats_by_https_and_at_a_broker_by_tls() {
    let server = web_server();
    let web = format!(
        "url = \"https://localhost:{}/alive/7\"\nca_file = {:?}\n\
         every = \"1min\"\n",
        server.port,
        server.ca()
    );
    beats(&web, Vec::new(), || server.taken().len()).await;
    let beat = server.taken().remove(0);
    assert_eq!(
        (&beat["method"], &beat["path"]),
        (&"GET".into(), &"/alive/7".into())
    );

    let folder = tempfile::tempdir().unwrap();
    let (broker, authority, settings) = encrypted_broker(folder.path());
    let ca = authority.file.to_str().unwrap();
    let listener = Listener::start(
        broker.port,
        &["--cafile", ca, "-u", "vernalog", "-P", PASSWORD],
        "vernalog/host/heartbeat",
    );
    let at_broker = "channel = \"mqtt\"\nevery = \"1min\"\n";
    beats(at_broker, vec![channel(&settings)], || listener.heard().len()).await;
    let heard = listener.heard().remove(0);
    assert!(heard.contains("vernalog-heartbeat/1"), "{heard}");
}
