//! Progress on the terminal: only where somebody watches, and only when the
//! work lasts.

use std::time::{Duration, Instant as Monotonic};

use indicatif::{ProgressBar, ProgressStyle};

use crate::cli::output::Output;

/// Work shorter than this shows no bar.
const WORTH_A_BAR: Duration = Duration::from_secs(1);

/// A bar for the step that is being done.
pub(crate) struct Progress {
    watched: bool,
    doing: &'static str,
    of: u64,
    since: Monotonic,
    bar: Option<ProgressBar>,
}

impl Progress {
    pub(crate) fn new(output: &Output) -> Self {
        Self {
            watched: output.is_watched(),
            doing: "",
            of: 0,
            since: Monotonic::now(),
            bar: None,
        }
    }

    /// So far, of so many.
    pub(crate) fn at(&mut self, doing: &'static str, done: u64, of: u64) {
        if doing != self.doing {
            if of != self.of {
                self.end();
                self.since = Monotonic::now();
            }
            (self.doing, self.of) = (doing, of);
        }
        if !self.watched {
            return;
        }
        if self.bar.is_none() && self.since.elapsed() >= WORTH_A_BAR {
            let style = ProgressStyle::with_template(
                "{msg} {bar:30} {pos}/{len}, {eta} left",
            )
            .expect("the template is sound");
            let bar = ProgressBar::new(of).with_style(style);
            bar.set_message(doing);
            self.bar = Some(bar);
        }
        if let Some(bar) = &self.bar {
            bar.set_message(self.doing);
            bar.set_position(done);
        }
    }

    fn end(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.end();
    }
}
