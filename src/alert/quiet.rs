//! Which silent boards are told together: one cause, one message.
//!
//! A router that dies silences its boards within minutes of one another, each
//! at its own limit. So a board that is due waits for those beside it that
//! are late already, for at most its own limit again.

use std::collections::BTreeSet;

use chrono_tz::Tz;

use crate::alert::wording::{called, lasting, listed, local, silence_key};
use crate::alert::{Alert, AlertId, AlertKind, Change, Severity};
use crate::observation::Name;
use crate::trial::house::Place;
use crate::units::Instant;

/// How one board stands, as far as its silence goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing<'a> {
    /// The board.
    pub board: &'a Name,
    /// Where it is.
    pub place: Option<&'a Name>,
    /// The door it came in by.
    pub source: Option<&'a str>,
    /// When it was last heard, or listened for.
    pub last: Instant,
    /// Its limit, ms.
    pub limit: i64,
    /// Whether it is told already, or cannot be heard for a known cause.
    pub told: bool,
}

impl Standing<'_> {
    fn silent_for(&self, now: Instant) -> i64 {
        now.millis_since(self.last)
    }

    fn is_due(&self, now: Instant) -> bool {
        !self.told && self.silent_for(now) > self.limit
    }

    fn is_late(&self, now: Instant) -> bool {
        !self.told && !self.is_due(now) && self.silent_for(now) > self.limit / 2
    }

    fn is_beside(&self, other: &Self) -> bool {
        let same_place = self.place.is_some() && self.place == other.place;
        let same_door = self.source.is_some() && self.source == other.source;
        same_place || same_door
    }
}

/// The boards to be told now, together; empty while one of them is better
/// waited for.
#[must_use]
pub fn to_tell(boards: &[Standing<'_>], now: Instant) -> BTreeSet<Name> {
    let due: Vec<&Standing<'_>> =
        boards.iter().filter(|board| board.is_due(now)).collect();
    let may_wait =
        due.iter().all(|board| board.silent_for(now) <= 2 * board.limit);
    let others_late = boards
        .iter()
        .filter(|board| board.is_late(now))
        .any(|late| due.iter().any(|board| board.is_beside(late)));
    if may_wait && others_late {
        return BTreeSet::new();
    }
    due.into_iter().map(|board| board.board.clone()).collect()
}

/// Boards that were told together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// When.
    pub raised: Instant,
    /// Since when the first of them has been silent.
    pub since: Instant,
    /// Which.
    pub boards: Vec<Name>,
}

impl Group {
    /// What the alert is known by: of one board, or of several.
    #[must_use]
    pub fn key(&self) -> String {
        match self.boards.as_slice() {
            [board] => silence_key(board),
            _ => "boards-silent".to_owned(),
        }
    }

    /// The message about several boards.
    ///
    /// # Arguments
    /// - `places`: the place of each board, in their order.
    /// - `source`: the door all of them came in by, if it is one.
    #[must_use]
    pub fn alert(
        &self,
        change: Change,
        places: &[Option<&Place>],
        source: Option<&str>,
        now: Instant,
        zone: Tz,
    ) -> Alert {
        let n = self.boards.len();
        let since = local(self.since, zone);
        let lasted = lasting(now.millis_since(self.since));
        let named: Vec<String> = self
            .boards
            .iter()
            .zip(places)
            .map(|(board, place)| match place {
                Some(place) => format!("{board} at {}", called(place)),
                None => board.to_string(),
            })
            .collect();
        let one_place = places
            .first()
            .copied()
            .flatten()
            .filter(|first| places.iter().all(|p| *p == Some(*first)));
        let common = match (one_place, source) {
            (Some(place), _) => {
                format!("They are all at {}. ", called(place))
            }
            (None, Some(source)) => format!("They all come by {source}. "),
            (None, None) => String::new(),
        };
        let text = match change {
            Change::Cleared => format!(
                "All {n} boards are heard again: {}. They were silent from \
                 {since} for {lasted}.",
                listed(&named)
            ),
            _ => format!(
                "{n} boards are silent, the first since {since} ({lasted}): \
                 {}. {common}Until they speak, nobody watches their places. \
                 Often: one cause for all, such as a router, a plug bar or \
                 the power. Safe to do: read a place's own thermometer, then \
                 see whether the router and the boards' supplies are on; \
                 leave fixed wiring to licensed people.",
                listed(&named)
            ),
        };
        let key = self.key();
        Alert {
            id: AlertId::new(&key, self.raised),
            kind: AlertKind::SilentBoard,
            watch: key,
            place: one_place.map(|place| place.name.clone()),
            quantity: None,
            state: change,
            since: self.since,
            at: now,
            value: None,
            limit: None,
            severity: Severity::Normal,
            text,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alert::story::{minute, name};

    struct Board(Name, Name, i64);

    fn standing(board: &Board) -> Standing<'_> {
        Standing {
            board: &board.0,
            place: Some(&board.1),
            source: Some("inlet"),
            last: minute(board.2),
            limit: 30 * 60_000,
            told: false,
        }
    }

    #[test]
    fn twenty_boards_that_stop_within_ten_minutes_are_told_together() {
        let boards: Vec<Board> = (0..20)
            .map(|i| {
                let board = name(&format!("board-{i}"));
                Board(board, name(&format!("place-{i}")), i / 2)
            })
            .collect();
        let standings: Vec<_> = boards.iter().map(standing).collect();
        for at in 0..=39 {
            let told = to_tell(&standings, minute(at));
            assert_eq!(told.len(), 0, "minute {at}");
        }
        assert_eq!(to_tell(&standings, minute(40)).len(), 20);
    }

    #[test]
    fn one_silent_board_waits_for_nobody_that_speaks() {
        let boards = [
            Board(name("a"), name("fridge"), 0),
            Board(name("b"), name("sill"), 25),
        ];
        let standings: Vec<_> = boards.iter().map(standing).collect();
        assert_eq!(to_tell(&standings, minute(30)).len(), 0);
        let told = to_tell(&standings, minute(31));
        assert_eq!(told, BTreeSet::from([name("a")]));
    }

    #[test]
    fn no_board_is_waited_for_for_ever() {
        let boards = [
            Board(name("a"), name("fridge"), 0),
            Board(name("b"), name("fridge"), 0),
        ];
        let slow =
            Standing { limit: 3 * 1440 * 60_000, ..standing(&boards[1]) };
        // It is late only after a day and a half: nobody waits for it.
        let standings = [standing(&boards[0]), slow.clone()];
        assert_eq!(to_tell(&standings, minute(31)).len(), 1);
        let slow = Standing { last: minute(-3000), ..slow };
        let standings = [standing(&boards[0]), slow];
        assert_eq!(to_tell(&standings, minute(31)).len(), 0);
        assert_eq!(to_tell(&standings, minute(61)).len(), 1);
    }

    #[test]
    fn the_text_names_the_boards_and_what_they_share() {
        let group = Group {
            raised: minute(40),
            since: minute(0),
            boards: vec![name("a"), name("b")],
        };
        let zone = chrono_tz::Europe::Dublin;
        let alert = group.alert(
            Change::Raised,
            &[None, None],
            Some("broker 127.0.0.1:1883"),
            minute(40),
            zone,
        );
        assert_eq!(alert.watch, "boards-silent");
        assert!(
            alert.text.starts_with(
                "2 boards are silent, the first since Sat 14 March 12:00 (40 \
                 minutes): a, b. They all come by broker 127.0.0.1:1883."
            ),
            "{}",
            alert.text
        );
    }
}
