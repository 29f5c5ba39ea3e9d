//! Shut: what these pages do not do for strangers, forged forms, foreign
//! names, and texts that would like to be script.

use std::time::Duration;

use vernalog::trial::entry::{Batch, PlaceKind, Statement};

use crate::support::house::name;
use crate::support::phone::{Page, Phone, Says};
use crate::web_page::{
    at, house_with_boxes, n_entries, record, unit, with_password,
};

const PASSWORD: &str = "moist-chill";

/// Every address that changes something.
fn changes(unit: &str) -> Vec<String> {
    let own = [
        "count", "undo", "belongs", "move", "mould", "close", "transfer",
        "treat", "note", "seedling",
    ]
    .map(|change| format!("{unit}/{change}"));
    let others = [
        "/round/others",
        "/tally",
        "/who",
        "/logout",
        "/blind",
        "/setup/places",
        "/setup/grid",
        "/setup/boards",
        "/setup/undo",
        "/setup/unwatch",
    ];
    own.into_iter().chain(others.map(str::to_owned)).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_household_logs_in_and_lands_where_it_wanted_to_go() {
    let house = house_with_boxes();
    with_password(&house, PASSWORD);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");

    phone.open(&r01).await.shows("<h1>Log in</h1>").does_not_show("r01");
    phone
        .send("/login", &[("password", "warm-chill")])
        .await
        .answers(403)
        .shows("not the password")
        .does_not_show("warm-chill");
    phone
        .send("/login", &[("password", PASSWORD)])
        .await
        .answers(200)
        .shows("<h1>r01</h1>")
        .shows("Log out")
        .does_not_show("argon2");
    phone.send("/logout", &[]).await.shows("<h1>Log in</h1>");
    phone.open("/").await.shows("<h1>Log in</h1>");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn guessing_is_slowed_down() {
    let house = house_with_boxes();
    with_password(&house, PASSWORD);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/").await;
    for _ in 0..3 {
        phone.send("/login", &[("password", "guess")]).await.answers(403);
    }
    // Now even the right one has to wait.
    let page = phone.send("/login", &[("password", PASSWORD)]).await;
    page.answers(429).shows("try again in");
    assert!(page.header("retry-after").is_some());
    tokio::time::sleep(Duration::from_millis(2_100)).await;
    phone.send("/login", &[("password", PASSWORD)]).await.answers(200);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_changed_or_shown_without_the_password() {
    let house = house_with_boxes();
    with_password(&house, PASSWORD);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let before = n_entries(&house);

    phone.open("/").await;
    let token = phone.filled("/login", &[]);
    for address in changes(&r01) {
        let says = phone.says(&token);
        phone.ask(&address, &says).await.answers(403);
    }
    for address in [
        "/",
        "/round",
        "/round/others?place=stair-landing",
        "/tally",
        "/alerts",
        "/who",
        "/place/stair-landing",
        &r01,
        "/find?unit=r01",
        "/nowhere",
    ] {
        phone.open(address).await.shows("<h1>Log in</h1>");
        phone.page.does_not_show("stair-landing");
    }
    assert_eq!(n_entries(&house), before);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_forged_form_changes_nothing_with_or_without_password() {
    for password in [None, Some(PASSWORD)] {
        let house = house_with_boxes();
        if let Some(password) = password {
            with_password(&house, password);
        }
        let daemon = house.start().await;
        let mut phone = Phone::new(daemon.web());
        let r01 = at(&house, "r01");
        phone.open(&r01).await;
        if let Some(password) = password {
            phone.send("/login", &[("password", password)]).await.answers(200);
        }
        let before = n_entries(&house);
        let mut fields = phone.filled(&format!("{r01}/count"), &[]);
        fields.push(("do".to_owned(), "zero-opened".to_owned()));
        let good = phone.says(&fields);
        let without = |name: &str| {
            let mut less = fields.clone();
            less.retain(|(known, _)| known != name);
            phone.says(&less)
        };
        let (no_token, no_key) = (without("token"), without("form"));
        let mut wrong_token = fields.clone();
        wrong_token[0].1 = "0".repeat(32);
        let origin =
            |text: &str| Says { origin: Some(text.to_owned()), ..good.clone() };
        let forged = [
            (Says { origin: None, ..good.clone() }, 403),
            (origin("http://evil.example"), 403),
            (origin("null"), 403),
            (origin("https://localhost"), 403),
            (Says { host: "evil.example".to_owned(), ..good.clone() }, 421),
            (Says { host: String::new(), ..good.clone() }, 421),
            (Says { cookies: false, ..good.clone() }, 403),
            (no_token, 403),
            (phone.says(&wrong_token), 403),
            (Says { method: "PUT", ..good.clone() }, 405),
            (Says { kind: "text/plain", ..good.clone() }, 400),
            (Says { body: "%".repeat(70_000), ..good.clone() }, 413),
        ];
        for (says, status) in forged {
            for address in changes(&r01) {
                // A stranger's browser: what it is given is not kept.
                let page = phone.once(&address, &says).await;
                assert_eq!(page.status, status, "{address} {says:?}");
            }
        }
        // A form whose key is missing is no form of ours either.
        let count = format!("{r01}/count");
        phone.ask(&count, &no_key).await.answers(422);
        assert_eq!(n_entries(&house), before);
        phone.ask(&count, &good).await.answers(303);
        assert_eq!(n_entries(&house), before + 1);
        daemon.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_answer_to_our_own_names_only() {
    let house = house_with_boxes();
    let daemon = house.start().await;
    let port = daemon.web().port();
    let mut phone = Phone::new(daemon.web());
    let look = |host: String| Says {
        method: "GET",
        host,
        origin: None,
        kind: "",
        body: String::new(),
        cookies: true,
    };
    for ours in ["localhost", "127.0.0.1", "[::1]"] {
        let page = phone.ask("/", &look(format!("{ours}:{port}"))).await;
        page.answers(200);
        let csp = page.header("content-security-policy").unwrap();
        assert!(csp.starts_with("default-src 'none'"), "{csp}");
        let cookie = page.header("set-cookie").unwrap_or("HttpOnly Lax");
        assert!(cookie.contains("HttpOnly") && cookie.contains("Lax"));
    }
    for other in ["evil.example", "192.168.1.7", "localhost.evil.example"] {
        let page = phone.ask("/", &look(format!("{other}:{port}"))).await;
        page.answers(421).does_not_show("stair-landing");
    }
    let absolute = format!("http://evil.example:{port}/");
    let page = phone.ask(&absolute, &look(format!("localhost:{port}"))).await;
    page.answers(421);
    daemon.stop().await;
}

/// A text that is script if anybody forgets to escape it.
/// The page has no script but the one of all pages.
#[track_caller]
fn no_foreign_script(page: &Page) {
    let rest = page.body.replacen("<script src=\"/page.js", "", 1);
    assert!(!rest.contains("<script"), "{rest}");
}

const SCRIPT: &str = "\"'><script>alert(1)</script><b x=";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_script_in_any_free_text_is_shown_as_text() {
    let house = house_with_boxes();
    record(
        &house,
        vec![
            Statement::Place {
                place: name("sill"),
                place_kind: PlaceKind::Sill,
                light_source: SCRIPT.to_owned(),
                title: SCRIPT.to_owned(),
            },
            Statement::Batch(Batch {
                batch: name("spare"),
                lot: Some(name("hedge")),
                parent: None,
                seeds: 5,
                label: None,
                factors: [(SCRIPT.to_owned(), SCRIPT.to_owned())].into(),
            }),
        ],
    );
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let r01 = at(&house, "r01");
    let count = format!("{r01}/count");

    phone.open(&r01).await;
    let typed = [
        ("do", "count"),
        ("new", "1"),
        ("looked", "opened"),
        ("note", SCRIPT),
        ("by", SCRIPT),
    ];
    phone.send(&count, &typed).await.answers(200);
    house.clock.pass(10);
    let moved = format!("{r01}/move");
    let typed = [
        ("place", "sill"),
        ("position", SCRIPT),
        ("looked", "not"),
        ("moist", "moist"),
    ];
    phone.send(&moved, &typed).await.answers(200);
    let code = unit(&house, "r01").label.unwrap();
    for address in [
        "/",
        "/round",
        "/round/others?place=sill",
        "/tally?all=1",
        "/alerts",
        "/who",
        "/setup",
        "/setup/trials",
        "/setup/places",
        "/setup/lots",
        "/setup/batches",
        "/setup/containers",
        "/setup/grid?each=1&seeds=1&place=%3Cscript%3E&levels=%3Cscript%3E",
        "/setup/watches?low=%22%3E%3Cscript%3E",
        "/setup/notes?about=%22%3E%3Cscript%3E",
        "/setup/ledger",
        "/labels?rows=%22%3E%3Cscript%3E",
        "/place/sill",
        &r01,
        "/find?unit=%22%3E%3Cscript%3Ealert(1)%3C/script%3E",
        "/u/%22%3E%3Cscript%3Ealert(1)%3C%2Fscript%3E",
        "/place/%3Cscript%3Ealert(1)%3C%2Fscript%3E",
        "/tally?done=%3Cscript%3E",
        &format!("{r01}?done=%3Cscript%3E&undone=%3Cscript%3E"),
    ] {
        phone.open(address).await;
        no_foreign_script(&phone.page);
        phone.page.does_not_show("<b x=");
    }
    phone.open(&r01).await.shows("&lt;script&gt;alert(1)");
    // Sent back with what was typed, in each form.
    let code = code.to_string();
    let note = format!("{code}.note");
    let forms: [(&str, Vec<(&str, &str)>); 5] = [
        (&count, vec![("do", "count"), ("new", SCRIPT), ("note", SCRIPT)]),
        (&moved, vec![("place", "sill"), ("position", SCRIPT)]),
        (&format!("{r01}/belongs"), vec![("other", SCRIPT)]),
        (&format!("{r01}/close"), vec![("lost", SCRIPT)]),
        ("/tally", vec![(note.as_str(), SCRIPT), ("at", SCRIPT)]),
    ];
    for (action, typed) in forms {
        let page = if action == "/tally" { "/tally?all=1" } else { &*r01 };
        phone.open(page).await;
        let answer = phone.send(action, &typed).await;
        no_foreign_script(answer.answers(422));
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn odd_addresses_lead_nowhere() {
    let house = house_with_boxes();
    with_password(&house, PASSWORD);
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/").await;
    phone.send("/login", &[("password", PASSWORD)]).await.answers(200);
    for odd in [
        "/u/..%2f..%2fetc%2fpasswd",
        "/u/%00",
        "/u/%ff",
        "/u/",
        "/place/..%2fweb.passwd",
        "/web.passwd",
        "/style.css/../web.passwd",
        "//etc/passwd",
        "/../../etc/passwd",
        "/u/r01/count",
        "/vernalog.db",
        &format!("/u/{}", "a".repeat(5_000)),
    ] {
        let page = phone.open(odd).await.clone();
        assert!(
            (400..500).contains(&page.status),
            "{odd}: {}\n{}",
            page.status,
            page.body
        );
        page.does_not_show("argon2").does_not_show("root:");
    }
    phone.open("/").await.answers(200);
    daemon.stop().await;
}
