//! Boards that have no place yet: some of them are kept for a while, so that
//! the grower sees them and can place them; a flood of made-up names is not.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::Connection;

use crate::observation::Name;
use crate::store::{StoreError, series};

/// Boards without a place whose readings are kept.
pub const MOST_UNDECLARED_BOARDS: usize = 32;
/// Readings kept of each of them.
pub const MOST_UNDECLARED_READINGS: u64 = 1_000;

/// Which boards are known, and how much is kept of the others.
#[derive(Debug, Default)]
pub(crate) struct Welcome {
    declared: BTreeSet<Name>,
    /// Readings kept of each board without a place; none until counted.
    kept: Option<BTreeMap<Name, u64>>,
}

impl Welcome {
    /// Tells which boards are known.
    pub(crate) fn declare(&mut self, boards: BTreeSet<Name>) {
        if self.declared != boards {
            self.declared = boards;
            self.kept = None;
        }
    }

    /// The same without what was counted.
    pub(crate) fn forgetting(self) -> Self {
        Self { kept: None, ..self }
    }

    /// Counts new readings of a board.
    pub(crate) fn note(&mut self, board: &Name, new: u64) {
        let kept = self.kept.as_mut().and_then(|all| all.get_mut(board));
        if let Some(kept) = kept {
            *kept += new;
        }
    }

    /// Why a board is not heard any more, if so.
    pub(crate) fn refusal(
        &mut self,
        connection: &Connection,
        board: &Name,
    ) -> Result<Option<String>, StoreError> {
        if self.declared.contains(board) {
            return Ok(None);
        }
        let kept = match &mut self.kept {
            Some(kept) => kept,
            none => {
                let mut all = series::readings_a_board(connection)?;
                all.retain(|board, _| !self.declared.contains(board));
                none.insert(all)
            }
        };
        let hint = format!(
            "give it a place: `vernalog record move {board} PLACE --board`"
        );
        Ok(match kept.get(board) {
            Some(n) if *n >= MOST_UNDECLARED_READINGS => Some(format!(
                "board \"{board}\" has no place and \
                 {MOST_UNDECLARED_READINGS} of its readings are kept; {hint}"
            )),
            Some(_) => None,
            None if kept.len() >= MOST_UNDECLARED_BOARDS => Some(format!(
                "board \"{board}\" has no place and \
                 {MOST_UNDECLARED_BOARDS} other boards without one are kept \
                 already; {hint}"
            )),
            None => {
                kept.insert(board.clone(), 0);
                None
            }
        })
    }
}
