//! The only place that prints: results on stdout, talk on stderr.
//!
//! A reader that has gone away (`| head`) is a quiet end.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "this file is where printing happens"
)]

use std::io::{self, BufWriter, IsTerminal, Stdout, Write};
use std::process::ExitCode;

use serde_json::Value;

use crate::cli::failure::{Failure, Told};
use crate::observation::shown;

/// Where results and talk go.
pub(crate) struct Output {
    /// Whether results are wanted as JSON.
    pub(crate) json: bool,
    stdout: BufWriter<Stdout>,
}

impl Output {
    pub(crate) fn new(json: bool) -> Self {
        Self { json, stdout: BufWriter::new(io::stdout()) }
    }

    /// A line of a result for people.
    pub(crate) fn line(&mut self, text: &str) -> Result<(), Failure> {
        written(writeln!(self.stdout, "{text}"))
    }

    /// A result for programs: one object, one line.
    pub(crate) fn object(&mut self, value: &Value) -> Result<(), Failure> {
        written(writeln!(self.stdout, "{value}"))
    }

    /// Text as it stands, such as a manual page.
    pub(crate) fn bytes(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        written(self.stdout.write_all(bytes))
    }

    /// Rows in columns, the headings first.
    pub(crate) fn table(
        &mut self,
        headings: &[&str],
        rows: &[Vec<String>],
    ) -> Result<(), Failure> {
        let width = |text: &str| text.chars().count();
        let widths: Vec<usize> = headings
            .iter()
            .enumerate()
            .map(|(column, heading)| {
                rows.iter()
                    .filter_map(|row| row.get(column))
                    .map(|cell| width(cell))
                    .chain([width(heading)])
                    .max()
                    .unwrap_or(0)
            })
            .collect();
        let headings: Vec<String> =
            headings.iter().map(|h| (*h).to_owned()).collect();
        for row in std::iter::once(&headings).chain(rows) {
            let mut line = String::new();
            for (cell, wanted) in row.iter().zip(&widths) {
                line.push_str(cell);
                let blanks = wanted - width(cell).min(*wanted) + 2;
                line.push_str(&" ".repeat(blanks));
            }
            self.line(line.trim_end())?;
        }
        Ok(())
    }

    /// What the grower should know, beside the result.
    #[allow(clippy::unused_self, reason = "all printing goes through here")]
    pub(crate) fn talk(&self, text: &str) {
        eprintln!("{text}");
    }

    /// Whether somebody watches, so that progress may be drawn.
    #[allow(clippy::unused_self, reason = "all printing goes through here")]
    pub(crate) fn is_watched(&self) -> bool {
        io::stderr().is_terminal()
    }

    /// Sends what is still held back.
    pub(crate) fn finish(&mut self) -> Result<(), Failure> {
        written(self.stdout.flush())
    }

    /// Says why a command could not be done. What was printed before stays.
    pub(crate) fn fail(&mut self, failure: &Failure) {
        let Failure::Told(Told { error, causes, hints }) = failure else {
            return;
        };
        // The failure is what matters now, not a reader that has gone.
        drop(self.finish());
        eprintln!("error: {error}");
        for cause in causes {
            eprintln!("cause: {cause}");
        }
        for hint in hints {
            eprintln!("hint:  {hint}");
        }
    }
}

fn written(result: io::Result<()>) -> Result<(), Failure> {
    result.map_err(|error| {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Failure::Closed
        } else {
            Failure::new("cannot write the output").because(error.to_string())
        }
    })
}

/// Help and version are results; a misuse is told and ends with 2.
pub(crate) fn usage(error: &clap::Error) -> ExitCode {
    // Nothing can be done when even that cannot be printed.
    drop(error.print());
    ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2))
}

/// Text of a note or a name from outside: one line, control characters
/// escaped.
pub(crate) fn safe(text: &str) -> String {
    shown(text)
}
