//! No label on another, and none cut off: measured by a real browser with
//! the fonts of the machine, not by a guess of how wide letters are.

use std::fmt::Write as _;
use std::process::{Command, Stdio};

use serde_json::Value;
use vernalog::chart::Layout;

/// Asks the browser for the box of each text, and says which two meet by
/// more than the soft edge of a letter, and which leave the sheet.
const MEASURE: &str = r#"
const said = [];
for (const svg of document.querySelectorAll("svg")) {
  const sheet = svg.viewBox.baseVal, texts = [];
  for (const text of svg.querySelectorAll("text")) {
    const box = text.getBBox();
    // The line box is taller than the letters.
    const trim = box.height * 0.16;
    texts.push([text.textContent.trim(), box.x, box.x + box.width,
      box.y + trim, box.y + box.height - trim]);
  }
  const name = svg.dataset.name, edge = 4;
  for (let i = 0; i < texts.length; i++) {
    const a = texts[i];
    if (a[1] < -edge || a[2] > sheet.width + edge || a[4] > sheet.height + edge)
      said.push(name + ": cut off: " + a[0]);
    for (let j = i + 1; j < texts.length; j++) {
      const b = texts[j];
      if (a[1] + edge < b[2] && b[1] + edge < a[2] &&
          a[3] + edge < b[4] && b[3] + edge < a[4])
        said.push(name + ": " + a[0] + " / " + b[0]);
    }
  }
}
document.body.textContent = JSON.stringify(
  { figures: window.count, said });
"#;

fn measured(figures: &[(String, String)]) -> Value {
    let mut page =
        String::from("<!DOCTYPE html><meta charset=\"utf-8\"><body>");
    for (name, svg) in figures {
        let named = format!("<svg data-name=\"{name}\"");
        page += &svg.replacen("<svg", &named, 1);
    }
    write!(page, "<script>window.count = {};{MEASURE}</script>", figures.len())
        .unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("figures.html");
    std::fs::write(&file, page).unwrap();
    let profile = folder.path().join("profile");
    let told = Command::new("chromium")
        .args(["--headless=new", "--no-sandbox", "--disable-gpu"])
        .args(["--disable-quic", "--no-first-run", "--disable-sync"])
        .args(["--disable-background-networking", "--dump-dom"])
        .arg(format!("--user-data-dir={}", profile.display()))
        .arg(format!("file://{}", file.display()))
        .stderr(Stdio::null())
        .output()
        .expect("chromium is installed: tests/run does it");
    let page = String::from_utf8(told.stdout).unwrap();
    let from = page.find("{\"figures\"").unwrap_or_else(|| {
        panic!("the browser measured nothing: {}", &page[..page.len().min(400)])
    });
    let to = page.rfind('}').unwrap() + 1;
    let json = page[from..to]
        .replace("&amp;", "&")
        .replace("&lt;", "<")
        .replace("&gt;", ">");
    serde_json::from_str(&json).unwrap()
}

#[test]
fn labels_never_collide_with_three_or_sixty_containers_or_long_names() {
    let mut figures = super::gallery();
    for layout in [Layout::Wide, Layout::Narrow] {
        for (n, name) in super::hostile::NAMES.into_iter().enumerate() {
            let drawn = super::hostile::named(name, layout);
            for (i, svg) in drawn.into_iter().enumerate() {
                figures
                    .push((format!("name {n}, figure {i}, {layout:?}"), svg));
            }
        }
    }
    let told = measured(&figures);
    assert_eq!(told["figures"], figures.len());
    let said = told["said"].as_array().unwrap();
    assert!(said.is_empty(), "{} labels meet: {said:#?}", said.len());
}

/// The measure sees a collision and a label that leaves the sheet.
#[test]
fn labels_on_top_of_each_other_are_found() {
    let svg = "<svg viewBox=\"0 0 1000 1000\">\
        <text x=\"100\" y=\"200\" font-size=\"120\">one label</text>\
        <text x=\"160\" y=\"230\" font-size=\"120\">another</text>\
        <text x=\"900\" y=\"600\" font-size=\"120\">too far</text></svg>";
    let told = measured(&[("two".to_owned(), svg.to_owned())]);
    let said: Vec<&str> = told["said"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_str)
        .collect();
    assert_eq!(said, ["two: one label / another", "two: cut off: too far"]);
}
