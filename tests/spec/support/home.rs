//! A home: a temporary folder with settings and a data file, and the
//! program run in it. When a run does not end as expected, the whole scene
//! is shown.

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;
use vernalog::store::{Access, Store};
use vernalog::trial::book::Book;

/// The invented rowan trial, as a folder of files.
pub(crate) fn rowan_trial() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rowan-trial")
}

/// A folder of a grower in Dublin.
pub(crate) struct Home {
    folder: TempDir,
}

impl Home {
    /// With settings and an empty data file.
    pub(crate) fn new() -> Self {
        let home = Self::empty();
        home.run("init --time-zone Europe/Dublin").succeeds();
        home
    }

    /// With the rowan trial taken in.
    pub(crate) fn with_rowan() -> Self {
        let home = Self::new();
        home.run(&format!("import trial {}", rowan_trial().display()))
            .succeeds();
        home
    }

    /// Without settings.
    pub(crate) fn empty() -> Self {
        Self { folder: TempDir::new().unwrap() }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Writes a file, making its folder.
    pub(crate) fn write(&self, file: &str, text: &str) -> PathBuf {
        let path = self.path().join(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, text).unwrap();
        path
    }

    pub(crate) fn read(&self, file: &str) -> String {
        fs::read_to_string(self.path().join(file)).unwrap()
    }

    pub(crate) fn store(&self) -> Store {
        Store::open(&self.path().join("vernalog.db"), Access::ReadOnly).unwrap()
    }

    /// What the ledger adds up to.
    pub(crate) fn book(&self) -> Book {
        let (book, problems) = Book::build(&self.store().ledger().unwrap());
        assert_eq!(problems, [], "an unsound ledger");
        book
    }

    /// Runs the program with words separated by blanks; `'…'` is one word.
    pub(crate) fn run(&self, words: &str) -> Ran {
        self.run_with(words, "")
    }

    /// As `run`, with something on standard input.
    pub(crate) fn run_with(&self, words: &str, input: &str) -> Ran {
        let mut child = Command::new(env!("CARGO_BIN_EXE_vernalog"))
            .args(split(words))
            .current_dir(self.path())
            .env_remove("VERNALOG_SETTINGS")
            .env("USER", "grower")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut stdin = child.stdin.take().unwrap();
        // A command that reads nothing may have closed it.
        drop(stdin.write_all(input.as_bytes()));
        drop(stdin);
        let output = child.wait_with_output().unwrap();
        Ran {
            command: format!("vernalog {words}"),
            folder: self.path().to_owned(),
            output,
        }
    }
}

fn split(words: &str) -> Vec<String> {
    let mut parts = Vec::new();
    for (i, part) in words.split('\'').enumerate() {
        if i % 2 == 1 {
            parts.push(part.to_owned());
        } else {
            parts.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    parts
}

/// A run of the program that has ended.
pub(crate) struct Ran {
    command: String,
    folder: PathBuf,
    output: Output,
}

impl Ran {
    pub(crate) fn stdout(&self) -> String {
        String::from_utf8_lossy(&self.output.stdout).into_owned()
    }

    pub(crate) fn stderr(&self) -> String {
        String::from_utf8_lossy(&self.output.stderr).into_owned()
    }

    #[track_caller]
    fn ends_with(self, code: i32) -> Self {
        assert_eq!(self.output.status.code(), Some(code), "{}", self.scene());
        self
    }

    /// Exit code 0.
    #[track_caller]
    pub(crate) fn succeeds(self) -> Self {
        self.ends_with(0)
    }

    /// Exit code 1: done, and the answer is "no".
    #[track_caller]
    pub(crate) fn says_no(self) -> Self {
        self.ends_with(1)
    }

    /// Exit code 2: could not be done.
    #[track_caller]
    pub(crate) fn fails(self) -> Self {
        self.ends_with(2)
    }

    /// Standard error has this text.
    #[track_caller]
    pub(crate) fn tells(self, text: &str) -> Self {
        assert!(
            self.stderr().contains(text),
            "expected on stderr: {text}\n{}",
            self.scene()
        );
        self
    }

    /// Standard output has this text.
    #[track_caller]
    pub(crate) fn answers(self, text: &str) -> Self {
        assert!(
            self.stdout().contains(text),
            "expected on stdout: {text}\n{}",
            self.scene()
        );
        self
    }

    /// The objects printed with `--json`, one a line.
    #[track_caller]
    pub(crate) fn objects(&self) -> Vec<serde_json::Value> {
        self.stdout()
            .lines()
            .map(|line| {
                serde_json::from_str(line)
                    .unwrap_or_else(|error| panic!("{error}\n{}", self.scene()))
            })
            .collect()
    }

    fn scene(&self) -> String {
        let mut scene = String::new();
        let parts = [
            ("command", self.command.clone()),
            ("folder", self.folder.display().to_string()),
            ("exit code", format!("{:?}", self.output.status.code())),
            ("stdout", self.stdout()),
            ("stderr", self.stderr()),
        ];
        for (name, text) in parts {
            writeln!(scene, "── {name}\n{text}").unwrap();
        }
        scene
    }
}
