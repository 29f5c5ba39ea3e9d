//! The table of readings page by page, as SQLite itself hands pages over
//! (its virtual table `sqlite_dbpage`): ten times as fast as row by row.
//!
//! No file is opened here, and what is not exactly as the file format
//! (sqlite.org/fileformat2.html, sections 1.6 and 2.1) and our own table say
//! is given up, so that the caller reads rows.

use std::ops::Range;

use rusqlite::{CachedStatement, Connection, OptionalExtension};

use crate::store::{Doing, StoreError};

/// A row of the table `reading`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Row {
    pub(crate) at_ms: i64,
    pub(crate) series: u32,
    pub(crate) value: Stored,
    pub(crate) quality: u16,
}

/// A value as it is kept; see `numbers`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Stored {
    Thousandths(i64),
    Number(f64),
}

/// Inner and outer pages of a table without row numbers.
const INNER: u8 = 2;
const LEAF: u8 = 10;
/// Rows given at a time, or some more.
const TOGETHER: usize = 1_024;
/// No tree of ours is deeper.
const DEEPEST: usize = 12;

/// Gives every row with `at_ms` in `span`, some at a time, in the order of
/// the table's key. False where this way of reading is not open; rows given
/// so far then count for nothing. The caller holds a transaction.
///
/// # Errors
/// [`StoreError`] when SQLite cannot read.
pub(crate) fn each(
    moment: &Connection,
    span: Range<i64>,
    give: &mut dyn FnMut(Vec<Row>),
) -> Result<bool, StoreError> {
    let Ok(statement) = moment.prepare_cached(
        "SELECT data FROM sqlite_dbpage('main') WHERE pgno = ?1",
    ) else {
        return Ok(false);
    };
    let root: Option<i64> = moment
        .prepare_cached(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'reading'",
        )
        .reading()?
        .query_row([], |row| row.get(0))
        .optional()
        .reading()?;
    let Some(root) = root.and_then(|root| u32::try_from(root).ok()) else {
        return Ok(false);
    };
    let rows = Vec::with_capacity(TOGETHER);
    let mut walk = Walk { statement, span, rows, give, usable: 0 };
    let Some(first) = walk.page(1)? else { return Ok(false) };
    // The last bytes of each page may be kept for others.
    let kept = first.get(20).copied().unwrap_or(0);
    walk.usable = first.len().saturating_sub(usize::from(kept));
    let whole = walk.tree(root, 0)?.is_some();
    (walk.give)(walk.rows);
    Ok(whole)
}

struct Walk<'a> {
    statement: CachedStatement<'a>,
    span: Range<i64>,
    /// Found, and not yet given.
    rows: Vec<Row>,
    give: &'a mut dyn FnMut(Vec<Row>),
    usable: usize,
}

/// Whether the walk goes on; `None`: a page is not as expected.
type Going = Option<bool>;

impl Walk<'_> {
    fn page(&mut self, number: u32) -> Result<Option<Vec<u8>>, StoreError> {
        let found = self.statement.query_row([number], |row| {
            Ok(row.get_ref(0)?.as_blob().ok().map(<[u8]>::to_vec))
        });
        Ok(found.optional().reading()?.flatten())
    }

    /// Walks through the page and what hangs on it, in order.
    fn tree(&mut self, number: u32, depth: usize) -> Result<Going, StoreError> {
        let Some(page) = self.page(number)? else { return Ok(None) };
        if depth > DEEPEST || page.len() < self.usable {
            return Ok(None);
        }
        let page = &page[..self.usable];
        match page.first() {
            Some(&LEAF) => Ok(self.leaf(page)),
            Some(&INNER) => self.inner(page, depth),
            _ => Ok(None),
        }
    }

    fn leaf(&mut self, page: &[u8]) -> Going {
        for cell in cells(page, 8)? {
            let row = row(page.get(cell..)?, self.usable)?;
            if row.at_ms >= self.span.end {
                return Some(false);
            }
            if row.at_ms >= self.span.start {
                self.rows.push(row);
            }
        }
        if self.rows.len() >= TOGETHER {
            let next = Vec::with_capacity(self.rows.capacity());
            (self.give)(std::mem::replace(&mut self.rows, next));
        }
        Some(true)
    }

    /// Rows lie on inner pages, too, each between two others.
    fn inner(
        &mut self,
        page: &[u8],
        depth: usize,
    ) -> Result<Going, StoreError> {
        let Some(cells) = cells(page, 12) else { return Ok(None) };
        for cell in cells {
            let Some((child, row)) = self.branch(page, cell) else {
                return Ok(None);
            };
            // All that hangs on it comes before its row.
            if row.at_ms < self.span.start {
                continue;
            }
            match self.tree(child, depth + 1)? {
                Some(true) => {}
                other => return Ok(other),
            }
            if row.at_ms >= self.span.end {
                return Ok(Some(false));
            }
            self.rows.push(row);
        }
        match number(page.get(8..)) {
            Some(last) => self.tree(last, depth + 1),
            None => Ok(None),
        }
    }

    fn branch(&self, page: &[u8], cell: usize) -> Option<(u32, Row)> {
        let child = number(page.get(cell..))?;
        Some((child, row(page.get(cell + 4..)?, self.usable)?))
    }
}

fn number(bytes: Option<&[u8]>) -> Option<u32> {
    bytes?.first_chunk().map(|own| u32::from_be_bytes(*own))
}

/// Where the cells of a page are, in order.
fn cells(page: &[u8], header: usize) -> Option<impl Iterator<Item = usize>> {
    let n = usize::from(u16::from_be_bytes(*page.get(3..)?.first_chunk()?));
    let list = page.get(header..header + 2 * n)?;
    let (pairs, _) = list.as_chunks::<2>();
    Some(pairs.iter().map(|at| usize::from(u16::from_be_bytes(*at))))
}

/// Reads a cell: its length, then a record of four columns in the order of
/// the table. None when it is not wholly here or is not such a record.
// To hand a row over would take longer than to read it.
#[inline(always)]
fn row(cell: &[u8], usable: usize) -> Option<Row> {
    let (length, rest) = small(cell)?;
    // Longer ones are continued elsewhere; ours never are.
    let most = usable.saturating_sub(12) * 64 / 255;
    if usize::from(length) + 23 > most {
        return None;
    }
    let record = rest.get(..usize::from(length))?;
    let [5, at, series, value, quality, body @ ..] = record else {
        return None;
    };
    let mut body = body;
    let mut whole = |kind: u8| {
        let (found, rest) = whole(kind, body)?;
        body = rest;
        Some(found)
    };
    let at_ms = whole(*at)?;
    let series = u32::try_from(whole(*series)?).ok()?;
    let value = match value {
        7 => Stored::Number(f64::from_bits(whole(6)?.cast_unsigned())),
        kind => Stored::Thousandths(whole(*kind)?),
    };
    let quality = u16::try_from(whole(*quality)?).ok()?;
    body.is_empty().then_some(Row { at_ms, series, value, quality })
}

/// A number of one byte; larger ones take more, which ours never do.
fn small(bytes: &[u8]) -> Option<(u8, &[u8])> {
    let (first, rest) = bytes.split_first()?;
    (*first < 0x80).then_some((*first, rest))
}

/// A whole number by its kind, and what follows it.
fn whole(kind: u8, bytes: &[u8]) -> Option<(i64, &[u8])> {
    Some(match kind {
        1 => {
            let (own, rest) = bytes.split_first_chunk()?;
            (i8::from_be_bytes(*own).into(), rest)
        }
        2 => {
            let (own, rest) = bytes.split_first_chunk()?;
            (i16::from_be_bytes(*own).into(), rest)
        }
        3 => {
            let ([a, b, c], rest) = bytes.split_first_chunk()?;
            ((i32::from_be_bytes([*a, *b, *c, 0]) >> 8).into(), rest)
        }
        4 => {
            let (own, rest) = bytes.split_first_chunk()?;
            (i32::from_be_bytes(*own).into(), rest)
        }
        5 => {
            let ([a, b, c, d, e, f], rest) = bytes.split_first_chunk()?;
            let own = [*a, *b, *c, *d, *e, *f, 0, 0];
            (i64::from_be_bytes(own) >> 16, rest)
        }
        6 => {
            let (own, rest) = bytes.split_first_chunk()?;
            (i64::from_be_bytes(*own), rest)
        }
        8 => (0, bytes),
        9 => (1, bytes),
        _ => return None,
    })
}
