//! Every address of the pages, read out of their source, so that no test
//! forgets a new one.
//!
//! Plain text reading, not a Rust parser: it sees `.route("…", get(…).post(…))`
//! as rustfmt writes it, and words that are matched as the last part of an
//! address.

use std::fs;
use std::path::{Path, PathBuf};

/// An address as the source has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Address {
    /// With its parts in braces.
    pub(crate) path: String,
    pub(crate) get: bool,
    pub(crate) post: bool,
    /// What `{change}` may be.
    words: Vec<String>,
}

impl Address {
    /// The addresses that are meant, with the parts in braces filled in.
    pub(crate) fn filled(&self, part: impl Fn(&str) -> String) -> Vec<String> {
        let mut all = vec![String::new()];
        for piece in self.path.split_inclusive('}') {
            let Some((before, name)) = piece.split_once('{') else {
                all.iter_mut().for_each(|path| path.push_str(piece));
                continue;
            };
            let name = name.trim_end_matches('}').trim_start_matches('*');
            let values = match name {
                "change" if !self.words.is_empty() => self.words.clone(),
                "page" => set_up_pages(),
                _ => vec![part(name)],
            };
            all = all
                .iter()
                .flat_map(|path| {
                    values.iter().map(move |v| format!("{path}{before}{v}"))
                })
                .collect();
        }
        all
    }
}

/// What can be set up, each on a page of its own.
fn set_up_pages() -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web/setup");
    let mut files = Vec::new();
    collect(&folder, &mut files);
    let mut found: Vec<String> = files
        .iter()
        .flat_map(|file| {
            let text = fs::read_to_string(file).unwrap();
            let after = text.split(" path: \"").skip(1);
            let names = after.map(|rest| rest.split('"').next().unwrap());
            names.map(str::to_owned).collect::<Vec<_>>()
        })
        .collect();
    found.sort();
    found.dedup();
    assert!(found.len() > 10, "{found:?}");
    found
}

/// Every address of the pages.
pub(crate) fn addresses() -> Vec<Address> {
    let web = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web");
    let mut files = Vec::new();
    collect(&web, &mut files);
    let mut found = Vec::new();
    for file in files {
        read(&fs::read_to_string(file).unwrap(), &mut found);
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(found.len() > 10, "{found:?}");
    found
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
}

fn read(source: &str, found: &mut Vec<Address>) {
    let code: String = source
        .lines()
        .map(|line| line.split("//").next().unwrap_or("").trim())
        .collect();
    let routes = code.split(".route(").skip(1);
    for rest in routes {
        let call = whole_call(rest);
        let (path, methods) = call.split_once(',').expect("a path, a method");
        let path = match path.trim().strip_prefix('"') {
            Some(literal) => literal.trim_end_matches('"').to_owned(),
            None => constant(&code, path.trim()),
        };
        let has = |method: &str| {
            methods.starts_with(&format!("{method}("))
                || methods.trim_start().starts_with(&format!("{method}("))
                || methods.contains(&format!("}}).{method}("))
                || methods.contains(&format!(").{method}("))
        };
        let words = methods
            .split("\" => ")
            .filter_map(|before| before.rsplit('"').next())
            .filter(|word| {
                !word.is_empty()
                    && word.bytes().all(|b| b.is_ascii_lowercase() || b == b'-')
            })
            .map(str::to_owned);
        let words =
            if path.contains("{change}") { words.collect() } else { vec![] };
        found.push(Address { get: has("get"), post: has("post"), path, words });
    }
}

/// The text up to the bracket that closes the call.
fn whole_call(text: &str) -> &str {
    let (mut depth, mut quoted) = (1, false);
    for (at, letter) in text.char_indices() {
        match letter {
            '"' => quoted = !quoted,
            '(' if !quoted => depth += 1,
            ')' if !quoted => {
                depth -= 1;
                if depth == 0 {
                    return &text[..at];
                }
            }
            _ => {}
        }
    }
    text
}

fn constant(code: &str, name: &str) -> String {
    let start = format!("const {name}: &str = \"");
    let rest = code.split(&start).nth(1);
    let rest = rest.unwrap_or_else(|| panic!("no constant {name}"));
    rest.split('"').next().unwrap().to_owned()
}

#[test]
fn addresses_are_read_with_their_methods_and_words() {
    let mut found = Vec::new();
    let source = "
        const A: &str = \"/a\";
        r.route(A, get(one)) // .route(\"/no\", get(x))
        .route(
            \"/u/{unit}/{change}\",
            post(async |f: Typed| {
                match (f) { \"count\" => 1, \"un-do\" => 2, _ => 3 }
            }),
        )
        .route(\"/b\", get(async |s| { s.x(\")\") }).post(async |s| y(s)))";
    read(source, &mut found);
    let paths: Vec<_> =
        found.iter().map(|a| (&*a.path, a.get, a.post)).collect();
    assert_eq!(
        paths,
        [
            ("/a", true, false),
            ("/u/{unit}/{change}", false, true),
            ("/b", true, true)
        ]
    );
    let filled = found[1].filled(|part| format!("<{part}>"));
    assert_eq!(filled, ["/u/<unit>/count", "/u/<unit>/un-do"]);
}
