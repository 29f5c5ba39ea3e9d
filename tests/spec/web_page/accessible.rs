//! Accessible: every page, looked through by axe-core in a browser for the
//! rules of WCAG 2.2 AA, light and dark, on a phone and on a desk; targets
//! large enough for a thumb; nothing to scroll sideways.

use std::path::Path;

use fantoccini::Client;
use serde_json::{Value, json};
use vernalog::trial::entry::{Check, Counted, Look, Statement};

use crate::support::browser::{Driver, fill, find, tap};
use crate::support::house::{House, name, say};
use crate::support::long;
use crate::support::phone::Phone;
use crate::web_page::{at, gets, house_with_boxes, record, with_password};

/// A thumb's width; WCAG 2.2 asks for 24 (2.5.8), its enhanced level for 44
/// (2.5.5).
const TARGET: f64 = 44.0;

/// Rules that axe-core knows under these names, beside its "best practice".
const RULES: [&str; 6] =
    ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];

/// A house in which every page has something to show.
fn house() -> House {
    let house = house_with_boxes();
    let check = |unit: &str| {
        Statement::Check(Check {
            unit: name(unit),
            germinated: Counted::New(2),
            mouldy_now: 1,
            removed_mould: 0,
            removed_other: 0,
            medium: "damp paper".to_owned(),
            looked: Look::Opened,
            note: "a fine note".to_owned(),
            by: "Róisín".to_owned(),
        })
    };
    record(&house, vec![check("r01")]);
    house.clock.pass(60);
    record(&house, vec![check("r02")]);
    house
}

/// The pages as HTML, each with what makes it show something.
async fn pages(house: &House, phone: &mut Phone) -> Vec<String> {
    let mut pages = Vec::new();
    let r01 = at(house, "r01");
    let more = [
        "/tally?all=1".to_owned(),
        "/round/others?place=stair-landing".to_owned(),
        "/nowhere".to_owned(),
        format!("{r01}?round=1"),
    ];
    for page in gets(house).into_iter().chain(more) {
        // The stream of events never ends.
        if page == "/live" {
            continue;
        }
        let seen = phone.open(&page).await;
        let kind = seen.header("content-type").unwrap_or_default();
        if kind.starts_with("text/html") {
            pages.push(page);
        }
    }
    assert!(pages.len() > 10, "{pages:?}");
    pages
}

const TARGETS: &str = r#"
const small = [];
for (const e of document.querySelectorAll(
    'button, a.button, input:not([type=hidden]), select, textarea, summary, nav a, label[for]')) {
  if (!e.checkVisibility() || e.closest('.unseen') || e.classList.contains('unseen')) continue;
  let box = e.getBoundingClientRect();
  if (e.matches('[type=radio], [type=checkbox]')) {
    const label = document.querySelector(`label[for="${e.id}"]`);
    if (!label) { small.push('no label: ' + e.outerHTML); continue; }
    box = label.getBoundingClientRect();
  } else if (e.matches('label')) continue;
  if (box.width < 1) continue;
  if (box.height < TARGET - 0.5 || box.width < 24)
    small.push(`${Math.round(box.width)} × ${Math.round(box.height)}: ${e.outerHTML.slice(0, 160)}`);
}
// A phone zooms out where a page is too wide: its own idea of its width is
// no measure.
const wide = document.documentElement.scrollWidth - WIDTH;
return { small, wide };
"#;

async fn problems(
    browser: &Client,
    page: &str,
    axe: &str,
    width: u16,
) -> Vec<String> {
    let mut told = Vec::new();
    let targets = TARGETS
        .replace("TARGET", &TARGET.to_string())
        .replace("WIDTH", &width.to_string());
    let seen = browser.execute(&targets, vec![]).await.unwrap();
    if !page.starts_with("/report/") {
        for small in seen["small"].as_array().unwrap() {
            told.push(format!("{page}: a small target: {small}"));
        }
    }
    if seen["wide"].as_i64().unwrap() > 0 {
        told.push(format!("{page}: {} px too wide", seen["wide"]));
    }
    browser.execute(axe, vec![]).await.unwrap();
    let found = browser
        .execute_async(
            "const done = arguments[arguments.length - 1]; \
             axe.run(document, { runOnly: arguments[0], \
             resultTypes: ['violations'] }).then(r => done(r.violations), \
             e => done([{ id: 'axe', help: String(e), nodes: [] }]));",
            vec![json!(RULES)],
        )
        .await
        .unwrap();
    for rule in found.as_array().unwrap() {
        let nodes: Vec<String> = rule["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|node| format!("{}\n    {}", node["html"], why(node)))
            .collect();
        told.push(format!(
            "{page}: {} ({})\n  {}",
            rule["id"],
            rule["help"],
            nodes.join("\n  ")
        ));
    }
    told
}

fn why(node: &Value) -> String {
    node["failureSummary"].as_str().unwrap_or_default().replace('\n', " ")
}

/// A check that finds nothing anywhere is none.
async fn a_bad_page_is_found_bad(browser: &Client, axe: &str, width: u16) {
    let bad = "data:text/html,<title>a</title><p style='color:silver'>pale words</p>\
               <img src='x'><button style='height:20px'>a</button>\
               <div style='width:3000px'>a</div>";
    browser.goto(bad).await.unwrap();
    let told = problems(browser, "bad", axe, width).await.join("\n");
    for rule in [
        "color-contrast",
        "image-alt",
        "html-has-lang",
        "a small target",
        "px too wide",
    ] {
        assert!(told.contains(rule), "{rule} is not in\n{told}");
    }
}

/// The first key leads to the link that skips the navigation.
async fn the_keyboard_begins_at_the_top(browser: &Client) {
    let body = find(browser, "body").await;
    body.send_keys("\u{e004}").await.unwrap();
    let focus = browser.active_element().await.unwrap();
    assert_eq!(focus.attr("class").await.unwrap().as_deref(), Some("skip"));
}

/// With `VERNALOG_PICTURES=FOLDER` each page is left there, to be looked at.
async fn picture(browser: &Client, page: &str, kind: &str) {
    let Some(folder) = std::env::var_os("VERNALOG_PICTURES") else { return };
    let name: String = page
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect();
    let path = Path::new(&folder).join(format!("{name}-{kind}.png"));
    std::fs::write(path, browser.screenshot().await.unwrap()).unwrap();
}

/// Both widths and both colours, crossed with `VERNALOG_LONG`.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_page_passes_an_accessibility_check() {
    let axe = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/spec/accessibility/axe.min.js");
    let axe = std::fs::read_to_string(axe).unwrap();
    let house = house();
    with_password(&house, "moist-chill");
    let daemon = house.start().await;
    let mut phone = Phone::new(daemon.web());
    phone.open("/").await;
    phone.send("/login", &[("password", "moist-chill")]).await.answers(200);
    phone.open("/report").await;
    phone.send("/report/make", &[]).await.answers(200);
    while phone.open("/report").await.body.contains("is being made") {
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    let pages = pages(&house, &mut phone).await;

    let driver = Driver::start();
    let mut told = Vec::new();
    let all = [(360, false), (1280, true), (360, true), (1280, false)];
    let runs = if long() { &all[..] } else { &all[..2] };
    for (width, dark) in runs.iter().copied() {
        let scheme = if dark { "dark" } else { "light" };
        let browser = driver.browser_in(width, dark).await;
        let here = format!("http://{}", daemon.web());
        a_bad_page_is_found_bad(&browser, &axe, width).await;
        browser.goto(&format!("{here}/login")).await.unwrap();
        let mut found = problems(&browser, "/login", &axe, width).await;
        browser.refresh().await.unwrap();
        the_keyboard_begins_at_the_top(&browser).await;
        fill(&browser, "#password", "moist-chill").await;
        tap(&browser, "button.main").await;
        find(&browser, "h1").await;
        let brief = dark && !long();
        // The pages of set-up are many and made of the same parts.
        let looked_at =
            pages.iter().filter(|page| !(brief && page.starts_with("/setup/")));
        for page in looked_at {
            // In its box a report runs no script, not even axe-core: the
            // file is looked at instead.
            let address = match page.strip_prefix("/report/rowan/") {
                Some(file) => {
                    let folder = house.file("vernalog.db.reports/rowan");
                    format!("file://{}/{file}", folder.display())
                }
                None => format!("{here}{page}"),
            };
            browser.goto(&address).await.unwrap();
            let title = browser.title().await.unwrap();
            assert!(!title.starts_with("Log in"), "{page}: {title}");
            picture(&browser, page, &format!("{width}-{scheme}")).await;
            found.extend(problems(&browser, page, &axe, width).await);
        }
        let to = |problem| format!("{width} px, {scheme}, {problem}");
        told.extend(found.into_iter().map(to));
        browser.close().await.unwrap();
    }
    say(&format!("{} pages, {} problems", pages.len(), told.len()));
    assert!(told.is_empty(), "{}", told.join("\n"));
    daemon.stop().await;
}
