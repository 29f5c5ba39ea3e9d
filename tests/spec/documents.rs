//! What the documents say is so.

use std::fs;
use std::path::Path;

use crate::support::home::Home;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn text(file: &str) -> String {
    fs::read_to_string(root().join(file)).unwrap()
}

/// Everything between backquotes that looks like a path of the repository.
fn paths_in(text: &str) -> Vec<String> {
    text.split('`')
        .skip(1)
        .step_by(2)
        .filter(|code| !code.contains(char::is_whitespace))
        .map(|code| code.trim_end_matches('/'))
        .filter(|code| {
            ["src/", "tests/", "demo-data", "firmware-notes", ".ci/"]
                .iter()
                .any(|start| code.starts_with(start))
        })
        .map(str::to_owned)
        .collect()
}

#[test]
fn every_path_named_for_developers_exists() {
    let paths = paths_in(&text("DEVELOPERS.md"));
    assert!(paths.len() > 20, "{paths:?}");
    for path in paths {
        assert!(root().join(&path).exists(), "{path} is not there");
    }
}

/// The source text of everything that holds tests.
fn sources(folder: &Path, into: &mut String) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push_str(&fs::read_to_string(path).unwrap());
        }
    }
}

#[test]
fn every_test_named_in_the_tables_of_what_goes_wrong_exists() {
    let developers = text("DEVELOPERS.md");
    let mut code = String::new();
    sources(&root().join("src"), &mut code);
    sources(&root().join("tests"), &mut code);
    let mut named = 0;
    let chapters = developers
        .split("\n## ")
        .filter(|chapter| chapter.starts_with("What goes wrong"));
    for row in chapters.flat_map(str::lines).filter(|l| l.starts_with("| ")) {
        let cell = row.trim_end_matches('|').rsplit('|').next().unwrap();
        // A name of a test is a sentence without capitals and blanks.
        let names = cell.split('`').skip(1).step_by(2).filter(|name| {
            name.matches('_').count() > 1 && !name.contains('/')
        });
        for name in names {
            named += 1;
            let test = format!("fn {name}(");
            assert!(code.contains(&test), "{name} is no test: {row}");
        }
    }
    assert!(named > 80, "only {named} tests are named");
}

#[test]
fn every_link_of_the_readme_leads_somewhere() {
    let readme = text("README.md");
    let links: Vec<&str> = readme
        .split("](")
        .skip(1)
        .filter_map(|rest| rest.split(')').next())
        .filter(|link| !link.contains("://"))
        .collect();
    assert!(links.len() > 3, "{links:?}");
    for link in links {
        assert!(root().join(link).exists(), "{link} is not there");
    }
}

/// The commands of "From your notebook", as they stand.
#[test]
fn the_notebook_commands_of_the_readme_run() {
    let readme = text("README.md");
    let chapter = readme.split("## From your notebook").nth(1).unwrap();
    let block = chapter.split("```sh").nth(1).unwrap();
    let commands: Vec<&str> = block
        .split("```")
        .next()
        .unwrap()
        .lines()
        .filter_map(|line| line.strip_prefix("vernalog "))
        .collect();
    assert!(commands.len() >= 10, "{commands:?}");

    let home = Home::empty();
    for command in commands {
        let words = command.split(" #").next().unwrap().trim();
        home.run(&words.replace('"', "'")).succeeds();
    }
    home.run("record undo last 'wrong box'").succeeds();
    assert!(home.path().join("report/index.html").is_file());
}

/// The first board of the README: its settings are sound.
#[test]
fn the_settings_of_the_readme_are_understood() {
    let readme = text("README.md");
    let block = readme.split("```toml").nth(1).unwrap();
    let inlet = block.split("```").next().unwrap();
    let settings = format!(
        "time_zone = \"Europe/Dublin\"\ndata = \"vernalog.db\"\n{inlet}"
    );
    let path = Path::new("vernalog.toml");
    vernalog::daemon::settings::Settings::parse(path, &settings).unwrap();
}

#[test]
fn the_readme_opens_with_one_paragraph_that_states_the_job() {
    let readme = text("README.md");
    let mut parts = readme.split("\n\n");
    assert_eq!(parts.next(), Some("# vernalog"));
    let job = parts.next().unwrap();
    assert!(job.contains("raise trees and wildflowers from seed at home"));
    assert!(!job.contains('\n'), "more than one paragraph");
}
