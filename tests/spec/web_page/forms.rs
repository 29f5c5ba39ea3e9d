//! Every form of every page, sent with random content: nothing breaks,
//! nothing is half written, and no script ever comes back as one.

use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use vernalog::store::{Access, Store};
use vernalog::trial::book::Book;

use crate::support::house::say;
use crate::support::long;
use crate::support::phone::Phone;
use crate::web_page::{gets, house_with_boxes, n_entries};

const SEED: u64 = 20_260_210;
/// A text that is script if anybody forgets to escape it.
const SCRIPT: &str = "\"'></textarea></title><script>alert(1)</script><b x=";
/// So often a form of a page is sent before the page is read again.
const OF_ONE_PAGE: usize = 10;

/// A field as a page has it, with what may be chosen.
#[derive(Debug, Clone)]
struct Field {
    name: String,
    kind: String,
    values: Vec<String>,
}

#[derive(Debug, Clone)]
struct Form {
    action: String,
    fields: Vec<Field>,
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let rest = tag.split(&format!(" {name}=\"")).nth(1)?;
    let value = rest.split('"').next()?;
    let plain = value
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    Some(plain)
}

/// The forms of a page that change something.
fn forms(body: &str) -> Vec<Form> {
    body.split("<form")
        .skip(1)
        .filter_map(|rest| {
            let (tag, rest) = rest.split_once('>')?;
            let inside = rest.split("</form>").next()?;
            let posts = attribute(tag, "method")?.eq_ignore_ascii_case("post");
            posts.then_some(())?;
            let action = attribute(tag, "action")?;
            Some(Form { action, fields: fields(inside) })
        })
        .collect()
}

fn fields(inside: &str) -> Vec<Field> {
    let mut fields: Vec<Field> = Vec::new();
    for piece in inside.split('<').skip(1) {
        let tag = piece.split('>').next().unwrap();
        let kind = tag.split_whitespace().next().unwrap_or_default();
        if kind == "option" {
            let value = attribute(tag, "value").unwrap_or_default();
            fields.last_mut().unwrap().values.push(value);
            continue;
        }
        if !["input", "select", "textarea", "button"].contains(&kind) {
            continue;
        }
        let Some(name) = attribute(tag, "name") else { continue };
        let kind = attribute(tag, "type").unwrap_or(kind.to_owned());
        let value = attribute(tag, "value");
        let known = fields.iter_mut().find(|f| f.name == name);
        match known {
            Some(known) => known.values.extend(value),
            None => fields.push(Field {
                name,
                kind,
                values: value.into_iter().collect(),
            }),
        }
    }
    fields
}

fn typed(random: &mut ChaCha8Rng) -> String {
    const WORDS: [&str; 22] = [
        "",
        "0",
        "1",
        "2",
        "3",
        "20",
        "21",
        "-1",
        "1.5",
        "999999999999",
        "r02",
        "r24",
        "nobody",
        "rowan",
        "new-name",
        "2026-02-09",
        "2026-02-30 25:61",
        "1970-01-01",
        "9999-12-31",
        "é²\u{202e}",
        "\0\r\n",
        SCRIPT,
    ];
    match random.random_range(0..40) {
        0 => "x".repeat(random.random_range(0..3_000)),
        1 => (0..20).map(|_| random.random::<char>()).collect(),
        _ => (*WORDS.choose(random).unwrap()).to_owned(),
    }
}

fn filled(form: &Form, random: &mut ChaCha8Rng) -> Vec<(String, String)> {
    let mut sent = Vec::new();
    for field in &form.fields {
        let known = field.values.choose(random).cloned();
        let value = match (&*field.name, &*field.kind) {
            ("token", _) => known.unwrap_or_default(),
            // Mostly a new form, sometimes one that was sent before.
            ("form", _) if random.random_bool(0.9) => {
                format!("{:032x}", random.random::<u128>())
            }
            ("form", _) => known.unwrap_or_default(),
            (_, "text" | "textarea" | "password") => {
                if random.random_bool(0.5) {
                    known.unwrap_or_default()
                } else {
                    typed(random)
                }
            }
            _ if random.random_bool(0.9) => known.unwrap_or_default(),
            _ => typed(random),
        };
        if random.random_bool(0.95) || field.name == "token" {
            sent.push((field.name.clone(), value));
        }
    }
    if random.random_bool(0.02) {
        sent.push((typed(random), typed(random)));
    }
    sent
}

/// 10,000 forms with `VERNALOG_LONG`, else 1,000.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn random_forms_break_nothing_and_leave_nothing_half_written() {
    let mut house = house_with_boxes();
    house.web.as_mut().unwrap().program.clear();
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let wanted = if long() { 10_000 } else { 1_000 };
    let pages: Vec<String> = gets(&house)
        .into_iter()
        .chain(["/tally?all=1".to_owned()])
        .chain(["/round/others?place=stair-landing".to_owned()])
        // The stream of events never ends.
        .filter(|page| page != "/live" && !page.starts_with("/api/"))
        .collect();
    let mut counted = std::collections::BTreeMap::<u16, usize>::new();
    let mut actions = std::collections::BTreeSet::new();
    let mut sent = 0;
    while sent < wanted {
        let page = pages.choose(&mut random).unwrap();
        let read = phone.open(page).await.clone();
        assert!(read.status < 500 && read.status > 0, "{page}: {read:?}");
        is_harmless(&read.body, page);
        let forms = forms(&read.body);
        for _ in 0..OF_ONE_PAGE {
            let Some(form) = forms.choose(&mut random) else { break };
            let fields = filled(form, &mut random);
            let says = phone.says(&fields);
            let answer = phone.ask(&form.action, &says).await;
            let scene = format!("seed {SEED}, {} {fields:?}", form.action);
            assert!((200..500).contains(&answer.status), "{scene}: {answer:?}");
            is_harmless(&answer.body, &scene);
            *counted.entry(answer.status).or_default() += 1;
            actions.insert(form.action.clone());
            sent += 1;
        }
        house.clock.pass(7);
    }
    let entries = house.store().ledger().unwrap();
    let (_, problems) = Book::build(&entries);
    assert_eq!(problems, [], "seed {SEED}");
    say(&format!(
        "{sent} random forms to {} addresses (seed {SEED}): answers \
         {counted:?}, {} entries",
        actions.len(),
        n_entries(&house)
    ));
    assert!(counted[&303] > wanted / 20, "hardly a form was taken");
    assert!(counted[&422] > wanted / 20, "hardly a form was refused");
    daemon.stop().await;
    let store = Store::open(&house.data(), Access::ReadOnly).unwrap();
    let wrong: Vec<_> = store
        .verify(true)
        .into_iter()
        .filter(|finding| !finding.sound)
        .collect();
    assert!(wrong.is_empty(), "seed {SEED}: {wrong:?}");
}

#[track_caller]
fn is_harmless(body: &str, scene: &str) {
    for bad in ["<script>", "<b x="] {
        assert!(!body.contains(bad), "{bad} in {scene}\n{body}");
    }
}
