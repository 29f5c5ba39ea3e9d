//! Readings from a CSV file: `board,time,temperature_celsius,…`, row by row,
//! so that a file of any length needs no memory.
//!
//! What is written of them, and whether they are known already, is the
//! store's business.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use crate::exchange::nearest::did_you_mean;
use crate::exchange::sheet::{RowProblem, delimiter, heading, ragged};
use crate::exchange::times::ZoneRule;
use crate::observation::{Name, Quality, Quantity, Reading, Series, shown};
use crate::trial::when::Stated;
use crate::units::Instant;

/// Why a file cannot be read at all.
#[derive(Debug, thiserror::Error)]
#[error("cannot read \"{}\"", path.display())]
pub struct FileError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    pub source: std::io::Error,
}

/// A row: what one probe measured at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingsRow {
    /// Its line in the file.
    pub line: u64,
    /// One reading for each quantity given.
    pub readings: Vec<(Series, Reading)>,
    /// Said when a local time occurred twice.
    pub remark: Option<String>,
}

/// Where the cells of a row stand.
#[derive(Debug)]
struct Places {
    board: Option<usize>,
    probe: Option<usize>,
    time: Option<usize>,
    quality: Option<usize>,
    quantities: Vec<(Quantity, usize)>,
    headings: usize,
}

/// A file of readings, given row by row.
#[derive(Debug)]
pub struct ReadingsFile<R> {
    file: String,
    zone: ZoneRule,
    /// Decimal commas are read where semicolons separate the cells.
    decimal_comma: bool,
    places: Places,
    reader: csv::Reader<R>,
    record: csv::ByteRecord,
}

/// Opens a file and reads its headings.
///
/// # Errors
/// [`FileError`] when it cannot be read; problems with the headings are in
/// the inner result.
pub fn open(
    path: &Path,
    zone: &ZoneRule,
) -> Result<Result<ReadingsFile<impl Read + use<>>, Vec<RowProblem>>, FileError>
{
    let failed = |source| FileError { path: path.to_owned(), source };
    let file = File::open(path).map_err(failed)?;
    let name = path
        .file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default();
    ReadingsFile::new(&name, BufReader::new(file), zone).map_err(failed)
}

impl<R: Read> ReadingsFile<R> {
    /// Reads the headings of what is behind `source`; `file` names it in
    /// messages.
    ///
    /// # Errors
    /// When nothing can be read; problems with the headings are in the inner
    /// result.
    pub fn new(
        file: &str,
        mut source: BufReader<R>,
        zone: &ZoneRule,
    ) -> Result<
        Result<ReadingsFile<impl Read + use<R>>, Vec<RowProblem>>,
        std::io::Error,
    > {
        let problem = |reason: String| RowProblem {
            file: file.to_owned(),
            line: 1,
            reason,
        };
        let start = source.fill_buf()?;
        if start.starts_with(&[0xFF, 0xFE]) {
            let reason = "is written as UTF-16: save it as CSV in UTF-8";
            return Ok(Err(vec![problem(reason.to_owned())]));
        }
        if start.starts_with(b"\xEF\xBB\xBF") {
            source.consume(3);
        }
        let first = String::from_utf8_lossy(source.fill_buf()?);
        let separator = delimiter(&first);
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator)
            .has_headers(false)
            .flexible(true)
            // Only so do line numbers come right; a CR left is trimmed.
            .terminator(csv::Terminator::Any(b'\n'))
            .from_reader(source.chain(&b"\n"[..]));
        let mut record = csv::ByteRecord::new();
        if !reader.read_byte_record(&mut record)? {
            let reason = "is empty: it needs a line of headings";
            return Ok(Err(vec![problem(reason.to_owned())]));
        }
        let headings: Vec<String> = record
            .iter()
            .map(|cell| heading(&String::from_utf8_lossy(cell)))
            .collect();
        Ok(match Places::find(&headings) {
            Ok(places) => Ok(ReadingsFile {
                file: file.to_owned(),
                zone: *zone,
                decimal_comma: separator == b';',
                places,
                reader,
                record,
            }),
            Err(reasons) => Err(reasons.into_iter().map(problem).collect()),
        })
    }

    fn row(
        &self,
        line: u64,
        record: &csv::StringRecord,
    ) -> Result<ReadingsRow, String> {
        if let Some(reason) = ragged(record, self.places.headings) {
            return Err(reason);
        }
        let cell = |place: Option<usize>| {
            place.and_then(|place| record.get(place)).unwrap_or("").trim()
        };
        let name = |column: &str, text: &str| {
            Name::new(text).map_err(|error| format!("{column}: {error}"))
        };
        let board = name("board", cell(self.places.board))?;
        let probe = match cell(self.places.probe) {
            "" => name("probe", super::rows_of_house::AIR)?,
            text => name("probe", text)?,
        };
        let understood = self.zone.read(cell(self.places.time))?;
        if matches!(understood.when.stated, Stated::Day(_)) {
            return Err(
                "time: a reading needs an hour, not a date alone".into()
            );
        }
        let marks = cell(self.places.quality);
        let marks = Quality::from_words(marks).ok_or_else(|| {
            format!("quality: \"{}\" has an unknown mark", shown(marks))
        })?;
        let mut readings = Vec::new();
        for (quantity, place) in &self.places.quantities {
            let text = cell(Some(*place));
            if text.is_empty() {
                continue;
            }
            let value = self.value(*quantity, text)?;
            let series = Series {
                board: board.clone(),
                probe: probe.clone(),
                quantity: *quantity,
            };
            let at: Instant = understood.when.at;
            let quality = marks.with(marks_of(*quantity, value));
            readings.push((series, Reading { at, value, quality }));
        }
        if readings.is_empty() {
            return Err("has no value".to_owned());
        }
        Ok(ReadingsRow { line, readings, remark: understood.remark })
    }

    fn value(&self, quantity: Quantity, text: &str) -> Result<f64, String> {
        let point = if self.decimal_comma {
            text.replace(',', ".")
        } else {
            text.to_owned()
        };
        let column = quantity.column();
        let value: f64 = point
            .parse()
            .ok()
            .filter(|value: &f64| value.is_finite())
            .ok_or_else(|| {
                format!("{column}: \"{}\" is not a number", shown(text))
            })?;
        let (low, high) = quantity.limits();
        if !(low..=high).contains(&value) {
            return Err(format!(
                "{column}: {value} is outside {low}–{high} {}",
                quantity.unit()
            ));
        }
        Ok(value)
    }
}

/// Marks that follow from the value itself.
fn marks_of(quantity: Quantity, value: f64) -> Quality {
    if quantity == Quantity::Humidity && value > 100.0 {
        Quality::SATURATED
    } else {
        Quality::GOOD
    }
}

impl<R: Read> Iterator for ReadingsFile<R> {
    type Item = Result<ReadingsRow, RowProblem>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let mut record = std::mem::take(&mut self.record);
            let line = self.reader.position().line();
            let problem = |line, reason| RowProblem {
                file: self.file.clone(),
                line,
                reason,
            };
            match self.reader.read_byte_record(&mut record) {
                Ok(false) => return None,
                Ok(true) => {}
                Err(error) => {
                    return Some(Err(problem(line, error.to_string())));
                }
            }
            if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
                self.record = record;
                continue;
            }
            let line = self.reader.position().line().saturating_sub(1);
            return match csv::StringRecord::from_byte_record(record) {
                Err(error) => {
                    self.record = error.into_byte_record();
                    let reason = "is not UTF-8: save the file as CSV in UTF-8";
                    Some(Err(problem(line, reason.to_owned())))
                }
                Ok(record) => {
                    let row = self
                        .row(line, &record)
                        .map_err(|reason| problem(line, reason));
                    self.record = record.into_byte_record();
                    Some(row)
                }
            };
        }
    }
}

impl Places {
    fn find(headings: &[String]) -> Result<Self, Vec<String>> {
        let mut places = Self {
            board: None,
            probe: None,
            time: None,
            quality: None,
            quantities: Vec::new(),
            headings: headings.len(),
        };
        let known: Vec<&str> = ["board", "probe", "time", "quality"]
            .into_iter()
            .chain(Quantity::ALL.map(Quantity::column))
            .collect();
        let mut reasons = Vec::new();
        for (place, heading) in headings.iter().enumerate() {
            let slot = match heading.as_str() {
                "board" => &mut places.board,
                "probe" => &mut places.probe,
                "time" => &mut places.time,
                "quality" => &mut places.quality,
                "" => continue,
                other => {
                    let quantity =
                        Quantity::ALL.into_iter().find(|q| q.column() == other);
                    match quantity {
                        Some(quantity) => {
                            places.quantities.push((quantity, place));
                        }
                        None => reasons.push(format!(
                            "column {} is not known{}",
                            shown(other),
                            did_you_mean(other, known.iter().copied())
                        )),
                    }
                    continue;
                }
            };
            if slot.replace(place).is_some() {
                reasons.push(format!("two columns are headed {heading}"));
            }
        }
        for (column, place) in [("board", places.board), ("time", places.time)]
        {
            if place.is_none() {
                reasons.push(format!("has no column {column}"));
            }
        }
        if places.quantities.is_empty() {
            let columns = Quantity::ALL.map(Quantity::column).join(", ");
            reasons.push(format!("has none of the columns {columns}"));
        }
        let mut seen = std::collections::BTreeSet::new();
        for (quantity, _) in &places.quantities {
            if !seen.insert(*quantity) {
                let column = quantity.column();
                reasons.push(format!("two columns are headed {column}"));
            }
        }
        if reasons.is_empty() { Ok(places) } else { Err(reasons) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone() -> ZoneRule {
        ZoneRule {
            zone: chrono_tz::Europe::Dublin,
            evening: chrono::NaiveTime::from_hms_opt(20, 0, 0).unwrap(),
        }
    }

    fn rows(text: &str) -> Vec<Result<ReadingsRow, String>> {
        let source = BufReader::new(text.as_bytes());
        match ReadingsFile::new("r.csv", source, &zone()).unwrap() {
            Ok(file) => file
                .map(|row| row.map_err(|problem| problem.to_string()))
                .collect(),
            Err(problems) => {
                problems.iter().map(|p| Err(p.to_string())).collect()
            }
        }
    }

    #[test]
    fn a_row_gives_a_reading_for_each_quantity_it_has() {
        let text = "board,time,temperature_celsius,humidity_percent\n\
                    b1,2026-03-14T12:00:00Z,3.6,\n\
                    b1,2026-06-14 12:00,4.5,101\n";
        let rows = rows(text);
        let first = rows[0].as_ref().unwrap();
        assert_eq!(first.readings.len(), 1);
        assert_eq!(first.readings[0].0.to_string(), "b1/air/temperature");
        let second = rows[1].as_ref().unwrap();
        let (_, humidity) = &second.readings[1];
        assert_eq!(humidity.at.to_string(), "2026-06-14T11:00:00Z");
        assert_eq!(humidity.quality, Quality::SATURATED);
    }

    #[test]
    fn semicolons_come_with_decimal_commas() {
        let rows = rows(
            "\u{feff}Board;Time;Temperature Celsius;Probe\r\n\
             b1;2026-03-14T12:00:00Z;3,6;damped\r\n",
        );
        let (series, reading) = &rows[0].as_ref().unwrap().readings[0];
        assert_eq!(series.probe.as_str(), "damped");
        assert!((reading.value - 3.6).abs() < 1e-12);
    }

    #[test]
    fn every_bad_row_is_told_with_its_line() {
        let text = "board,time,humidity_percent\n\
                    b1,2026-03-14T12:00:00Z,150\n\
                    \n\
                    B 1,2026-03-14T12:00:00Z,50\n\
                    b1,2026-03-14,50\n\
                    b1,2026-03-29 01:30,50\n\
                    b1,2026-03-14T12:01:00Z,nan\n\
                    b1,2026-03-14T12:02:00Z\n\
                    b1,2026-03-14T12:03:00Z,51\n";
        let rows = rows(text);
        let reasons: Vec<_> =
            rows.iter().filter_map(|row| row.as_ref().err()).collect();
        let expected = [
            "r.csv:2: humidity_percent: 150 is outside 0–105 %",
            "r.csv:4: board: \"B 1\" is not a name",
            "r.csv:5: time: a reading needs an hour",
            "r.csv:6: 2026-03-29 01:30 does not exist",
            "r.csv:7: humidity_percent: \"nan\" is not a number",
            "r.csv:8: has 2 fields where the headings are 3",
        ];
        assert_eq!(reasons.len(), expected.len(), "{reasons:#?}");
        for (reason, expected) in reasons.iter().zip(expected) {
            assert!(reason.starts_with(expected), "{reason}");
        }
        assert!(rows.last().unwrap().is_ok());
    }

    #[test]
    fn unknown_headings_are_told_all_at_once() {
        let reasons: Vec<_> = rows("bord,time,temperature\n")
            .into_iter()
            .map(Result::unwrap_err)
            .collect();
        assert_eq!(reasons.len(), 4, "{reasons:#?}");
        assert!(reasons[0].contains("did you mean \"board\"?"));
    }
}
