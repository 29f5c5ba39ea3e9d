//! Files that appear together: written under temporary names first, then
//! renamed in the order they were added.

use std::fs;
use std::path::{Path, PathBuf};

use crate::report::ReportError;

/// Files that wait to be put in place.
pub(crate) struct Pending<'a> {
    out: &'a Path,
    waiting: Vec<(PathBuf, PathBuf)>,
}

impl<'a> Pending<'a> {
    pub(crate) fn new(out: &'a Path) -> Self {
        Self { out, waiting: Vec::new() }
    }

    /// Writes a file under a temporary name beside its own.
    pub(crate) fn add(
        &mut self,
        name: &str,
        text: &str,
    ) -> Result<(), ReportError> {
        let path = self.out.join(name);
        let failed = |path: &Path| failure(path.to_owned());
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(failed(folder))?;
        }
        let mut hidden = path.file_name().unwrap_or_default().to_owned();
        hidden.push(format!(".{}.new", std::process::id()));
        let waiting = path.with_file_name(hidden);
        let written = fs::write(&waiting, text);
        self.waiting.push((waiting, path.clone()));
        written.map_err(failed(&path))
    }

    /// Renames all; figures of an older report that this one does not have
    /// are removed.
    pub(crate) fn put_in_place(mut self) -> Result<Vec<PathBuf>, ReportError> {
        let mut files = Vec::new();
        for (waiting, path) in std::mem::take(&mut self.waiting) {
            if let Err(source) = fs::rename(&waiting, &path) {
                self.waiting.push((waiting, path.clone()));
                return Err(ReportError::Write { path, source });
            }
            files.push(path);
        }
        self.remove_old_figures(&files)?;
        Ok(files)
    }

    fn remove_old_figures(&self, files: &[PathBuf]) -> Result<(), ReportError> {
        let folder = self.out.join(crate::report::figures::FOLDER);
        let Ok(entries) = fs::read_dir(&folder) else { return Ok(()) };
        for entry in entries.flatten() {
            let path = entry.path();
            let name = entry.file_name();
            let ours =
                crate::report::figures::is_our_name(&name.to_string_lossy());
            if ours && !files.contains(&path) {
                fs::remove_file(&path).map_err(failure(path))?;
            }
        }
        Ok(())
    }
}

fn failure(path: PathBuf) -> impl FnOnce(std::io::Error) -> ReportError {
    move |source| ReportError::Write { path, source }
}

impl Drop for Pending<'_> {
    /// What was not put in place is taken away again.
    fn drop(&mut self) {
        for (waiting, _) in &self.waiting {
            // Nothing to be done about one that cannot be removed.
            fs::remove_file(waiting).ok();
        }
    }
}
