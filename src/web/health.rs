//! Health: what the daemon says of itself, as `status` tells it, for a phone.
//!
//! It only shows: nothing is measured here.

use maud::{Markup, html};

use crate::health::{DaemonHealth, KeepingWord, SourceWord};
use crate::report::words::plain;
use crate::store::disk::{bytes_ahead, folder_of, space};
use crate::store::{RefusedRow, StoreError};
use crate::units::{Instant, MILLIS_PER_DAY};
use crate::web::desk::{Answer, Desk, Tab};
use crate::web::now::troubles;
use crate::web::words::{ago, moment, n_of};

/// Refused messages that are shown.
const REFUSED: u32 = 20;
/// Bytes shown of one.
const SHOWN: usize = 120;

/// `GET /health`
pub(crate) fn page(desk: &Desk) -> Result<Answer, StoreError> {
    let said = desk.store.daemon_said()?;
    let troubles = troubles(desk)?;
    let body = html! {
        h1 { "Health" }
        @if troubles.is_empty() && said.is_some() {
            p.state { "Readings are stored as they come." }
        }
        @for trouble in &troubles { p.message.trouble { (trouble) } }
        @match &said {
            None => { p { "The daemon has not spoken yet." } }
            Some((at, health)) => {
                (storing(desk, *at, health))
                (sources(&health.sources))
            }
        }
        (boards(desk)?)
        (refused(desk)?)
        (keeping(desk, said.as_ref().map(|(_, health)| &health.keeping)))
        (messages(desk)?)
    };
    Ok(Answer::page("Health", Tab::Elsewhere, body))
}

/// A name and what stands behind it.
fn fact(name: &str, value: &Markup) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

fn storing(desk: &Desk, at: Instant, health: &DaemonHealth) -> Markup {
    let waiting = u64::try_from(health.waiting).unwrap_or(u64::MAX);
    html! {
        h2 { "Storing" }
        dl.facts {
            (fact("Last word", &html! { (ago(desk.now, at)) }))
            (fact("Waiting to be stored", &html! {
                (n_of(waiting, "message", "messages"))
            }))
            (fact("Last commit", &html! {
                @if health.failing { "failed" } @else { "went well" }
            }))
        }
    }
}

fn sources(sources: &[SourceWord]) -> Markup {
    html! {
        h2 { "Where readings come in" }
        @if sources.is_empty() { p { "No board is expected: the settings \
            name no inlet, broker or serial port." } }
        ul.rows {
            @for source in sources {
                li.fact {
                    h3 { (plain(&source.name)) }
                    p {
                        span.mark aria-hidden="true" {
                            @if source.well { "●" } @else { "▲" }
                        }
                        " " (source.state) ", "
                        (n_of(source.delivered, "message", "messages"))
                        " since the start"
                    }
                    @if !source.detail.is_empty() {
                        p.soft { (plain(&source.detail)) }
                    }
                    @if !source.counts.is_empty() {
                        p.soft {
                            @for (i, (what, n)) in
                                source.counts.iter().enumerate()
                            {
                                @if i > 0 { " · " }
                                (plain(what)) ": " (n)
                            }
                        }
                    }
                }
            }
        }
    }
}

fn boards(desk: &Desk) -> Result<Markup, StoreError> {
    let gaps = desk.store.gaps()?;
    Ok(html! {
        h2 { "Numbers that boards gave their samples" }
        @if gaps.is_empty() {
            p { "No board has counted its samples yet." }
        }
        dl.facts {
            @for gap in &gaps {
                (fact(gap.board.as_str(), &html! {
                    @if gap.missing == 0 { "none is missing" }
                    @else { strong { (gap.missing) " never came" } }
                    span.soft {
                        (gap.stored) " stored, "
                        (n_of(gap.starts, "start", "starts")) " of the board"
                    }
                }))
            }
        }
    })
}

fn refused(desk: &Desk) -> Result<Markup, StoreError> {
    let rows = desk.store.refused(REFUSED)?;
    let counters = desk.store.counters()?;
    Ok(html! {
        h2 { "Counted and refused" }
        @if counters.is_empty() { p { "Nothing was refused." } }
        dl.facts {
            @for (what, n) in &counters {
                (fact(what, &html! { (n) }))
            }
        }
        @if !rows.is_empty() {
            details {
                summary { "The last that were refused (" (rows.len()) ")" }
                ul.looks { @for row in &rows { (refusal(desk, row)) } }
            }
        }
    })
}

fn refusal(desk: &Desk, row: &RefusedRow) -> Markup {
    let bytes = &row.bytes[..row.bytes.len().min(SHOWN)];
    let text = String::from_utf8_lossy(bytes);
    html! {
        li {
            (moment(desk.zone(), desk.now, row.at)) ", " (plain(&row.source))
            @if let Some(board) = &row.board { ", board " (board) }
            ": " (plain(&row.reason))
            br;
            code { (plain(&text)) }
        }
    }
}

fn keeping(desk: &Desk, word: Option<&KeepingWord>) -> Markup {
    let data = desk.store.path();
    let room = space(folder_of(data)).ok();
    html! {
        h2 { "Clock, disk and backup" }
        dl.facts {
            (fact("Data file", &html! {
                (size(desk.store.bytes_on_disk()))
                span.soft { (size(bytes_ahead(data))) " written ahead of it" }
            }))
            @if let Some(room) = room {
                (fact("Free on its disk", &html! {
                    (size(room.free_bytes))
                    span.soft { "of " (size(room.total_bytes)) }
                    @if word.is_some_and(|word| word.disk_is_low) {
                        strong { "nearly full" }
                    }
                }))
            }
            @if let Some(word) = word {
                (fact("Clock of this machine", &html! {
                    (word.clock_in_words())
                }))
                @if let Some(a_day) = written_a_day(word) {
                    (fact("Written to the disk", &html! {
                        (size(a_day)) " a day"
                    }))
                }
                (fact("Last backup", &backup(desk, word)))
                @if let Some(trouble) = &word.backup_trouble {
                    (fact("Backup failed", &html! { (plain(trouble)) }))
                }
                @if let Some(trouble) = &word.journal_trouble {
                    (fact("Journal not written", &html! { (plain(trouble)) }))
                }
            }
        }
    }
}

fn backup(desk: &Desk, word: &KeepingWord) -> Markup {
    html! {
        @match (&word.last_backup, &word.backup_folder) {
            (Some(backup), _) => {
                (ago(desk.now, backup.at)) ", " (size(backup.bytes))
                span.soft { (plain(&backup.file)) }
            }
            (None, Some(folder)) => { "none in " (plain(folder)) " yet" }
            (None, None) => {
                "none: the settings name no folder under "
                code { "[backup]" }
            }
        }
    }
}

/// Bytes a day, from what was written so far.
fn written_a_day(word: &KeepingWord) -> Option<u64> {
    let over = u128::from(word.written_over_ms);
    let day = u128::from(MILLIS_PER_DAY.unsigned_abs());
    let bytes = u128::from(word.written_bytes);
    u64::try_from((bytes * day).checked_div(over)?).ok()
}

fn messages(desk: &Desk) -> Result<Markup, StoreError> {
    let (waiting, given_up) = desk.store.undelivered()?;
    Ok(html! {
        h2 { "Messages about alerts" }
        dl.facts {
            (fact("Waiting to be sent", &html! { (waiting) }))
            (fact("Given up", &html! { (given_up) }))
        }
    })
}

/// `512 B`, `3.4 kB`, `12.0 MB`, `1.2 GB`.
fn size(bytes: u64) -> String {
    #[allow(
        clippy::cast_precision_loss,
        reason = "a size to one decimal of its unit"
    )]
    let value = bytes as f64;
    match bytes {
        ..1_000 => format!("{bytes} B"),
        1_000..1_000_000 => format!("{:.1} kB", value / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", value / 1e6),
        _ => format!("{:.1} GB", value / 1e9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_told_in_their_own_unit() {
        for (bytes, told) in [
            (0, "0 B"),
            (999, "999 B"),
            (3_440, "3.4 kB"),
            (12_000_000, "12.0 MB"),
            (1_240_000_000, "1.2 GB"),
        ] {
            assert_eq!(size(bytes), told);
        }
    }

    #[test]
    fn what_is_written_a_day_is_known_after_any_time() {
        let word = |bytes, over| KeepingWord {
            written_bytes: bytes,
            written_over_ms: over,
            ..KeepingWord::default()
        };
        assert_eq!(written_a_day(&word(500, 43_200_000)), Some(1_000));
        assert_eq!(written_a_day(&word(u64::MAX, u64::MAX)), Some(86_400_000));
        assert_eq!(written_a_day(&word(7, 0)), None);
    }
}
