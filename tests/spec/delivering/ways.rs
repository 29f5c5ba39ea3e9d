//! Each way out, against the real other side.

use vernalog::alert::{Alert, AlertId, AlertKind, Change, Severity};
use vernalog::notify::body::AlertJson;
use vernalog::notify::{Channel, Settings, channels, webhook};
use vernalog::observation::Quantity;
use vernalog::units::Instant;

use crate::support::house::name;
use crate::support::receivers::{Does, Endpoint, MailServer, PASSWORD, USER};
use crate::support::secret;

/// The channel that these settings describe.
pub(crate) fn channel(text: &str) -> Channel {
    let settings: Settings = toml::from_str(text).unwrap();
    let (mut good, bad) = channels(vec![settings]);
    assert_eq!(bad, []);
    good.remove(0)
}

/// A sill that is too warm, as it is told the `attempt`-th time.
pub(super) fn warm_sill(attempt: u32) -> AlertJson {
    let at = Instant::from_millis(1_773_489_600_000);
    let alert = Alert {
        id: AlertId::new("south-sill-temperature", at),
        kind: AlertKind::Range,
        watch: "south-sill-temperature".to_owned(),
        place: Some(name("south-sill")),
        quantity: Some(Quantity::Temperature),
        state: Change::Raised,
        since: at.plus_millis(-2_700_000),
        at,
        value: Some(41.5),
        limit: Some(35.0),
        severity: Severity::Urgent,
        text: "Südfenster (south-sill): too warm. 41.5 °C.".to_owned(),
    };
    AlertJson::new(&alert, attempt)
}

pub(super) fn mail_settings(server: &MailServer, password: &str) -> String {
    let file = secret(password);
    format!(
        "kind = \"mail\"\nhost = \"localhost\"\nport = {}\nca_file = {:?}\n\
         user = \"{USER}\"\npassword_file = {file:?}\n\
         from = \"Seedbox <seedbox@example.org>\"\n\
         to = [\"rowan@example.org\", \"ash@example.org\"]\n\
         helo = \"seedbox.local\"\ntime_out_secs = 5\n",
        server.port,
        server.ca(),
    )
}

#[tokio::test]
async fn a_mail_goes_out_encrypted_with_a_login_and_a_stable_id() {
    let server = MailServer::start();
    let mail = channel(&mail_settings(&server, PASSWORD));
    mail.try_out().await.unwrap();
    assert_eq!(server.taken(), [serde_json::Value::Null; 0]);
    let page = Some("http://seedbox.local:8420/alert/x");
    for attempt in [1, 2] {
        mail.send(&warm_sill(attempt), page).await.unwrap();
    }

    let taken = server.taken();
    let [first, again] = taken.as_slice() else { panic!("{taken:?}") };
    assert_eq!(first["encrypted"], true);
    assert_eq!(first["login"], true);
    assert_eq!(first["hello"], "seedbox.local");
    assert_eq!(first["from"], "seedbox@example.org");
    let to = serde_json::json!(["rowan@example.org", "ash@example.org"]);
    assert_eq!(first["to"], to);
    assert_eq!(first["type"], "text/plain");
    assert_eq!(first["automatic"], "auto-generated");
    assert_eq!(first["subject"], "URGENT: Südfenster (south-sill): too warm");
    assert_eq!(
        first["message_id"],
        "<south-sill-temperature-20260314T120000.000Z-raised@example.org>"
    );
    assert_eq!(first["message_id"], again["message_id"]);
    let text = first["text"].as_str().unwrap();
    assert!(text.starts_with("Südfenster (south-sill): too warm. 41.5 °C."));
    assert!(text.contains("http://seedbox.local:8420/alert/x"), "{text}");
    assert!(text.contains("Alert south-sill-temperature-2026"), "{text}");
    let text = again["text"].as_str().unwrap();
    assert!(text.contains("try 2: this mail may have come before"));
}

#[tokio::test]
async fn a_mail_server_that_refuses_or_closes_has_not_taken_it() {
    let server = MailServer::start();
    let mail = channel(&mail_settings(&server, PASSWORD));
    for (mode, expected) in [("refuse", "451"), ("close", "cannot talk to")] {
        server.mode(mode);
        let error = mail.send(&warm_sill(1), None).await.unwrap_err();
        assert!(error.to_string().contains(expected), "{error}");
    }
    assert_eq!(server.taken(), [serde_json::Value::Null; 0]);
}

/// Source of the signature: RFC 2104 over the body as it arrived.
#[tokio::test]
async fn a_webhook_posts_the_documented_json_signed_and_follows_nothing() {
    let endpoint = Endpoint::start().await;
    let key = secret("a key of our own\n");
    let hook = channel(&format!(
        "kind = \"webhook\"\nurl = \"http://{}/alerts?to=rowan\"\n\
         secret_file = {key:?}\ntime_out_secs = 1\n",
        endpoint.address
    ));
    hook.try_out().await.unwrap();
    hook.send(&warm_sill(1), None).await.unwrap();
    let taken = endpoint.taken();
    let [post] = taken.as_slice() else { panic!("{taken:?}") };
    assert!(post.head.starts_with("POST /alerts?to=rowan HTTP/1.1\r\n"));
    assert_eq!(post.header("content-type").unwrap(), "application/json");
    assert_eq!(post.body, warm_sill(1).to_line());
    assert_eq!(
        post.header(webhook::SIGNATURE).unwrap(),
        webhook::signature(b"a key of our own", &post.body)
    );

    for (does, expected) in [
        (Does::Answer(500), "answered 500"),
        (Does::Answer(302), "redirects are not followed"),
        (Does::Close, "cannot talk to http://127.0.0.1:"),
        (Does::LoseTheAnswer, "cannot talk to"),
        (Does::Hang, "no answer in time"),
    ] {
        endpoint.does(does);
        let error = hook.send(&warm_sill(2), None).await.unwrap_err();
        let told = error.to_string();
        assert!(told.contains(expected), "{does:?}: {told}");
        assert!(!told.contains("to=rowan"), "{told}");
    }
    // The one whose answer was lost is a repeat that can be recognised.
    let taken = endpoint.taken();
    assert_eq!(taken.len(), 2);
    assert_eq!(taken[0].json()["message"], taken[1].json()["message"]);
}
