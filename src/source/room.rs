//! The memory that all sources together may fill with what waits for the
//! writer.
//!
//! Not the queue, which counts messages, and not the window of a connection:
//! it holds whatever many connections send at once.

use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::source::MOST_UNCONFIRMED;

/// What all messages that wait may weigh together (`source::delivery`): 16
/// full windows, 8 MiB at [`WEIGHT_BYTES`] each.
pub const ROOM: usize = 16 * MOST_UNCONFIRMED;

/// What a weight of one may take in memory, bytes: a sample of all
/// quantities with its names, or 512 bytes of text beside their containers.
pub const WEIGHT_BYTES: usize = 640;

/// Shared by all sources. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Room(Arc<Semaphore>);

/// A part of it, given back when dropped.
#[derive(Debug)]
pub struct Taken {
    _permit: OwnedSemaphorePermit,
}

impl Default for Room {
    fn default() -> Self {
        Self(Arc::new(Semaphore::new(ROOM)))
    }
}

impl Room {
    /// Takes so much of it at once, or nothing.
    pub(crate) fn take(&self, weight: usize) -> Option<Taken> {
        let weight = u32::try_from(weight).ok()?;
        let permit = Arc::clone(&self.0).try_acquire_many_owned(weight).ok()?;
        Some(Taken { _permit: permit })
    }

    /// Whether less than half of it is taken.
    pub(crate) fn is_half_empty(&self) -> bool {
        self.0.available_permits() * 2 >= ROOM
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::{self, MOST_SAMPLES};
    use crate::observation::{Name, Sample};
    use crate::units::Instant;

    #[test]
    fn what_is_taken_comes_back() {
        let room = Room::default();
        let most = room.take(ROOM).unwrap();
        assert!(room.take(1).is_none() && !room.is_half_empty());
        drop(most);
        assert!(room.is_half_empty() && room.take(ROOM).is_some());
        assert!(room.take(ROOM + 1).is_none());
    }

    /// Bytes on the heap as glibc deals them out: 16 apart, with 8 of its
    /// own, at least 32 (malloc(3) and its source, from memory).
    fn dealt(bytes: usize) -> usize {
        if bytes == 0 { 0 } else { (bytes + 8).next_multiple_of(16).max(32) }
    }

    fn bytes_of(sample: &Sample) -> usize {
        let boot = sample.count.as_ref().map_or(0, |c| c.boot.as_str().len());
        let errors = sample.errors.iter().map(|(_, why)| dealt(why.len()));
        size_of::<Sample>()
            + dealt(sample.probe.as_str().len())
            + dealt(boot)
            + dealt(sample.values.capacity() * size_of_val(&sample.values[0]))
            + dealt(sample.errors.capacity() * size_of::<(u64, String)>())
            + errors.sum::<usize>()
    }

    #[test]
    fn a_sample_of_everything_fits_its_weight() {
        let probe = "p".repeat(40);
        let boot = "b".repeat(32);
        let sample = format!(
            r#"{{"boot":"{boot}","seq":1,"up_ms":1,"probe":"{probe}",
            "temperature_celsius":1.5,"humidity_percent":50,"light_lux":7,
            "battery_volts":3,"signal_dbm":-60,"time":"2026-02-10T12:00:00Z"}}"#
        );
        let board = Name::new("cold-frame").unwrap();
        let at = Instant::from_millis(1_770_724_800_000);
        let message = decode::payload(&board, sample.as_bytes(), at).unwrap();
        assert_eq!(message.samples[0].values.len(), 5);
        let bytes = bytes_of(&message.samples[0]);
        assert!(bytes <= WEIGHT_BYTES, "{bytes} bytes");
        // The largest message has room for itself.
        const { assert!(MOST_SAMPLES + decode::MOST_BYTES / 512 < ROOM) }
    }
}
