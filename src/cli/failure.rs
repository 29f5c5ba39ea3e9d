//! Why a command could not be done: what, why, and what to do about it.
//!
//! Not an error type of the library: those are collected here into lines.

use std::error::Error;

use crate::daemon::settings::SettingsError;
use crate::exchange::folder_in::{FolderError, RowProblem};
use crate::exchange::folder_out::ExportError;
use crate::exchange::readings_in::FileError;
use crate::store::StoreError;
use crate::store::backup::BackupError;

/// What a command that was done has to say to a script.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Answer {
    Done,
    /// Done, and the answer is "no".
    No,
}

/// A command that could not be done.
#[derive(Debug)]
pub(crate) enum Failure {
    /// Whoever read the output has gone: no failure at all.
    Closed,
    /// To be told.
    Told(Told),
}

/// The lines that are printed.
#[derive(Debug, Default)]
pub(crate) struct Told {
    pub(crate) error: String,
    pub(crate) causes: Vec<String>,
    pub(crate) hints: Vec<String>,
}

impl Failure {
    pub(crate) fn new(error: impl Into<String>) -> Self {
        Self::Told(Told { error: error.into(), ..Told::default() })
    }

    /// Adds why.
    #[must_use]
    pub(crate) fn because(mut self, cause: impl Into<String>) -> Self {
        if let Self::Told(told) = &mut self {
            told.causes.push(cause.into());
        }
        self
    }

    /// Adds what to do.
    #[must_use]
    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Self {
        if let Self::Told(told) = &mut self {
            told.hints.push(hint.into());
        }
        self
    }

    /// An error of the library with its chain of causes.
    pub(crate) fn of(error: &dyn Error) -> Self {
        let mut failure = Self::new(error.to_string());
        let mut cause = error.source();
        while let Some(error) = cause {
            failure = failure.because(error.to_string());
            cause = error.source();
        }
        failure
    }

    /// Rows that cannot be read, all of them.
    pub(crate) fn of_rows(error: &str, problems: &[RowProblem]) -> Self {
        problems.iter().fold(Self::new(error), |failure, problem| {
            failure.because(problem.to_string())
        })
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        let failure = Self::of(&error);
        match error {
            StoreError::Missing { .. } => failure
                .hint("`vernalog init` makes one; --data FILE names another"),
            _ => failure,
        }
    }
}

impl From<BackupError> for Failure {
    fn from(error: BackupError) -> Self {
        match error {
            BackupError::Store(error) => error.into(),
            BackupError::Unsound { .. } => Self::of(&error)
                .hint("`vernalog restore` takes an earlier backup as well"),
            other => Self::of(&other),
        }
    }
}

impl From<SettingsError> for Failure {
    fn from(error: SettingsError) -> Self {
        match &error {
            SettingsError::Unreadable { .. } => {
                Self::of(&error).hint("`vernalog init` writes a settings file")
            }
            SettingsError::Wrong { path, problems } => problems.iter().fold(
                Self::new(format!(
                    "the settings file \"{}\" is wrong",
                    path.display()
                )),
                |failure, problem| failure.because(problem.to_string()),
            ),
        }
    }
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        let failure = Self::of(&error);
        match error {
            ExportError::NotEmpty { .. } => failure
                .hint("name a new folder, or one that holds an older export"),
            _ => failure,
        }
    }
}

impl From<FolderError> for Failure {
    fn from(error: FolderError) -> Self {
        Self::of(&error)
    }
}

impl From<FileError> for Failure {
    fn from(error: FileError) -> Self {
        Self::of(&error)
    }
}
