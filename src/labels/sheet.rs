//! Sheets of A4 with labels in rows and columns, as SVG; one label is a code
//! beside letters that can be read and typed.
//!
//! The printer's margins and the brand of a sheet are not known here: rows,
//! columns and margin are the grower's.

use std::fmt::Write as _;

use crate::chart::text::{Weight, escaped, lines, shortened, width};
use crate::labels::Tag;
use crate::labels::code::Code;

/// A4, mm.
const WIDE: f64 = 210.0;
const HIGH: f64 = 297.0;
/// Room within a label that stays empty at its edge, mm.
const INSET: f64 = 3.0;
/// The same beside a code, mm.
const EDGE: f64 = 0.8;
/// A phone reads squares of a code down to about this, mm (common practice,
/// no source).
const FINEST: f64 = 0.33;

/// How a sheet is divided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Rows of labels, 1 to 20.
    pub rows: usize,
    /// Columns of labels, 1 to 6.
    pub columns: usize,
    /// Empty edge of the paper, mm, 0 to 40.
    pub margin: f64,
    /// Lines to cut along.
    pub cut: bool,
    /// Labels at the beginning of the first sheet that are used already.
    pub skip: usize,
}

/// A division that makes no sheet.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GridError {
    /// Too few or too many rows or columns.
    #[error("{rows} rows of {columns} are no sheet: 1 to 20 rows of 1 to 6")]
    Division {
        /// Rows asked for.
        rows: usize,
        /// Columns asked for.
        columns: usize,
    },
    /// A margin that leaves no paper.
    #[error("a margin of {0} mm is outside 0–40 mm")]
    Margin(f64),
    /// More labels used up than there are on a sheet.
    #[error("{skip} labels cannot be used up on a sheet of {of}")]
    Skip {
        /// Labels to leave out.
        skip: usize,
        /// Labels of a sheet.
        of: usize,
    },
    /// The code would be finer than a phone reads.
    #[error(
        "on labels of {wide:.0} × {high:.0} mm the squares of the code would \
         be {square:.2} mm wide, too fine for a phone: take fewer rows or \
         columns"
    )]
    Fine {
        /// Width of a label, mm.
        wide: f64,
        /// Height of a label, mm.
        high: f64,
        /// Width of a square, mm.
        square: f64,
    },
}

impl Grid {
    /// Whether it makes a sheet.
    ///
    /// # Errors
    /// [`GridError`] but for [`GridError::Fine`], which depends on the texts.
    pub fn look(&self) -> Result<(), GridError> {
        let Self { rows, columns, margin, skip, .. } = *self;
        if !(1..=20).contains(&rows) || !(1..=6).contains(&columns) {
            return Err(GridError::Division { rows, columns });
        }
        if !(0.0..=40.0).contains(&margin) {
            return Err(GridError::Margin(margin));
        }
        if skip >= rows * columns {
            return Err(GridError::Skip { skip, of: rows * columns });
        }
        Ok(())
    }

    /// Width and height of a label, mm.
    fn cell(&self) -> (f64, f64) {
        let part = |whole: f64, n: usize| {
            let n = u32::try_from(n).map_or(1.0, f64::from);
            (whole - 2.0 * self.margin) / n
        };
        (part(WIDE, self.columns), part(HIGH, self.rows))
    }
}

/// The sheets, each an SVG document of A4 whose unit is the millimetre.
///
/// # Errors
/// [`GridError`] when the grid makes no sheet or the codes would be too fine.
pub fn sheets(tags: &[Tag], grid: &Grid) -> Result<Vec<String>, GridError> {
    grid.look()?;
    let n = grid.rows * grid.columns;
    let slots: Vec<Option<&Tag>> = std::iter::repeat_n(None, grid.skip)
        .chain(tags.iter().map(Some))
        .collect();
    slots.chunks(n).map(|slots| sheet(slots, grid)).collect()
}

fn sheet(slots: &[Option<&Tag>], grid: &Grid) -> Result<String, GridError> {
    let (wide, high) = grid.cell();
    let n_shown = slots.iter().flatten().count();
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"sheet\" \
         width=\"210mm\" height=\"297mm\" viewBox=\"0 0 210 297\" \
         role=\"img\" aria-label=\"{n_shown} labels\">\
         <rect width=\"210\" height=\"297\" fill=\"#fff\"/>"
    );
    for (i, tag) in slots.iter().enumerate() {
        let at = |i: usize| u32::try_from(i).map_or(0.0, f64::from);
        let x = grid.margin + at(i % grid.columns) * wide;
        let y = grid.margin + at(i / grid.columns) * high;
        if grid.cut {
            write(
                &mut svg,
                format_args!(
                    "<rect x=\"{x:.2}\" y=\"{y:.2}\" width=\"{wide:.2}\" \
                 height=\"{high:.2}\" fill=\"none\" stroke=\"#999\" \
                 stroke-width=\"0.15\" stroke-dasharray=\"1.5 1\"/>"
                ),
            );
        }
        if let Some(tag) = tag {
            write(
                &mut svg,
                format_args!("<g transform=\"translate({x:.2} {y:.2})\">"),
            );
            label(&mut svg, tag, wide, high)?;
            svg.push_str("</g>");
        }
    }
    svg.push_str("</svg>");
    Ok(svg)
}

fn write(svg: &mut String, what: std::fmt::Arguments<'_>) {
    svg.write_fmt(what).expect("a text takes everything");
}

/// One label: the code on the left, or on top where the label is narrow.
fn label(
    svg: &mut String,
    tag: &Tag,
    wide: f64,
    high: f64,
) -> Result<(), GridError> {
    let beside = wide >= 1.4 * high.min(36.0);
    let mut side = 0.0;
    if let Some(code) = tag.address.as_deref().and_then(Code::of) {
        // The code brings an empty border of its own.
        side = if beside {
            (high - 2.0 * EDGE).min(wide * 0.46).min(36.0)
        } else {
            (wide - 2.0 * EDGE).min(high * 0.55).min(42.0)
        };
        let n = u32::try_from(code.side()).map_or(1.0, f64::from);
        let square = side / n;
        if square < FINEST {
            return Err(GridError::Fine { wide, high, square });
        }
        let top = if beside { (high - side) / 2.0 } else { EDGE };
        let path = code.path();
        write(
            svg,
            format_args!(
                "<path class=\"code\" transform=\"translate({EDGE} {top:.3}) \
                 scale({square:.5})\" fill=\"#000\" \
                 shape-rendering=\"crispEdges\" d=\"{path}\"/>"
            ),
        );
    }
    let taken = if side > 0.0 { EDGE + side } else { INSET };
    let (left, top) = if beside { (taken, INSET) } else { (INSET, taken) };
    let room = (wide - left - INSET, high - top - INSET);
    words(svg, tag, (left, top), room);
    Ok(())
}

/// The id as large as its room, then the name, then as many lines as fit.
fn words(svg: &mut String, tag: &Tag, at: (f64, f64), room: (f64, f64)) {
    let (left, mut y) = at;
    let bottom = y + room.1;
    let as_wide = room.0 / width(&tag.label, 1.0, Weight::Bold).max(1.0);
    let large = as_wide.min(room.1 * 0.3).min(9.0);
    let small = (room.1 * 0.105).clamp(2.1, 3.4);
    let mut line = |y: f64, size: f64, weight: Weight, text: &str| {
        let heavy = if weight == Weight::Bold { "700" } else { "400" };
        write(
            svg,
            format_args!(
                "<text x=\"{left:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\" \
             font-weight=\"{heavy}\" fill=\"#000\" \
             font-family=\"Liberation Sans, DejaVu Sans, Arial, sans-serif\">\
             {}</text>",
                escaped(text)
            ),
        );
    };
    y += large * 0.8;
    line(y, large, Weight::Bold, &tag.label);
    let name = shortened(&tag.name, small * 1.15, Weight::Bold, room.0);
    y += small * 1.6;
    if y <= bottom {
        line(y, small * 1.15, Weight::Bold, &name);
    }
    for text in &tag.lines {
        for part in lines(text, small, Weight::Plain, room.0, 2) {
            y += small * 1.25;
            if y > bottom {
                return;
            }
            line(y, small, Weight::Plain, &part);
        }
    }
}
