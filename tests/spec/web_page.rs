//! Pages for the phone: counting in seconds, and nothing that the ledger
//! would not take; shut to everybody else.

mod accessible;
mod alert_seen;
mod browser;
mod counting;
mod forms;
mod from_nothing;
mod hostile;
mod live;
mod offline;
mod programs;
mod reports;
mod setting_up;
mod shut;
mod unit_page;

use vernalog::exchange::times::ZoneRule;
use vernalog::trial::book::Book;
use vernalog::trial::entry::{
    Batch, Container, Lid, Lot, PlaceKind, Statement,
};
use vernalog::trial::unit::Unit;
use vernalog::web;

use crate::support::house::{House, name};
use crate::support::pages::addresses;

/// A house with pages.
pub(crate) fn with_pages() -> House {
    let mut house = House::new();
    house.web = Some(web::Opening {
        settings: web::Settings {
            listen: ([127, 0, 0, 1], 0).into(),
            ..web::Settings::default()
        },
        password_file: house.file(web::PASSWORD_FILE),
        token_file: house.file(web::TOKEN_FILE),
        program: this_program(&house),
        zone: ZoneRule {
            zone: chrono_tz::Europe::Dublin,
            evening: chrono::NaiveTime::from_hms_opt(20, 0, 0).unwrap(),
        },
    });
    house
}

/// A house with pages, and 24 boxes of 20 seeds at two places.
pub(crate) fn house_with_boxes() -> House {
    let mut house = with_pages();
    house.inlet = None;
    let mut said = vec![Statement::Trial {
        trial: name("rowan"),
        question: "Six or twelve weeks?".to_owned(),
        planned: Vec::new(),
    }];
    said.extend(["stair-landing", "boiler-shelf"].map(|place| {
        Statement::Place {
            place: name(place),
            place_kind: PlaceKind::Shelf,
            light_source: String::new(),
            title: String::new(),
        }
    }));
    said.push(Statement::Lot(Lot {
        lot: name("hedge"),
        species: "Sorbus aucuparia".to_owned(),
        supplier: String::new(),
        collected: String::new(),
        received: String::new(),
        storage: String::new(),
        factors: Default::default(),
    }));
    said.push(Statement::Batch(Batch {
        batch: name("hedge-12"),
        lot: Some(name("hedge")),
        parent: None,
        seeds: 480,
        label: None,
        factors: Default::default(),
    }));
    for i in 1..=24 {
        let container = name(&format!("r{i:02}"));
        said.push(Statement::Container(Container {
            container: container.clone(),
            batch: Some(name("hedge-12")),
            seeds: 20,
            lid: Lid::Closed,
            label: None,
            factors: Default::default(),
        }));
        let place = if i <= 12 { "stair-landing" } else { "boiler-shelf" };
        said.push(Statement::Stay {
            unit: container,
            place: Some(name(place)),
            until: None,
            moist: true,
            position: String::new(),
        });
    }
    record(&house, said);
    house.clock.pass(86_400);
    house
}

/// The program as the daemon starts it for a report.
fn this_program(house: &House) -> Vec<std::ffi::OsString> {
    let settings = house.file("vernalog.toml");
    let data = house.data().display().to_string();
    let text = format!("time_zone = \"Europe/Dublin\"\ndata = {data:?}\n");
    std::fs::write(&settings, text).unwrap();
    vec![
        env!("CARGO_BIN_EXE_vernalog").into(),
        "--settings".into(),
        settings.into(),
    ]
}

/// Writes into the ledger as the command line does.
pub(crate) fn record(house: &House, said: Vec<Statement>) {
    house.record_in(Some(&name("rowan")), said);
}

/// A box as the ledger has it.
pub(crate) fn unit(house: &House, called: &str) -> Unit {
    let (book, problems) = Book::build(&house.store().ledger().unwrap());
    assert_eq!(problems, []);
    book.trials["rowan"].units[called].clone()
}

/// The address of a box: the one on its label.
pub(crate) fn at(house: &House, called: &str) -> String {
    format!("/u/{}", unit(house, called).label.unwrap())
}

pub(crate) fn n_entries(house: &House) -> usize {
    house.store().ledger().unwrap().len()
}

/// What stands in an address of the pages for a part in braces.
pub(crate) fn part(house: &House) -> impl Fn(&str) -> String {
    let unit = at(house, "r01").replace("/u/", "");
    move |name| {
        match name {
            "unit" => &unit,
            "name" | "place" => "stair-landing",
            "trial" => "rowan",
            "file" => "index.html",
            "other" => "x",
            "id" => "1",
            new => panic!("say here what {{{new}}} stands for"),
        }
        .to_owned()
    }
}

/// Every address of the pages that can be looked at.
pub(crate) fn gets(house: &House) -> Vec<String> {
    let all = addresses().into_iter().filter(|address| address.get);
    all.flat_map(|address| address.filled(part(house))).collect()
}

/// Every address of the pages that changes something; those for programs
/// are left out.
pub(crate) fn posts(house: &House) -> Vec<String> {
    addresses()
        .into_iter()
        .filter(|address| address.post && !address.path.starts_with("/api/"))
        .flat_map(|address| address.filled(part(house)))
        .collect()
}

/// Sets the password of the pages.
pub(crate) fn with_password(house: &House, password: &str) {
    let text = web::password_text(password).unwrap();
    std::fs::write(house.file(web::PASSWORD_FILE), text).unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn other_machines_are_let_in_only_when_there_is_a_password() {
    let mut house = house_with_boxes();
    let opening = house.web.as_mut().unwrap();
    opening.settings.listen = ([0, 0, 0, 0], 0).into();

    let clock = house.clock_for_the_daemon();
    let running = vernalog::daemon::start(house.plan(), clock).await.unwrap();
    assert!(running.web.is_none());
    let told = running.broken.join("\n");
    assert!(told.contains("vernalog password --web"), "{told}");
    running.stop().await;

    with_password(&house, "moist-chill");
    let daemon = house.start().await;
    assert!(daemon.web().port() > 0);
    daemon.stop().await;
}

/// A reader that takes its time does not hold up the end.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_open_connection_does_not_keep_the_daemon_from_stopping() {
    use tokio::io::AsyncWriteExt as _;
    let house = house_with_boxes();
    let daemon = house.start().await;
    let mut idle = tokio::net::TcpStream::connect(daemon.web()).await.unwrap();
    idle.write_all(b"GET / HTTP/1.1\r\nHost: loc").await.unwrap();
    let begin = std::time::Instant::now();
    daemon.stop().await;
    assert!(begin.elapsed().as_secs() < 15, "{:?}", begin.elapsed());
}

/// The password set on the command line is the one that the pages ask for.
#[test]
fn the_command_line_sets_the_password_and_keeps_only_its_hash() {
    let home = crate::support::home::Home::new();
    home.run_with("password --web --stdin", "moist-chill\n")
        .succeeds()
        .answers("next start");
    let kept = home.read(web::PASSWORD_FILE);
    assert!(kept.starts_with("$argon2id$v=19$"), "{kept}");
    assert!(!kept.contains("moist-chill"));
    home.run_with("password --web --stdin", "short\n").fails();
    home.run("password").fails();
    assert_eq!(home.read(web::PASSWORD_FILE), kept);
}
