//! Which sample numbers of a boot were stored, as intervals.
//!
//! Plain arithmetic with a note of what changed, so that a commit writes
//! only that.

use std::collections::{BTreeMap, BTreeSet};

/// Numbers that were stored.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Seen {
    /// First number of each interval and its last.
    intervals: BTreeMap<u32, u32>,
    changed: BTreeSet<u32>,
    removed: BTreeSet<u32>,
}

impl Seen {
    pub(crate) fn of(intervals: impl IntoIterator<Item = (u32, u32)>) -> Self {
        Self { intervals: intervals.into_iter().collect(), ..Self::default() }
    }

    pub(crate) fn contains(&self, seq: u32) -> bool {
        self.intervals
            .range(..=seq)
            .next_back()
            .is_some_and(|(_, last)| seq <= *last)
    }

    /// Adds a number; false when it was there.
    pub(crate) fn add(&mut self, seq: u32) -> bool {
        if self.contains(seq) {
            return false;
        }
        let before = self
            .intervals
            .range(..seq)
            .next_back()
            .filter(|(_, last)| **last + 1 == seq)
            .map(|(first, _)| *first);
        let after = seq.checked_add(1).and_then(|next| {
            self.intervals.get(&next).map(|last| (next, *last))
        });
        let first = before.unwrap_or(seq);
        let last = match after {
            Some((next, last)) => {
                self.intervals.remove(&next);
                self.changed.remove(&next);
                self.removed.insert(next);
                last
            }
            None => seq,
        };
        self.intervals.insert(first, last);
        self.changed.insert(first);
        self.removed.remove(&first);
        true
    }

    /// Numbers missing between the lowest and the highest.
    #[cfg(test)]
    fn missing(&self) -> u64 {
        let ends: Vec<(u32, u32)> =
            self.intervals.iter().map(|(a, b)| (*a, *b)).collect();
        ends.windows(2).map(|p| u64::from(p[1].0 - p[0].1 - 1)).sum()
    }

    /// Intervals to be written and first numbers to be deleted since the
    /// last call.
    pub(crate) fn take_changes(&mut self) -> (Vec<(u32, u32)>, Vec<u32>) {
        let removed = std::mem::take(&mut self.removed).into_iter().collect();
        let changed = std::mem::take(&mut self.changed)
            .into_iter()
            .filter_map(|first| Some((first, *self.intervals.get(&first)?)))
            .collect();
        (changed, removed)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against the ten-line model: a set of numbers.
        #[test]
        fn intervals_hold_the_same_numbers_as_a_set(
            numbers in proptest::collection::vec(0_u32..60, 0..120),
            written_every in 1_usize..9,
        ) {
            let (mut seen, mut set) = (Seen::default(), BTreeSet::new());
            let mut disk: BTreeMap<u32, u32> = BTreeMap::new();
            for (i, number) in numbers.into_iter().enumerate() {
                prop_assert_eq!(seen.add(number), set.insert(number));
                if i % written_every == 0 {
                    let (changed, removed) = seen.take_changes();
                    for first in removed {
                        disk.remove(&first);
                    }
                    disk.extend(changed);
                    prop_assert_eq!(&disk, &seen.intervals);
                }
            }
            for number in 0..61 {
                prop_assert_eq!(seen.contains(number), set.contains(&number));
            }
            if let (Some(low), Some(high)) = (set.first(), set.last()) {
                let gaps = u64::from(high - low + 1) - set.len() as u64;
                prop_assert_eq!(seen.missing(), gaps);
            }
        }
    }
}
