//! One CSV file as people save it: byte-order mark, semicolons, ragged rows,
//! headings in any case.
//!
//! It gives cells by column and lists what is wrong, all of it; what a row
//! says is none of its business.

use std::fmt;
use std::fs;
use std::path::Path;

use crate::exchange::columns::{Column, Table};
use crate::exchange::nearest::{did_you_mean, nearest};
use crate::exchange::row::Row;
use crate::exchange::times::ZoneRule;
use crate::observation::shown;
use crate::trial::entry::Factors;

/// The row a draft came from.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowOrigin {
    /// The file.
    pub file: String,
    /// Its line, counted from 1.
    pub line: u64,
}

impl fmt::Display for RowOrigin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.file, self.line)
    }
}

/// What is wrong with a row.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowProblem {
    /// The file.
    pub file: String,
    /// Its line, counted from 1; 0 when it is about the whole file.
    pub line: u64,
    /// What is wrong.
    pub reason: String,
}

impl RowProblem {
    /// A problem of a whole file.
    pub(crate) fn of_file(file: &str, reason: impl Into<String>) -> Self {
        Self { file: file.to_owned(), line: 0, reason: reason.into() }
    }
}

impl fmt::Display for RowProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line == 0 {
            write!(f, "{}: {}", self.file, self.reason)
        } else {
            write!(f, "{}:{}: {}", self.file, self.line, self.reason)
        }
    }
}

/// What was noticed while reading a folder.
#[derive(Debug, Default)]
pub(crate) struct Noticed {
    pub(crate) problems: Vec<RowProblem>,
    pub(crate) remarks: Vec<String>,
}

/// A file, read and sorted by column.
pub(crate) struct Sheet {
    table: &'static Table,
    /// For each column of the table, its place in the file.
    places: Vec<Option<usize>>,
    factors: Vec<(String, usize)>,
    rows: Vec<(u64, csv::StringRecord)>,
}

impl Sheet {
    /// Reads a file of the folder. `None` when it is not there, or when
    /// nothing can be read from it: then a problem says why.
    pub(crate) fn read(
        folder: &Path,
        table: &'static Table,
        noticed: &mut Noticed,
    ) -> Option<Self> {
        let bytes = match fs::read(folder.join(table.file)) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return None;
            }
            Err(error) => {
                let reason = format!("cannot be read: {error}");
                noticed.problems.push(RowProblem::of_file(table.file, reason));
                return None;
            }
        };
        Self::parse(&bytes, table, noticed)
    }

    pub(crate) fn parse(
        bytes: &[u8],
        table: &'static Table,
        noticed: &mut Noticed,
    ) -> Option<Self> {
        let problem = |line, reason: String| RowProblem {
            file: table.file.to_owned(),
            line,
            reason,
        };
        let text = match decode(bytes) {
            Ok(text) => text,
            Err((line, reason)) => {
                noticed.problems.push(problem(line, reason));
                return None;
            }
        };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter(text))
            .has_headers(false)
            .flexible(true)
            .from_reader(text.as_bytes());
        let mut lines = Lines { text: text.as_bytes(), at: 0, line: 1 };
        let mut records = reader.records();
        let Some(Ok(headings)) = records.next() else {
            let reason = "is empty: it needs a line of headings";
            noticed.problems.push(RowProblem::of_file(table.file, reason));
            return None;
        };
        let headings: Vec<String> = headings.iter().map(heading).collect();
        let mut rows = Vec::new();
        for record in records {
            match record {
                Ok(record) if is_blank(&record) => {}
                Ok(record) => {
                    let line = lines.of(&record);
                    match ragged(&record, headings.len()) {
                        Some(reason) => {
                            noticed.problems.push(problem(line, reason));
                        }
                        None => rows.push((line, record)),
                    }
                }
                Err(error) => {
                    let line = error.position().map_or(0, csv::Position::line);
                    noticed.problems.push(problem(line, error.to_string()));
                }
            }
        }
        let mut sheet = Self {
            table,
            places: vec![None; table.columns.len()],
            factors: Vec::new(),
            rows,
        };
        let mut reasons = Vec::new();
        let sound = sheet.place(&headings, &mut reasons, &mut noticed.remarks);
        noticed
            .problems
            .extend(reasons.into_iter().map(|reason| problem(1, reason)));
        sound.then_some(sheet)
    }

    /// Finds the columns; `false` when one that is needed is missing.
    fn place(
        &mut self,
        headings: &[String],
        reasons: &mut Vec<String>,
        remarks: &mut Vec<String>,
    ) -> bool {
        let table = self.table;
        let mut unknown = Vec::new();
        for (place, heading) in headings.iter().enumerate() {
            if let Some(column) = table.position(heading) {
                if self.places[column].is_some() {
                    reasons.push(format!("two columns are headed {heading}"));
                }
                self.places[column].get_or_insert(place);
            } else if heading.is_empty() {
                let filled = self.rows.iter().find(|(_, record)| {
                    record.get(place).is_some_and(|c| !c.trim().is_empty())
                });
                if let Some((line, _)) = filled {
                    reasons.push(format!(
                        "column {} has no heading but a value in line {line}",
                        place + 1
                    ));
                }
            } else {
                unknown.push((place, heading));
            }
        }
        let missing: Vec<&Column> = table
            .columns
            .iter()
            .zip(&self.places)
            .filter(|(column, place)| column.needed && place.is_none())
            .map(|(column, _)| column)
            .collect();
        for column in &missing {
            let near = nearest(column.name, unknown.iter().map(|(_, h)| &***h))
                .map(|near| format!("; is it the column \"{near}\"?"))
                .unwrap_or_default();
            reasons.push(format!("has no column {}{near}", column.name));
        }
        for (place, heading) in unknown {
            self.place_unknown(place, heading, reasons, remarks);
        }
        missing.is_empty()
    }

    fn place_unknown(
        &mut self,
        place: usize,
        heading: &str,
        reasons: &mut Vec<String>,
        remarks: &mut Vec<String>,
    ) {
        let file = self.table.file;
        let absent = self
            .table
            .columns
            .iter()
            .zip(&self.places)
            .filter(|(_, place)| place.is_none())
            .map(|(column, _)| column.name);
        let near = did_you_mean(heading, absent);
        if !self.table.factors {
            reasons
                .push(format!("column {} is not known{near}", shown(heading)));
        } else if !is_factor_name(heading) {
            reasons.push(format!(
                "column {} cannot be a factor: its name may have a–z, 0–9 \
                 and _ only{near}",
                shown(heading)
            ));
        } else if self.factors.iter().any(|(known, _)| known == heading) {
            reasons.push(format!("two columns are headed {heading}"));
        } else {
            remarks.push(format!(
                "{file}: column {heading} is read as a factor{near}"
            ));
            self.factors.push((heading.to_owned(), place));
        }
    }

    /// The rows, each to be asked for its cells.
    pub(crate) fn rows<'a>(
        &'a self,
        zone: &'a ZoneRule,
    ) -> impl Iterator<Item = Row<'a>> {
        self.rows.iter().map(move |(line, record)| {
            let file = self.table.file.to_owned();
            Row::new(self, zone, RowOrigin { file, line: *line }, record)
        })
    }

    /// The cell of a column as it stands; empty when the file has none.
    pub(crate) fn cell<'a>(
        &self,
        record: &'a csv::StringRecord,
        column: &str,
    ) -> &'a str {
        let place = self
            .table
            .position(column)
            .expect("a column asked for is one of the table");
        self.places[place].and_then(|place| record.get(place)).unwrap_or("")
    }

    /// The factor columns of a row that are filled in.
    pub(crate) fn factors(&self, record: &csv::StringRecord) -> Factors {
        self.factors
            .iter()
            .filter_map(|(name, place)| {
                let level = record.get(*place)?.trim();
                (!level.is_empty()).then(|| (name.clone(), level.to_owned()))
            })
            .collect()
    }
}

/// The text of a file, or the line where it stops being UTF-8.
pub(crate) fn decode(bytes: &[u8]) -> Result<&str, (u64, String)> {
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        let reason = "is written as UTF-16: save it as CSV in UTF-8";
        return Err((0, reason.to_owned()));
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    std::str::from_utf8(bytes).map_err(|error| {
        let good = &bytes[..error.valid_up_to()];
        let line = 1 + good.iter().fold(0, |n, b| n + u64::from(*b == b'\n'));
        (line, "is not UTF-8: save the file as CSV in UTF-8".to_owned())
    })
}

/// What separates the fields: the sign that is most frequent in line 1.
pub(crate) fn delimiter(text: &str) -> u8 {
    let first = text.lines().next().unwrap_or("");
    let count = |sign: char| first.matches(sign).count();
    [(',', b','), (';', b';'), ('\t', b'\t')]
        .into_iter()
        .rev()
        .max_by_key(|(sign, _)| count(*sign))
        .map_or(b',', |(_, byte)| byte)
}

/// A heading as it is compared: lower case, `_` for blanks and hyphens.
pub(crate) fn heading(text: &str) -> String {
    text.trim().to_lowercase().replace([' ', '-'], "_")
}

/// Counts lines along the records: csv's own count is taken before blank
/// lines and the second half of a line end are skipped.
struct Lines<'a> {
    text: &'a [u8],
    at: usize,
    line: u64,
}

impl Lines<'_> {
    /// The line in which a record begins; asked in the order of the file.
    fn of(&mut self, record: &csv::StringRecord) -> u64 {
        let start = record.position().map_or(0, csv::Position::byte);
        let start = usize::try_from(start).unwrap_or(self.at).max(self.at);
        let rest = self.text.get(start..).unwrap_or_default();
        let skipped =
            rest.iter().take_while(|b| matches!(b, b'\r' | b'\n')).count();
        let begins = (start + skipped).min(self.text.len());
        let passed = &self.text[self.at..begins];
        self.line += passed.iter().fold(0, |n, b| n + u64::from(*b == b'\n'));
        self.at = begins;
        self.line
    }
}

fn is_blank(record: &csv::StringRecord) -> bool {
    record.iter().all(|cell| cell.trim().is_empty())
}

/// What is wrong with the number of fields; empty ones at the end are not.
pub(crate) fn ragged(
    record: &csv::StringRecord,
    headings: usize,
) -> Option<String> {
    let surplus = record.iter().skip(headings).any(|c| !c.trim().is_empty());
    let fields = record.len();
    (fields < headings || surplus).then(|| {
        format!("has {fields} fields where the headings are {headings}")
    })
}

fn is_factor_name(text: &str) -> bool {
    !text.is_empty()
        && text
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exchange::columns::{CHECKS, CONTAINERS};

    fn parse(text: &[u8], table: &'static Table) -> (Option<Sheet>, Noticed) {
        let mut noticed = Noticed::default();
        let sheet = Sheet::parse(text, table, &mut noticed);
        (sheet, noticed)
    }

    fn problems(text: &str, table: &'static Table) -> Vec<String> {
        let (_, noticed) = parse(text.as_bytes(), table);
        noticed.problems.iter().map(ToString::to_string).collect()
    }

    fn zone() -> ZoneRule {
        ZoneRule {
            zone: chrono_tz::UTC,
            evening: chrono::NaiveTime::from_hms_opt(20, 0, 0).unwrap(),
        }
    }

    #[test]
    fn spreadsheets_of_all_countries_are_read() {
        for text in [
            "container,seeds,sown_at\r\nr1,30,2026-03-14\r\n",
            "\u{feff}Container;Seeds;Sown at\nr1;30;2026-03-14\n",
            "SEEDS\tsown-at\tcontainer\n30\t2026-03-14\tr1",
            "container,seeds,sown_at,\nr1,30,2026-03-14,\n,,,\n",
        ] {
            let (sheet, noticed) = parse(text.as_bytes(), &CONTAINERS);
            assert_eq!(noticed.problems, [], "{text}");
            let (sheet, zone) = (sheet.unwrap(), zone());
            let mut rows: Vec<_> = sheet.rows(&zone).collect();
            assert_eq!(rows.len(), 1, "{text}");
            let row = &mut rows[0];
            assert_eq!(row.origin.line, 2);
            assert_eq!(row.name("container").unwrap().as_str(), "r1");
            assert_eq!(row.count("seeds", None), Some(30));
        }
    }

    #[test]
    fn ragged_rows_are_listed_with_their_lines() {
        let text = "unit,at,germinated\nr1,2026-03-14\n\nr2,2026-03-14,1\n\
                    r3,2026-03-14,1,2\n";
        assert_eq!(
            problems(text, &CHECKS),
            [
                "checks.csv:2: has 2 fields where the headings are 3",
                "checks.csv:5: has 4 fields where the headings are 3",
            ]
        );
    }

    #[test]
    fn an_unknown_column_is_a_factor_or_a_problem() {
        let (_, noticed) =
            parse(b"container,seeds,sown_at,Chill Weeks,lidd\n", &CONTAINERS);
        assert_eq!(noticed.problems, []);
        assert_eq!(
            noticed.remarks,
            [
                "containers.csv: column chill_weeks is read as a factor",
                "containers.csv: column lidd is read as a factor; did you \
                 mean \"lid\"?"
            ]
        );
        assert_eq!(
            problems("unit,at,germinatd\n", &CHECKS),
            ["checks.csv:1: column germinatd is not known; did you mean \
                 \"germinated\"?"]
        );
    }

    #[test]
    fn a_missing_column_is_named() {
        assert_eq!(
            problems("container,seed,sown_at\n", &CONTAINERS),
            ["containers.csv:1: has no column seeds; is it the column \
                 \"seed\"?"]
        );
    }

    #[test]
    fn other_encodings_are_refused_with_the_line() {
        let (_, noticed) = parse(b"unit,at\nr1,\xE4\n", &CHECKS);
        assert_eq!(
            noticed.problems[0].to_string(),
            "checks.csv:2: is not UTF-8: save the file as CSV in UTF-8"
        );
        let (_, noticed) = parse(b"\xFF\xFEu\0", &CHECKS);
        assert!(noticed.problems[0].reason.contains("UTF-16"));
    }
}
