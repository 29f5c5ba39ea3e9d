//! How long the daemon takes for each page with a long log in the store,
//! while readings come in.
//!
//! ```text
//! cargo bench --bench pages                  30 days: seconds to prepare
//! VERNALOG_LONG=1 cargo bench --bench pages  a year: minutes and 1 GB
//! VERNALOG_DAYS=90 …                         as long as wanted
//! VERNALOG_STORE=/tmp/year.db …              makes it once, and keeps it
//! ```
//!
//! 21 places with a board each; temperature, humidity and light each minute
//! (33 million readings a year); 24 containers. Times are those of a request
//! over loopback, from its first byte to the answer's last; its share of CPU
//! is what the process takes meanwhile, without what the readings take.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark prints, and may fail"
)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant as Stopwatch};

use rumqttc::{AsyncClient, MqttOptions, QoS};
use rusqlite::{Connection, params};
use vernalog::daemon::clock::{Clock, host_now};
use vernalog::daemon::telling::Telling;
use vernalog::daemon::{Plan, start};
use vernalog::exchange::times::ZoneRule;
use vernalog::observation::Name;
use vernalog::source::inlet;
use vernalog::store::{Access, Keep, Records, Store};
use vernalog::trial::admission::OnConflict;
use vernalog::trial::entry::{
    Batch, Check, Container, Counted, Draft, Lid, Look, Lot, PlaceKind,
    Statement,
};
use vernalog::trial::when::When;
use vernalog::units::Instant;
use vernalog::web;

const PLACES: u32 = 21;
const CONTAINERS: u32 = 24;
const DAY: i64 = 86_400_000;
const ASKED: usize = 41;
const AIM: Duration = Duration::from_millis(50);

fn main() {
    let asked = std::env::var("VERNALOG_DAYS").ok();
    let days = match asked.and_then(|days| days.parse().ok()) {
        Some(days) => days,
        None if std::env::var_os("VERNALOG_LONG").is_some() => 365,
        None => 30,
    };
    let folder = tempfile::tempdir().unwrap();
    let data = std::env::var_os("VERNALOG_STORE").map_or_else(
        || folder.path().join("vernalog.db"),
        std::path::PathBuf::from,
    );
    let begin = Stopwatch::now();
    if !data.exists() {
        prepare(&data, days, host_now());
    }
    fill_up(&data, host_now());
    let size = std::fs::metadata(&data).unwrap().len() >> 20;
    println!(
        "{days} days, {PLACES} places × 3 quantities each minute: {} million \
         readings, {size} MiB, prepared in {:.0} s",
        i64::from(PLACES) * 3 * 1_440 * days / 1_000_000,
        begin.elapsed().as_secs_f64()
    );
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap()
        .block_on(measure(&data));
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn prepare(data: &Path, days: i64, now: Instant) {
    let first = now.plus_millis(-days * DAY);
    let mut store = Store::open(data, Access::Create).unwrap();
    record(&mut store, first, now);
    let bulk = Connection::open(data).unwrap();
    bulk.pragma_update(None, "synchronous", "OFF").unwrap();
    for place in 0..PLACES {
        for quantity in ["temperature", "humidity", "light"] {
            bulk.execute(
                "INSERT INTO series (board, probe, quantity, readings, \
                 first_ms, newest_ms, newest_value, newest_quality) \
                 VALUES (?1, 'air', ?2, ?3, ?4, ?5, 20.0, 0)",
                params![
                    format!("b{place}"),
                    quantity,
                    1_440 * days,
                    first.millis(),
                    now.millis() - 60_000
                ],
            )
            .unwrap();
        }
    }
    bulk.execute(
        "UPDATE added_up SET until_hour = ?1",
        [first.millis() / 3_600_000],
    )
    .unwrap();
}

/// Readings up to now, and their hours.
fn fill_up(data: &Path, now: Instant) {
    let bulk = Connection::open(data).unwrap();
    bulk.pragma_update(None, "synchronous", "OFF").unwrap();
    let last = "SELECT coalesce((SELECT max(at_ms) FROM reading), \
                (SELECT min(first_ms) FROM series) - 60000)";
    let last: i64 = bulk.query_row(last, [], |row| row.get(0)).unwrap();
    // A daily wave without the mathematics that SQLite may lack.
    let values = "WITH RECURSIVE minute(i) AS (SELECT 0 UNION ALL SELECT \
         i + 1 FROM minute WHERE i < 1439) INSERT INTO reading SELECT \
         ?1 + i * 60000, id, CASE quantity WHEN 'light' THEN \
         max(0, 500 - abs(720 - i)) * 30000 ELSE 12000 + 300 * id + \
         (720 - abs(720 - i)) * 10 + (i * 7919 % 37) * 20 END, 0 \
         FROM minute CROSS JOIN series WHERE ?1 + i * 60000 < ?2";
    let mut day = last + 60_000;
    while day < now.millis() {
        bulk.execute(values, [day, now.millis()]).unwrap();
        day += DAY;
    }
    bulk.execute(
        "UPDATE series SET newest_ms = (SELECT max(at_ms) FROM reading)",
        [],
    )
    .unwrap();
    drop(bulk);
    let mut store = Store::open(data, Access::ReadWrite).unwrap();
    while !store.add_up(now).unwrap() {}
}

/// Places, boards, and containers that were looked at every second day.
fn record(store: &mut Store, first: Instant, now: Instant) {
    let trial = name("rowan");
    let mut drafts = vec![Draft::new(
        Some(&trial),
        When::exactly(first),
        Statement::Trial {
            trial: trial.clone(),
            question: String::new(),
            planned: Vec::new(),
        },
    )];
    let mut say = |at: Instant, of: Option<&Name>, said: Statement| {
        drafts.push(Draft::new(of, When::exactly(at), said));
    };
    for place in 0..PLACES {
        say(
            first,
            None,
            Statement::Place {
                place: name(&format!("p{place}")),
                place_kind: PlaceKind::Shelf,
                light_source: String::new(),
                title: String::new(),
            },
        );
        say(
            first.plus_millis(7 * 60_000),
            None,
            Statement::BoardStay {
                board: name(&format!("b{place}")),
                probe: name("air"),
                place: Some(name(&format!("p{place}"))),
                until: None,
                position: String::new(),
            },
        );
    }
    let own = Some(&trial);
    say(
        first,
        own,
        Statement::Lot(Lot {
            lot: name("hedge"),
            species: "Sorbus aucuparia".to_owned(),
            supplier: String::new(),
            collected: String::new(),
            received: String::new(),
            storage: String::new(),
            factors: Default::default(),
        }),
    );
    say(
        first,
        own,
        Statement::Batch(Batch {
            batch: name("hedge-12"),
            lot: Some(name("hedge")),
            parent: None,
            seeds: CONTAINERS * 30,
            label: None,
            factors: Default::default(),
        }),
    );
    let sown = now.plus_millis(-28 * DAY);
    for i in 0..CONTAINERS {
        let container = name(&format!("r{i}"));
        say(
            sown,
            own,
            Statement::Container(Container {
                container: container.clone(),
                batch: Some(name("hedge-12")),
                seeds: 30,
                lid: Lid::Closed,
                label: None,
                factors: Default::default(),
            }),
        );
        say(
            sown,
            own,
            Statement::Stay {
                unit: container.clone(),
                place: Some(name(&format!("p{}", i % 4))),
                until: None,
                moist: true,
                position: String::new(),
            },
        );
        for day in (2..28).step_by(2) {
            say(
                sown.plus_millis(day * DAY + i64::from(i) * 5_000),
                own,
                Statement::Check(Check {
                    unit: container.clone(),
                    germinated: Counted::New(1),
                    mouldy_now: 0,
                    removed_mould: 0,
                    removed_other: 0,
                    medium: String::new(),
                    looked: Look::ThroughLid,
                    note: String::new(),
                    by: String::new(),
                }),
            );
        }
    }
    let recorded = store
        .record(&Records {
            drafts: &drafts,
            on_conflict: OnConflict::Refuse,
            keep: Keep::AllOrNothing,
            by: "rowan",
            origin: "command",
            now,
            dry_run: false,
        })
        .unwrap();
    assert_eq!(recorded.refused, []);
}

async fn measure(data: &Path) {
    let zone = chrono_tz::Europe::Dublin;
    let loopback = SocketAddr::from(([127, 0, 0, 1], 0));
    let opening = web::Opening {
        settings: web::Settings { listen: loopback, ..Default::default() },
        password_file: data.with_file_name(web::PASSWORD_FILE),
        token_file: data.with_file_name(web::TOKEN_FILE),
        zone: ZoneRule { zone, evening: chrono::NaiveTime::MIN },
        program: Vec::new(),
    };
    let plan = Plan {
        data: data.to_owned(),
        zone,
        commit_every: Duration::from_secs(1),
        backup: None,
        inlet: Some(inlet::Settings {
            listen: loopback,
            ..inlet::Settings::default()
        }),
        brokers: Vec::new(),
        serial: Vec::new(),
        mappings: Vec::new(),
        channels: Vec::new(),
        telling: Telling::default(),
        web: Some(opening),
    };
    let running = start(plan, Clock::of_the_host()).await.unwrap();
    assert_eq!(running.broken, [""; 0]);
    let (over, sent) =
        (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
    let boards = tokio::spawn(send(
        running.inlet.unwrap(),
        Arc::clone(&over),
        Arc::clone(&sent),
    ));
    let web = running.web.unwrap();
    tokio::task::spawn_blocking(move || ask_all(web)).await.unwrap();
    over.store(true, Ordering::SeqCst);
    boards.await.unwrap();
    println!("meanwhile {} messages came in", sent.load(Ordering::SeqCst));
    running.stop().await;
}

/// Every board sends five times a second: three hundred times as often as
/// in a home.
async fn send(inlet: SocketAddr, over: Arc<AtomicBool>, sent: Arc<AtomicU64>) {
    let mut options = MqttOptions::new("bench", "127.0.0.1", inlet.port());
    options.set_keep_alive(Duration::from_secs(30));
    let (client, mut events) = AsyncClient::new(options, 100);
    let polling =
        tokio::spawn(async move { while events.poll().await.is_ok() {} });
    for seq in 0_u64.. {
        if over.load(Ordering::SeqCst) {
            break;
        }
        for board in 0..PLACES {
            let payload = format!(
                r#"{{"boot":"k3v9q0tz1x","seq":{seq},"up_ms":{},"temperature_celsius":18.5,"humidity_percent":61,"light_lux":250}}"#,
                seq * 200
            );
            let topic = format!("vernalog/b{board}/readings");
            client
                .publish(topic, QoS::AtLeastOnce, false, payload)
                .await
                .unwrap();
            sent.fetch_add(1, Ordering::SeqCst);
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    polling.abort();
}

fn ask_all(web: SocketAddr) {
    // Boards are heard before the first page is asked for.
    std::thread::sleep(Duration::from_secs(2));
    let (begin, used) = (Stopwatch::now(), cpu_seconds());
    std::thread::sleep(Duration::from_secs(5));
    let of_readings = (cpu_seconds() - used) / begin.elapsed().as_secs_f64();
    println!("readings alone take {:.1} % of a core", of_readings * 100.0);
    let mut all_met = true;
    for page in [
        "/",
        "/place/p1?span=day",
        "/place/p1?span=week",
        "/place/p1?span=month",
        "/place/p1?span=all",
        "/round",
        "/u/r1",
        "/round/others?place=p1",
        "/tally",
        "/alerts",
        "/setup",
        "/setup/boards",
        "/setup/ledger",
        "/setup/containers",
        "/labels",
        "/report",
        "/health",
    ] {
        let (begin, used) = (Stopwatch::now(), cpu_seconds());
        let mut took: Vec<Duration> =
            (0..ASKED).map(|_| ask(web, page)).collect();
        let used =
            cpu_seconds() - used - of_readings * begin.elapsed().as_secs_f64();
        took.sort_unstable();
        let median = took[ASKED / 2];
        all_met &= median <= AIM;
        let ms = |time: Duration| time.as_secs_f64() * 1e3;
        println!(
            "{page:24} median {:6.1} ms, fastest {:6.1}, slowest {:6.1}; \
             CPU {:5.1} ms",
            ms(median),
            ms(took[0]),
            ms(took[ASKED - 1]),
            used.max(0.0) * 1e3 / f64::from(u32::try_from(ASKED).unwrap())
        );
    }
    let met = if all_met { "met" } else { "missed" };
    println!("aim: each median under {} ms: {met}", AIM.as_millis());
}

/// CPU this process took so far, s (fields 14 and 15 of /proc/self/stat, in
/// hundredths of a second).
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let (_, after_name) = stat.rsplit_once(") ").unwrap();
    let fields: Vec<&str> = after_name.split(' ').collect();
    let ticks = |field: usize| fields[field].parse::<f64>().unwrap();
    (ticks(11) + ticks(12)) / 100.0
}

fn ask(web: SocketAddr, page: &str) -> Duration {
    let begin = Stopwatch::now();
    let mut stream = TcpStream::connect(web).unwrap();
    write!(
        stream,
        "GET {page} HTTP/1.1\r\nHost: {web}\r\nConnection: close\r\n\r\n"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{page}: {answer}");
    begin.elapsed()
}
