//! The architecture, tested: who may import whom.
//!
//! Plain text reading, not a Rust parser: it sees `crate::…` paths, so other
//! modules are always named from `crate::`.

#![allow(
    clippy::unwrap_used,
    reason = "a helper of a test may fail the test with it, like the test"
)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Every module with its floor and its place on it. A module may import all
/// floors below; on floor 1 also those to its left.
const FLOORS: &[(u8, &[&str])] = &[
    (1, &["units", "observation", "trial", "health"]),
    (2, &["climate", "stats", "decode", "alert", "chart"]),
    (3, &["study", "season", "labels"]),
    (4, &["trust"]),
    (5, &["source", "store", "notify"]),
    (6, &["report", "exchange"]),
    (7, &["web"]),
    (8, &["daemon"]),
    (9, &["demo"]),
    (10, &["cli"]),
];

/// Modules that may not touch the outside world, and the words that would.
const PURE_FLOORS: std::ops::RangeInclusive<u8> = 1..=3;
const OUTSIDE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::time::Instant",
    "SystemTime",
    "Utc::now",
    "Local::now",
    "tokio::",
    "rusqlite",
    "serialport",
    "tracing::",
];

fn floor_of(module: &str) -> Option<(u8, usize)> {
    FLOORS.iter().find_map(|(floor, modules)| {
        let place = modules.iter().position(|m| *m == module)?;
        Some((*floor, place))
    })
}

fn may_import(from: &str, to: &str) -> bool {
    let (Some((from_floor, from_place)), Some((to_floor, to_place))) =
        (floor_of(from), floor_of(to))
    else {
        return false;
    };
    from == to
        || to_floor < from_floor
        || (from_floor == 1 && to_floor == 1 && to_place < from_place)
}

/// The modules named after `crate::` in a source text, comments left out.
fn imports(source: &str) -> BTreeSet<String> {
    let code: String = source
        .lines()
        .map(|line| line.split("//").next().unwrap_or(""))
        .collect::<Vec<_>>()
        .join("\n");
    let mut found = BTreeSet::new();
    for (start, _) in code.match_indices("crate::") {
        let rest = &code[start + "crate::".len()..];
        if let Some(group) = rest.strip_prefix('{') {
            found.extend(group_heads(group));
        } else {
            found.insert(head(rest));
        }
    }
    found.retain(|name| !name.is_empty());
    found
}

fn head(path: &str) -> String {
    path.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
}

/// First path parts inside `{…}`, only at the outermost depth.
fn group_heads(group: &str) -> Vec<String> {
    let (mut depth, mut at_start, mut heads) = (0_i32, true, Vec::new());
    for (i, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => at_start = true,
            c if c.is_whitespace() => {}
            _ if at_start => {
                heads.push(head(&group[i..]));
                at_start = false;
            }
            _ => {}
        }
    }
    heads
}

fn sources() -> Vec<(String, PathBuf)> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    collect(&src, &mut files);
    files
        .into_iter()
        .filter_map(|file| {
            let inside = file.strip_prefix(&src).ok()?;
            let first = inside.components().next()?;
            let name = Path::new(first.as_os_str()).file_stem()?;
            Some((name.to_string_lossy().into_owned(), file))
        })
        .collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
}

#[test]
fn no_module_imports_that_climb() {
    let mut climbs = Vec::new();
    for (module, file) in sources() {
        if module == "lib" || module == "main" {
            continue;
        }
        for to in imports(&fs::read_to_string(&file).unwrap()) {
            if !may_import(&module, &to) {
                climbs.push(format!("{}: crate::{to}", file.display()));
            }
        }
    }
    assert!(climbs.is_empty(), "imports that climb:\n{}", climbs.join("\n"));
}

#[test]
fn every_module_has_a_floor() {
    let homeless: BTreeSet<_> = sources()
        .into_iter()
        .map(|(module, _)| module)
        .filter(|m| m != "lib" && m != "main" && floor_of(m).is_none())
        .collect();
    assert!(homeless.is_empty(), "modules without a floor: {homeless:?}");
}

#[test]
fn pure_floors_touch_nothing_outside() {
    let mut touches = Vec::new();
    for (module, file) in sources() {
        let pure = floor_of(&module)
            .is_some_and(|(floor, _)| PURE_FLOORS.contains(&floor));
        if !pure {
            continue;
        }
        let source = fs::read_to_string(&file).unwrap();
        for line in source.lines() {
            let code = line.split("//").next().unwrap_or("");
            for word in OUTSIDE.iter().filter(|word| code.contains(**word)) {
                touches.push(format!("{}: {word}", file.display()));
            }
        }
    }
    assert!(touches.is_empty(), "impure:\n{}", touches.join("\n"));
}

#[test]
fn every_file_says_what_it_is() {
    let silent: Vec<_> = sources()
        .into_iter()
        .filter(|(_, file)| {
            !fs::read_to_string(file).unwrap().starts_with("//!")
        })
        .map(|(_, file)| file.display().to_string())
        .collect();
    assert!(silent.is_empty(), "files without a //! head: {silent:?}");
}

#[test]
fn the_reader_of_imports_sees_groups_and_ignores_comments() {
    let text = "use crate::store::S; // crate::no\nuse crate::{units::{A, B}, \
                decode::C};";
    let seen: Vec<_> = imports(text).into_iter().collect();
    assert_eq!(seen, ["decode", "store", "units"]);
}
