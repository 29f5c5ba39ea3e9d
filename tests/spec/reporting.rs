//! Reporting: the page, the figures, the tables and `results.json` say what
//! the store holds, and nothing the units behind it do not bear.

mod ranking;
mod small_trial;

use std::fs;
use std::path::{Path, PathBuf};

use small_trial::{Plan, days};
use tempfile::TempDir;
use vernalog::report::results::Results;
use vernalog::report::{Progress, Request, Written, write};

/// A report on disk.
struct Report {
    _store: TempDir,
    out: TempDir,
    written: Written,
    steps: Vec<Progress>,
}

fn request(out: &Path) -> Request {
    Request {
        trial: None,
        out: out.to_owned(),
        zone: chrono_tz::Europe::Dublin,
        until: None,
        now: days(60),
        version: "0.0.0".to_owned(),
    }
}

fn report(plan: &Plan) -> Report {
    let (folder, store) = plan.store();
    let out = tempfile::tempdir().unwrap();
    let mut steps = Vec::new();
    let written =
        write(&request(out.path()), &store, &mut |step| steps.push(step))
            .unwrap();
    Report { _store: folder, out, written, steps }
}

impl Report {
    fn text(&self, file: &str) -> String {
        fs::read_to_string(self.out.path().join(file)).unwrap()
    }

    fn page(&self) -> String {
        self.text("index.html")
    }

    /// Read back by structs that refuse what they do not name.
    fn results(&self) -> Results {
        serde_json::from_str(&self.text("results.json")).unwrap()
    }

    fn figures(&self) -> Vec<(PathBuf, String)> {
        let mut figures: Vec<_> = fs::read_dir(self.out.path().join("figures"))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .map(|path| (path.clone(), fs::read_to_string(path).unwrap()))
            .collect();
        figures.sort();
        figures
    }
}

#[test]
fn a_report_is_a_page_figures_tables_and_results() {
    let report = report(&Plan::plain());
    let mut names: Vec<String> = report
        .written
        .files
        .iter()
        .map(|file| {
            let inside = file.strip_prefix(report.out.path()).unwrap();
            inside.display().to_string()
        })
        .collect();
    assert_eq!(names.pop().unwrap(), "index.html", "the page comes last");
    for wanted in [
        "results.json",
        "containers.csv",
        "places.csv",
        "figures/place-stair-landing.svg",
        "figures/place-stair-landing.narrow.svg",
        "figures/place-study-sill.svg",
        "figures/conditions.svg",
        "figures/chill.svg",
        "figures/fridge-fridge-drawer.svg",
        "figures/fridge-fridge-drawer.narrow.svg",
    ] {
        assert!(names.iter().any(|n| n == wanted), "{wanted} of {names:?}");
    }
    let of = report.steps[0].of;
    let done: Vec<usize> = report.steps.iter().map(|step| step.done).collect();
    assert_eq!(done, (0..of).collect::<Vec<_>>(), "steps are counted");
}

#[test]
fn results_say_what_was_counted_and_logged() {
    let results = report(&Plan::plain()).results();
    assert_eq!(results.format, "vernalog-results/1");
    assert_eq!(results.containers.len(), 24);
    assert_eq!(results.trial.seeds_sown, 24 * 30);
    assert_eq!(results.trial.seeds_prepared, 12 * 60 + 1);
    let own = |id: &str| {
        let all = &results.containers;
        all.iter().find(|c| c.id == id).unwrap().clone()
    };
    let container = own("lane-12w-1-stair");
    assert_eq!(container.place.as_deref(), Some("stair-landing"));
    assert_eq!((container.germinated, container.seeds), (25, 30));
    // Wilson's interval of 25 of 30 at 95 %, worked by hand from the
    // formula in Wilson 1927: 0.6644 to 0.9266.
    let interval = container.interval.unwrap();
    assert!((interval.lower - 0.6644).abs() < 5e-5, "{interval:?}");
    assert!((interval.upper - 0.9266).abs() < 5e-5, "{interval:?}");
    // Half of 25 germinated are reached at the look that saw 12 become 15.
    let half = container.t50_days.of_germinated.unwrap();
    assert!((half.by - 22.0).abs() < 0.1, "{half:?}");
    assert!((half.after - 20.0).abs() < 0.1, "{half:?}");
    let chill = &container.doses["chill_hours"];
    // Twelve weeks at 3.5 to 4.9 °C, all of it inside 0 to 7 °C.
    assert!((chill.value.unwrap() - 2017.0).abs() < 1.5, "{chill:?}");
    assert_eq!(chill.series[0].series, "fridge-drawer-board/air/temperature");
    assert_eq!(chill.series[0].standing, "main");
    let light = &container.doses["lux_hours"];
    assert_eq!(light.series[0].standing, "only");
    assert!(light.missing_hours > 9.0, "a hole of 30 h holds lit hours");
    assert!(light.filled.unwrap().value > light.value.unwrap());
    let unit = results.units.iter().find(|u| u.id == "lane-12w-1-stair");
    assert!(unit.unwrap().entry > 0, "units carry their ledger entry");
    let all = &results.thermal_time.groups[0];
    assert_eq!(all.level, None);
    assert_eq!(all.model.is_some(), all.why_none.is_none());
}

#[test]
fn a_report_from_counts_alone_says_that_conditions_are_unknown() {
    let report = report(&Plan::counts_only());
    let results = report.results();
    assert_eq!(results.data_quality.readings_used, 0);
    for container in &results.containers {
        for name in ["degree_hours", "lux_hours"] {
            let dose = &container.doses[name];
            assert_eq!((dose.value, dose.filled), (None, None), "{name}");
            assert_eq!(dose.fit_for, "unknown");
            assert!(dose.missing_hours > 0.0);
        }
        assert!(container.fraction.is_some());
    }
    let chilled =
        results.units.iter().find(|unit| unit.id == "hill-12w-0").unwrap();
    assert!((chilled.stated_cold_hours - 2017.0).abs() < 0.1);
    assert_eq!(chilled.doses["chill_hours"].value, None);
    let page = report.page();
    for words in ["On counts alone", "are unknown", "0 h logged"] {
        assert!(page.contains(words), "{words}");
    }
    let title = &report.figures()[2].1;
    assert!(title.contains("Conditions unknown"), "{title}");
}

#[test]
fn a_place_without_a_board_is_unknown_and_the_others_are_not() {
    let mut plan = Plan::plain();
    plan.boards = vec!["stair-landing", "fridge-drawer"];
    let results = report(&plan).results();
    let at = |id: &str| {
        results.places.iter().find(|place| place.id == id).unwrap().clone()
    };
    let sill = at("study-sill");
    assert_eq!(sill.quantities["temperature"].mean, None);
    assert_eq!(sill.daily_light_integral_mol_m2, None);
    assert_eq!(sill.light.value, None);
    assert!(at("stair-landing").quantities["temperature"].mean.is_some());
    let caution =
        results.cautions.iter().find(|c| c.id == "unknown-conditions");
    assert!(caution.unwrap().text.contains("Study sill"));
}

#[test]
fn photons_are_a_range_and_only_where_a_light_source_is_named() {
    let results = report(&Plan::plain()).results();
    for place in &results.places {
        let photons = place.daily_light_integral_mol_m2;
        if place.id == "study-sill" {
            let [low, high] = photons.unwrap();
            assert!(low < high, "{low} {high}");
        } else {
            assert_eq!(photons, None, "{}", place.id);
        }
    }
}

#[test]
fn the_same_store_gives_the_same_bytes() {
    let (_folder, store) = Plan::plain().store();
    let read = || {
        let out = tempfile::tempdir().unwrap();
        let mut asked = request(out.path());
        let written = write(&asked, &store, &mut |_| {}).unwrap();
        // Written again over the old one, at another time.
        asked.now = days(90);
        write(&asked, &store, &mut |_| {}).unwrap();
        let text = |file: &PathBuf| fs::read_to_string(file).unwrap();
        let page = written.files.len() - 1;
        written.files[..page].iter().map(text).collect::<Vec<_>>()
    };
    assert_eq!(read(), read());
}

#[test]
fn a_trial_that_is_over_ends_at_its_last_entry() {
    let results = report(&Plan::plain()).results();
    // Boards went on for a day after the closures of day 41.
    assert_eq!(results.trial.until, days(41));
}

#[test]
fn an_old_report_is_replaced_without_leftovers() {
    let (_folder, store) = Plan::plain().store();
    let out = tempfile::tempdir().unwrap();
    let figures = out.path().join("figures");
    fs::create_dir_all(&figures).unwrap();
    fs::write(figures.join("place-gone.svg"), "old").unwrap();
    fs::write(figures.join("mine.svg"), "the grower's own").unwrap();
    let written = write(&request(out.path()), &store, &mut |_| {}).unwrap();
    assert!(!figures.join("place-gone.svg").exists());
    assert!(figures.join("mine.svg").exists());
    let there = fs::read_dir(&figures).unwrap().count()
        + fs::read_dir(out.path()).unwrap().count();
    // The folder itself, and the grower's own file.
    assert_eq!(there, written.files.len() + 2);
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    let (_folder, store) = Plan::counts_only().store();
    let out = tempfile::tempdir().unwrap();
    let file = out.path().join("taken");
    fs::write(&file, "a file").unwrap();
    let error =
        write(&request(&file), &store, &mut |_| {}).unwrap_err().to_string();
    assert!(error.contains("taken"), "{error}");
    assert_eq!(fs::read_to_string(&file).unwrap(), "a file");
}

#[test]
fn an_unknown_trial_is_answered_with_those_there_are() {
    let (_folder, store) = Plan::counts_only().store();
    let out = tempfile::tempdir().unwrap();
    let mut asked = request(out.path());
    asked.trial = Some(small_trial::name("birch"));
    let error = write(&asked, &store, &mut |_| {}).unwrap_err().to_string();
    assert!(error.contains("rowan"), "{error}");
}

#[test]
fn text_from_outside_is_text_on_the_page() {
    let mut plan = Plan::counts_only();
    plan.question = "Why? </title><script>alert(1)</script>".to_owned();
    plan.landing_title =
        "<img src=x onerror=alert(1)> \u{202e}&\u{1b}[2J".to_owned();
    let report = report(&plan);
    let page = report.page();
    for raw in ["<script", "<img", "\u{202e}", "\u{1b}", "onerror=alert(1)>"] {
        assert!(!page.contains(raw), "{raw:?}");
    }
    assert!(page.contains("&lt;script&gt;"));
    for (path, svg) in report.figures() {
        roxmltree::Document::parse(&svg)
            .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert!(!svg.contains("<img"), "{}", path.display());
    }
}

#[test]
fn every_figure_is_sound_and_says_its_message() {
    // Counts alone give no picture of climate, nor of times and warmth.
    for (plan, n) in [(Plan::plain(), 16), (Plan::counts_only(), 10)] {
        let figures = report(&plan).figures();
        assert_eq!(figures.len(), n);
        for (path, svg) in figures {
            let document = roxmltree::Document::parse(&svg)
                .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let said = |tag: &str| {
                let found = document
                    .descendants()
                    .find(|node| {
                        node.has_tag_name(("http://www.w3.org/2000/svg", tag))
                    })
                    .and_then(|node| node.text().map(str::to_owned));
                found.unwrap_or_else(|| panic!("{}: {tag}", path.display()))
            };
            assert!(said("title").len() > 10);
            assert!(said("desc").len() > said("title").len());
        }
    }
}

/// One file, no script, nothing from elsewhere.
#[test]
fn the_page_stands_alone() {
    let page = report(&Plan::plain()).page();
    for forbidden in ["<script", "<link", "@import", "url(", "src=", "<iframe"]
    {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    for (at, _) in page.match_indices("href=\"") {
        let target = &page[at + 6..];
        assert!(target.starts_with('#'), "{}", &target[..40]);
        let id = &target[1..target.find('"').unwrap()];
        assert!(page.contains(&format!("id=\"{id}\"")), "{id}");
    }
}

#[test]
fn tables_have_one_row_each_and_units_in_their_names() {
    let report = report(&Plan::plain());
    for (file, rows, columns) in [
        ("containers.csv", 24, ["chill_h", "mean_time_days"]),
        ("places.csv", 3, ["temperature_celsius_mean", "light_lux_h"]),
    ] {
        let text = report.text(file);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let head = reader.headers().unwrap().clone();
        for column in columns {
            assert!(head.iter().any(|h| h == column), "{column}: {head:?}");
        }
        let read: Vec<_> = reader.records().map(Result::unwrap).collect();
        assert_eq!(read.len(), rows, "{file}");
        assert!(!text.contains("NaN") && !text.contains("inf"), "{file}");
    }
}

#[test]
fn times_on_the_page_are_those_of_the_house() {
    let page = report(&Plan::plain()).page();
    assert!(page.contains("14 February to 27 March 2026"));
    assert!(!page.contains("2026-02-14"), "no file format on the page");
}
