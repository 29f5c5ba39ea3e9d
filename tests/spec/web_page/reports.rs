//! The report made and shown on the phone, and the health of the collecting.

use std::fs;

use vernalog::trial::entry::{Check, Counted, Look, Statement};

use crate::support::broker::publish;
use crate::support::house::{House, name, sample, topic, until_true};
use crate::support::phone::{Phone, Says};
use crate::web_page::{house_with_boxes, record};

fn counted(house: &House) {
    for (unit, new) in [("r01", 4), ("r13", 9)] {
        let check = Check {
            unit: name(unit),
            germinated: Counted::New(new),
            mouldy_now: 0,
            removed_mould: 0,
            removed_other: 0,
            medium: String::new(),
            looked: Look::Opened,
            note: String::new(),
            by: String::new(),
        };
        record(house, vec![Statement::Check(check)]);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_is_made_beside_the_data_and_shown_in_a_box_of_its_own() {
    let house = house_with_boxes();
    counted(&house);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/report").await.shows("No report was made here yet");
    phone.open("/report/rowan/index.html").await.answers(404);

    phone.open("/report").await;
    phone.send("/report/make", &[]).await.answers(200);
    let page = house.file("vernalog.db.reports/rowan/index.html");
    until_true("the report is there", || page.exists()).await;
    loop {
        phone.open("/report").await;
        if !phone.page.body.contains("is being made") {
            break;
        }
        phone.page.shows("Look again");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    phone.page.shows("Read the report of rowan").shows("Make it anew");

    let report = phone.open("/report/rowan/index.html").await.clone();
    report.answers(200).shows("Six or twelve weeks?");
    assert_eq!(report.body, fs::read_to_string(&page).unwrap());
    let csp = report.header("content-security-policy").unwrap();
    // Without allow-same-origin, -scripts and -forms it can reach none of
    // our forms, whatever is in it.
    assert!(csp.starts_with("sandbox allow-downloads allow-popups;"), "{csp}");
    assert!(csp.contains("default-src 'none'; style-src 'unsafe-inline'"));
    let results = phone.open("/report/rowan/results.json").await;
    results.answers(200).shows("vernalog-results/");
    for odd in
        ["../../vernalog.db", "..%2f..%2fvernalog.db", "index.html.1.new"]
    {
        let page = phone.open(&format!("/report/rowan/{odd}")).await;
        page.answers(404);
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn why_there_is_no_report_is_told() {
    let mut house = house_with_boxes();
    let program = &mut house.web.as_mut().unwrap().program;
    program[2] = house_file_that_is_missing();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/report").await;
    phone.send("/report/make", &[]).await;
    loop {
        phone.open("/report").await;
        if phone.page.body.contains("could not be made") {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    phone.page.shows("cannot read the settings file");
    let mut fields = phone.filled("/report/make", &[]);
    fields.retain(|(field, _)| field != "trial");
    fields.push(("trial".to_owned(), "<b>../x".to_owned()));
    let says = phone.says(&fields);
    let page = phone.ask("/report/make", &says).await;
    page.answers(422).shows("no such trial").does_not_show("<b>");
    daemon.stop().await;
}

fn house_file_that_is_missing() -> std::ffi::OsString {
    "/nowhere/vernalog.toml".into()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn health_says_what_status_says() {
    let mut house = house_with_boxes();
    house.inlet = House::new().inlet;
    let daemon = house.start().await;
    let (inlet, web) = (daemon.inlet().port(), daemon.web());
    tokio::task::spawn_blocking(move || {
        let topic = topic("sill-board");
        for seq in [1, 2, 9] {
            let sample = sample("k3v9q0tz1x", seq, 60, 3.6);
            publish(inlet, &topic, &sample, &["-V", "mqttv311"]);
        }
        let bad = "{\"temperature_celsius\":\"<script>alert(1)</script>\"}";
        publish(inlet, &topic, bad, &["-V", "mqttv311"]);
    })
    .await
    .unwrap();
    house.clock.pass(60);
    house.until_the_daemon_looked().await;

    let mut phone = Phone::new(web);
    phone.open("/health").await.answers(200);
    phone
        .page
        .shows("<h3>inlet</h3>")
        .shows("listening, 4 messages")
        .shows("6 never came")
        .shows("3 stored")
        .shows("refused messages: 1")
        .shows("The last that were refused (1)")
        .shows("&lt;script&gt;alert(1)")
        .does_not_show("<script>alert")
        .shows("Free on its disk")
        .shows("the settings name no folder");
    phone.open("/").await.shows("href=\"/health\"");
    let says = Says { method: "POST", ..phone.says(&[]) };
    phone.ask("/health", &says).await.answers(403);
    daemon.stop().await;
}
