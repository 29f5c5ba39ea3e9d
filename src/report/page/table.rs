//! Tables that are tables at a desk and lists of cards on a phone, with
//! their roles kept either way.

use maud::{Markup, html};

/// One column.
pub(super) struct Column {
    head: String,
    number: bool,
    broad: bool,
}

/// A column of words.
pub(super) fn words(head: &str) -> Column {
    Column { head: head.to_owned(), number: false, broad: false }
}

/// A column of longer words: takes a card's whole width.
pub(super) fn broad(head: &str) -> Column {
    Column { head: head.to_owned(), number: false, broad: true }
}

/// A column of numbers.
pub(super) fn number(head: &str) -> Column {
    Column { head: head.to_owned(), number: true, broad: false }
}

/// What a table is about, and of which seeds it speaks.
pub(super) struct Caption<'a> {
    pub(super) title: &'a str,
    pub(super) note: &'a str,
}

/// A table; the first cell of a row names it.
pub(super) fn table(
    caption: &Caption<'_>,
    columns: &[Column],
    rows: &[Vec<Markup>],
) -> Markup {
    html! {
        @if !rows.is_empty() {
            table.stack role="table" {
                caption {
                    (caption.title)
                    @if !caption.note.is_empty() {
                        span.small { (caption.note) }
                    }
                }
                thead role="rowgroup" {
                    tr role="row" {
                        @for column in columns {
                            th scope="col" role="columnheader"
                                class=[column.number.then_some("n")] {
                                (column.head)
                            }
                        }
                    }
                }
                tbody role="rowgroup" {
                    @for row in rows { (one(columns, row)) }
                }
            }
        }
    }
}

fn one(columns: &[Column], row: &[Markup]) -> Markup {
    html! {
        tr role="row" {
            @for (i, (column, cell)) in columns.iter().zip(row).enumerate() {
                @if i == 0 {
                    th scope="row" role="rowheader" { (cell) }
                } @else {
                    td role="cell" data-label=(column.head)
                        class=[class(column, cell)] { (cell) }
                }
            }
        }
    }
}

fn class(column: &Column, cell: &Markup) -> Option<&'static str> {
    if cell.0 == dash().0 {
        // Left out of a card, kept in a table.
        return Some(if column.number { "n void" } else { "void" });
    }
    match (column.number, column.broad) {
        (true, _) => Some("n"),
        (false, true) => Some("broad"),
        (false, false) => None,
    }
}

/// A share with its interval on a line from 0 to 100; nothing without an
/// interval.
pub(super) fn strip(share: f64, interval: Option<(f64, f64)>) -> Markup {
    let x = |share: f64| format!("{:.1}", 4.0 + 100.0 * share.clamp(0.0, 1.0));
    html! {
        @if let Some((low, high)) = interval {
            svg.strip viewBox="0 0 108 12" aria-hidden="true" {
                line.axis x1="4" x2="104" y1="6" y2="6" {}
                line.axis x1="4" x2="4" y1="3" y2="9" {}
                line.axis x1="54" x2="54" y1="3" y2="9" {}
                line.axis x1="104" x2="104" y1="3" y2="9" {}
                line.bar x1=(x(low)) x2=(x(high)) y1="6" y2="6" {}
                circle.dot cx=(x(share)) cy="6" r="3" {}
            }
        }
    }
}

/// A cell of plain text.
pub(super) fn cell(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}

/// A cell with a quieter second line.
pub(super) fn two_lines(first: &str, second: &str) -> Markup {
    html! {
        (first)
        @if !second.is_empty() { br; span.soft { (second) } }
    }
}

/// What does not apply.
pub(super) fn dash() -> Markup {
    html! { span.soft { "–" } }
}

/// What is not known.
pub(super) fn unknown() -> Markup {
    html! { span.soft { "unknown" } }
}
