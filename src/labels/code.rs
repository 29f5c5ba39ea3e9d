//! A QR code as dark squares. The coding is the `qrcode` crate's; here only
//! how it is drawn.

use std::fmt::Write as _;

use qrcode::{Color, EcLevel, QrCode};

/// Light squares around a code, as ISO/IEC 18004 asks for.
pub(crate) const QUIET: usize = 4;

/// A code.
#[derive(Debug)]
pub(crate) struct Code {
    dark: Vec<bool>,
    width: usize,
}

impl Code {
    /// Codes a text so that a seventh of it may be unreadable (level M).
    /// `None` when it is too long for any code.
    pub(crate) fn of(text: &str) -> Option<Self> {
        let code =
            QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
        let width = code.width();
        let dark =
            code.to_colors().into_iter().map(|c| c == Color::Dark).collect();
        Some(Self { dark, width })
    }

    /// Squares along a side, the quiet border included.
    pub(crate) fn side(&self) -> usize {
        self.width + 2 * QUIET
    }

    /// The dark squares as one path, each run of a row one rectangle, in
    /// squares from the corner of the quiet border.
    pub(crate) fn path(&self) -> String {
        let mut path = String::new();
        for (y, row) in self.dark.chunks(self.width).enumerate() {
            let mut x = 0;
            while x < self.width {
                let run = row[x..].iter().take_while(|dark| **dark).count();
                if run == 0 {
                    x += 1;
                    continue;
                }
                let (left, top) = (x + QUIET, y + QUIET);
                write!(path, "M{left} {top}h{run}v1h-{run}z")
                    .expect("a text takes everything");
                x += run;
            }
        }
        path
    }
}
