//! Something wrong in a settings file, with its place.
//!
//! Not what is wrong: whoever finds it has the words.

use std::fmt;
use std::ops::Range;

/// Something wrong in the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SettingsProblem {
    /// Line, counted from 1.
    pub line: usize,
    /// Column, counted from 1.
    pub column: usize,
    /// The line as it stands, and a mark under the place.
    pub excerpt: String,
    /// What is wrong.
    pub message: String,
}

impl fmt::Display for SettingsProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "line {}, column {}: {}\n{}",
            self.line, self.column, self.message, self.excerpt
        )
    }
}

/// Where a span lies, with the line and a mark under the place.
pub(super) fn locate(
    text: &str,
    span: &Range<usize>,
    message: String,
) -> SettingsProblem {
    let start = span.start.min(text.len());
    let before = &text.as_bytes()[..start];
    let line_start =
        before.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let line = 1 + before.iter().filter(|b| **b == b'\n').count();
    let content = text[line_start..].lines().next().unwrap_or("");
    let column =
        1 + String::from_utf8_lossy(&text.as_bytes()[line_start..start])
            .chars()
            .count();
    let marked = span.end.min(line_start + content.len());
    let width =
        text.get(start..marked).map_or(1, |part| part.chars().count()).max(1);
    let gutter = " ".repeat(line.to_string().len());
    let excerpt = format!(
        "{gutter} |\n{line} | {content}\n{gutter} | {}{}",
        " ".repeat(column - 1),
        "^".repeat(width)
    );
    SettingsProblem { line, column, excerpt, message }
}
