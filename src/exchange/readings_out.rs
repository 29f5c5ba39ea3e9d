//! The store's readings as CSV: one file, or one a month when there are
//! many.
//!
//! Raw values with their marks; corrections are ledger entries and stay
//! there.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use crate::exchange::folder_out::{ExportError, Written};
use crate::observation::{Name, Quality, Quantity, Reading, Series};
use crate::store::Store;
use crate::units::Instant;

/// Above so many readings each month gets a file of its own: a spreadsheet
/// holds about a million rows.
pub const ONE_FILE: u64 = 1_000_000;

/// Writes all readings into the folder: into one file up to `one_file`
/// readings (usually [`ONE_FILE`]), else one a month by UTC.
///
/// # Errors
/// [`ExportError`].
pub fn write_readings(
    folder: &Path,
    store: &Store,
    one_file: u64,
) -> Result<Vec<Written>, ExportError> {
    let total: u64 = store.series()?.iter().map(|info| info.readings).sum();
    if total == 0 {
        return Ok(Vec::new());
    }
    let mut out = Out {
        folder,
        by_month: total > one_file,
        open: None,
        moment: Instant::default(),
        rows: BTreeMap::new(),
        written: Vec::new(),
    };
    let (from, to) =
        (Instant::from_millis(i64::MIN), Instant::from_millis(i64::MAX));
    store
        .each_reading(from, to, |series, reading| out.take(series, reading))?;
    out.finish()
}

/// A row under way: the values of one probe that share their marks.
type Cells = [Option<f64>; Quantity::ALL.len()];

struct Out<'a> {
    folder: &'a Path,
    by_month: bool,
    open: Option<Open>,
    /// The instant whose rows are being gathered.
    moment: Instant,
    rows: BTreeMap<(Name, Name, u16), Cells>,
    written: Vec<Written>,
}

struct Open {
    file: String,
    path: PathBuf,
    writer: csv::Writer<File>,
    rows: u64,
}

impl Out<'_> {
    fn take(
        &mut self,
        series: &Series,
        reading: Reading,
    ) -> Result<(), ExportError> {
        if reading.at != self.moment {
            self.write_moment()?;
            self.moment = reading.at;
        }
        let key = (
            series.board.clone(),
            series.probe.clone(),
            reading.quality.bits(),
        );
        let place = Quantity::ALL
            .iter()
            .position(|quantity| *quantity == series.quantity)
            .expect("every quantity is among all");
        self.rows.entry(key).or_default()[place] = Some(reading.value);
        Ok(())
    }

    fn write_moment(&mut self) -> Result<(), ExportError> {
        if self.rows.is_empty() {
            return Ok(());
        }
        let file = if self.by_month {
            self.moment.utc().format("readings-%Y-%m.csv").to_string()
        } else {
            "readings.csv".to_owned()
        };
        if self.open.as_ref().is_none_or(|open| open.file != file) {
            self.close()?;
            self.open = Some(Open::new(self.folder, file)?);
        }
        let open = self.open.as_mut().expect("it was just opened");
        for ((board, probe, marks), cells) in std::mem::take(&mut self.rows) {
            open.write(&board, &probe, self.moment, &cells, marks)?;
        }
        Ok(())
    }

    fn close(&mut self) -> Result<(), ExportError> {
        let Some(mut open) = self.open.take() else { return Ok(()) };
        open.writer.flush().map_err(|source| ExportError::Write {
            path: open.path.clone(),
            source,
        })?;
        self.written.push(Written::readings(open.file, open.rows));
        Ok(())
    }

    fn finish(mut self) -> Result<Vec<Written>, ExportError> {
        self.write_moment()?;
        self.close()?;
        Ok(self.written)
    }
}

impl Open {
    fn new(folder: &Path, file: String) -> Result<Self, ExportError> {
        let path = folder.join(&file);
        let failed = |error: csv::Error| ExportError::Write {
            path: path.clone(),
            source: error.into(),
        };
        let mut writer = csv::Writer::from_path(&path).map_err(failed)?;
        let headings = ["board", "probe", "time"]
            .into_iter()
            .chain(Quantity::ALL.map(Quantity::column))
            .chain(["quality"]);
        writer.write_record(headings).map_err(failed)?;
        Ok(Self { file, path, writer, rows: 0 })
    }

    fn write(
        &mut self,
        board: &Name,
        probe: &Name,
        at: Instant,
        cells: &Cells,
        marks: u16,
    ) -> Result<(), ExportError> {
        let values = cells
            .iter()
            .map(|cell| cell.map(|v| v.to_string()).unwrap_or_default());
        let row = [board.to_string(), probe.to_string(), at.to_string()]
            .into_iter()
            .chain(values)
            .chain([Quality::from_bits(marks).words().join(" ")]);
        self.writer.write_record(row).map_err(|error| ExportError::Write {
            path: self.path.clone(),
            source: error.into(),
        })?;
        self.rows += 1;
        Ok(())
    }
}
