//! When was it taken? Instants from a board's uptime.
//!
//! A message may wait for hours in a broker or in a board's memory, so the
//! instant of receipt is not the instant of a sample, and a board's wall
//! clock is not trusted. What is trusted: the board's uptime runs evenly, and
//! nothing arrives before it was sent. So for each start of a board the
//! smallest difference `received − uptime` seen so far, its *envelope*, is
//! the best guess of the instant at which the board started, and
//!
//! ```text
//! instant = envelope + uptime
//! ```
//!
//! # How far off
//! Let the board's clock be off by at most 100 ppm. An instant is never later
//! than the receipt. It is early by at most 100 ppm of the sample's age when
//! it is dated, and late by at most that and, over all messages of the boot
//! so far, the smallest of `delay + 300 ppm · time since that message`: after
//! six hours of queueing in a boot that was heard live, 8 s. The tests hold
//! it to that.
//!
//! # Live, provisional, doubtful, untrusted
//! While only a backlog was heard, the envelope is too late by the time the
//! backlog waited. Such a boot is [`Standing::Provisional`] and its samples
//! wait for a date. [`Dating::observe`] and [`Dating::tick`] say when it has
//! been heard live: either its messages keep the pace of life, or a single
//! message stood alone on a transport that drains no backlog. One that never
//! was is settled as [`Standing::Doubtful`]: its readings are dated by the
//! envelope, "at or before", and marked. [`Standing::Untrusted`] is a board
//! whose uptime breaks the contract (it runs backwards, or stands still in
//! sleep).
//!
//! A stalled backlog that goes on after just one sampling interval looks
//! live until the next message falls below the envelope; then the boot is
//! provisional again. What was dated meanwhile stays too late. Boards avoid
//! that by sending a backlog in one burst.
//!
//! Deliberately without a clock: the caller says when things were received,
//! and tells of steps of the host's own clock ([`Dating::host_clock_moved`]).
//! The state is plain data, so that it can be kept across a restart.

use crate::observation::{Count, Quality};
use crate::units::Instant;

/// Rise of the envelope that a slow clock may explain, in millionths of the
/// elapsed uptime: twice what a crystal between −10 and 40 °C is off.
pub const DRIFT_ALLOWANCE_PPM: u64 = 200;
/// A later message may fall this far below the earlier one and still keep
/// pace: jitter of a home network, ms.
pub const FALL_TOLERANCE_MS: i64 = 2_000;
/// A later message may lie this far above the earlier one and still keep
/// pace: joining a radio network after sleep takes seconds, ms.
pub const RISE_TOLERANCE_MS: i64 = 30_000;
/// Both tolerances are at least this part of the elapsed uptime: 5 %. A
/// backlog drains at many times the pace of life, so 5 % parts them safely.
pub const TOLERANCE_PART: i64 = 20;
/// Uptime over which pace must be kept before a boot is called live, ms. With
/// less, the tolerance would hide the backlog of a board that samples each
/// second.
pub const PACE_SPAN_MS: u64 = 10_000;
/// Messages of a board closer than this belong to one burst, ms.
pub const BURST_MS: i64 = 5_000;
/// A boot not heard live for so long is settled as doubtful, ms: 24 hours.
pub const SETTLED_AFTER_MS: i64 = 24 * 3_600_000;
/// A claimed time may differ from the envelope by this and its drift, ms.
pub const CLAIM_TOLERANCE_MS: i64 = 2_000;
/// A sample received later than this after it was taken is back-filled, ms.
pub const BACKFILLED_AFTER_MS: i64 = 10 * 60_000;
/// A later sample with an uptime smaller by more than this, and not by a
/// wrap, breaks the contract, ms.
pub const BACKWARD_TOLERANCE_MS: u64 = 2_000;
/// Messages this far above the envelope are late, ms: 10 minutes.
pub const LATE_MS: i64 = 10 * 60_000;
/// So many late messages in a row over a steady transport ...
pub const LATE_MESSAGES: u32 = 5;
/// ... over so long, growing later by half of that, show an uptime that
/// stands still, ms: 1 hour.
pub const LATE_SPAN_MS: i64 = 3_600_000;

/// One turn of a 32-bit millisecond counter: 49.7 days.
const WRAP: u64 = 1 << 32;

/// A message as dating sees it: its newest sample and how it came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// When it was received.
    pub received: Instant,
    /// The transport drains no stored backlog just now.
    pub steady: bool,
    /// When this board's message before this one was received, whatever its
    /// boot.
    pub previous: Option<Instant>,
    /// Number of the newest sample of this boot in the message.
    pub newest_seq: u32,
    /// Its uptime as sent, ms.
    pub newest_up_ms: u64,
}

/// What is known about a boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Only a backlog was heard: samples wait for a date.
    Provisional,
    /// Heard live: samples are dated at once.
    Live,
    /// Never heard live: dates are "at or before", marked clock-doubtful.
    Doubtful,
    /// Its uptime breaks the contract: dated by receipt, marked.
    Untrusted,
}

/// What follows from a message or from waiting. On everything but
/// [`Verdict::Provisional`] the samples that were kept back get their dates.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Keep the samples back, without a date.
    Provisional,
    /// Date the samples.
    Live,
    /// Date the samples and those kept back.
    BecameLive,
    /// Date the samples; the dates carry the mark clock-doubtful.
    Doubtful,
    /// As doubtful, by receipt.
    Untrusted,
}

/// An instant with what is to be said about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dated {
    /// When the sample was taken, as well as it is known.
    pub at: Instant,
    /// [`Quality::CLOCK_DOUBTFUL`] and [`Quality::BACKFILLED`], or neither.
    pub quality: Quality,
}

/// A row of late messages: see [`LATE_MESSAGES`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LateRow {
    /// When the first was received.
    pub since: Instant,
    /// Its `received − uptime`, ms.
    pub first_offset_ms: i64,
    /// How many so far.
    pub n_messages: u32,
}

/// The clock of one boot of one board. Plain data, to be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dating {
    /// What is known about the boot.
    pub standing: Standing,
    /// The envelope where a message last touched it: instant of uptime
    /// zero, ms since 1970.
    pub envelope_ms: i64,
    /// Uptime at that touch, ms.
    pub touched_up_ms: u64,
    /// The smallest envelope so far, ms since 1970.
    pub low_ms: i64,
    /// The largest `received − uptime` that ever touched it: the first.
    pub high_ms: i64,
    /// Where pace is measured from: `received − uptime`, ms.
    pub pace_offset_ms: i64,
    /// Where pace is measured from: uptime, ms.
    pub pace_up_ms: u64,
    /// When the boot was first heard.
    pub first_received: Instant,
    /// Since when it waits to be heard live.
    pub provisional_since: Instant,
    /// When the boot was last heard.
    pub last_received: Instant,
    /// The highest number heard.
    pub last_seq: u32,
    /// Uptime of that sample, turns of a 32-bit counter added, ms.
    pub last_up_ms: u64,
    /// Whether the board counts uptime in more than 32 bits.
    pub wide: bool,
    /// Whether the last message was steady and alone in its burst.
    pub alone: bool,
    /// Late messages in a row, if the last one was late.
    pub late: Option<LateRow>,
}

impl Dating {
    /// The clock of a boot that is heard for the first time.
    #[must_use]
    pub fn new(first: &Arrival) -> Self {
        let offset = offset(first.received, first.newest_up_ms);
        Self {
            standing: Standing::Provisional,
            envelope_ms: offset,
            touched_up_ms: first.newest_up_ms,
            low_ms: offset,
            high_ms: offset,
            pace_offset_ms: offset,
            pace_up_ms: first.newest_up_ms,
            first_received: first.received,
            provisional_since: first.received,
            last_received: first.received,
            last_seq: first.newest_seq,
            last_up_ms: first.newest_up_ms,
            wide: first.newest_up_ms >= WRAP,
            alone: alone(first),
            late: None,
        }
    }

    /// Takes a further message of this boot.
    pub fn observe(&mut self, arrival: &Arrival) -> Verdict {
        let before = self.standing;
        if arrival.newest_seq != self.last_seq {
            self.alone = alone(arrival);
        }
        self.last_received = self.last_received.max(arrival.received);
        self.wide |= arrival.newest_up_ms >= WRAP;
        if arrival.newest_seq > self.last_seq {
            self.follow(arrival);
        }
        match self.standing {
            Standing::Provisional => Verdict::Provisional,
            Standing::Live if before != Standing::Live => Verdict::BecameLive,
            Standing::Live => Verdict::Live,
            Standing::Doubtful => Verdict::Doubtful,
            Standing::Untrusted => Verdict::Untrusted,
        }
    }

    /// A message whose newest sample is newer than all before.
    fn follow(&mut self, arrival: &Arrival) {
        let up = self.uptime(arrival.newest_seq, arrival.newest_up_ms);
        let since_last = signed(up.saturating_sub(self.last_up_ms));
        if up.saturating_add(BACKWARD_TOLERANCE_MS) < self.last_up_ms {
            self.standing = Standing::Untrusted;
        }
        self.last_seq = arrival.newest_seq;
        self.last_up_ms = self.last_up_ms.max(up);
        if self.standing == Standing::Untrusted {
            return;
        }
        let offset = offset(arrival.received, up);
        let above = offset - self.envelope_at(up);
        let contradicts = self.falls_below_life(offset, up, since_last);
        if above < 0 {
            self.envelope_ms = offset;
            self.touched_up_ms = up;
            self.low_ms = self.low_ms.min(offset);
        }
        if self.standing == Standing::Live && contradicts {
            self.standing = Standing::Provisional;
            self.provisional_since = arrival.received;
            self.measure_pace_from(offset, up);
        } else if above > self.rise_tolerance(up)
            || !self.keeps_pace(offset, up)
        {
            self.measure_pace_from(offset, up);
        } else if up.saturating_sub(self.pace_up_ms) >= PACE_SPAN_MS {
            self.standing = Standing::Live;
        }
        self.look_for_standstill(arrival, offset, above);
    }

    /// A message so far below the envelope that neither drift nor jitter
    /// explains it: what was taken for life was a backlog.
    fn falls_below_life(&self, offset: i64, up: u64, since_last: i64) -> bool {
        let jitter = FALL_TOLERANCE_MS.max(since_last / TOLERANCE_PART);
        let drift = drift(up.abs_diff(self.touched_up_ms));
        offset < self.envelope_ms - drift - jitter
    }

    fn measure_pace_from(&mut self, offset: i64, up: u64) {
        self.pace_offset_ms = offset;
        self.pace_up_ms = up;
    }

    /// Whether `received − uptime` stays about what it was at the start of
    /// the measurement. In a backlog it falls by the time between samples;
    /// after a stall it jumps up.
    fn keeps_pace(&self, offset: i64, up: u64) -> bool {
        let rise = offset - self.pace_offset_ms;
        let fall = -rise;
        fall <= FALL_TOLERANCE_MS.max(self.pace_span(up) / TOLERANCE_PART)
            && rise <= self.rise_tolerance(up)
    }

    fn rise_tolerance(&self, up: u64) -> i64 {
        RISE_TOLERANCE_MS.max(self.pace_span(up) / TOLERANCE_PART)
    }

    fn pace_span(&self, up: u64) -> i64 {
        signed(up.saturating_sub(self.pace_up_ms))
    }

    /// Late messages that grow later at the pace of real time mean that the
    /// uptime stands still while the board sleeps.
    fn look_for_standstill(
        &mut self,
        arrival: &Arrival,
        offset: i64,
        above: i64,
    ) {
        if !arrival.steady || above <= LATE_MS {
            self.late = None;
            return;
        }
        let row = self.late.get_or_insert(LateRow {
            since: arrival.received,
            first_offset_ms: offset,
            n_messages: 0,
        });
        row.n_messages = row.n_messages.saturating_add(1);
        let span = arrival.received.millis_since(row.since);
        let grown = offset - row.first_offset_ms;
        if row.n_messages >= LATE_MESSAGES
            && span >= LATE_SPAN_MS
            && grown >= span / 2
        {
            self.standing = Standing::Untrusted;
        }
    }

    /// Lets time pass: a lone message becomes live after [`BURST_MS`], a
    /// boot not heard live doubtful after [`SETTLED_AFTER_MS`]. To be called
    /// every second or so; a verdict comes only when something changed.
    pub fn tick(&mut self, now: Instant) -> Option<Verdict> {
        if self.standing != Standing::Provisional {
            return None;
        }
        let quiet = now.millis_since(self.last_received);
        if self.alone && quiet >= BURST_MS {
            self.standing = Standing::Live;
            return Some(Verdict::BecameLive);
        }
        if now.millis_since(self.provisional_since) >= SETTLED_AFTER_MS {
            self.standing = Standing::Doubtful;
            return Some(Verdict::Doubtful);
        }
        None
    }

    /// Another boot of the same board spoke: if in the same burst, the last
    /// message of this one did not stand alone.
    pub fn another_spoke(&mut self, received: Instant) {
        if received.millis_since(self.last_received).abs() <= BURST_MS {
            self.alone = false;
        }
    }

    /// A later boot of the same board was heard live and started at
    /// `next_start` ([`Dating::start`]): this boot had ended by then, and is
    /// settled as doubtful if it was never heard live itself.
    pub fn superseded(&mut self, next_start: Instant) -> Option<Verdict> {
        if self.standing != Standing::Provisional {
            return None;
        }
        let bound = offset(next_start, self.last_up_ms);
        if bound < self.envelope_at(self.last_up_ms) {
            self.envelope_ms = bound;
            self.touched_up_ms = self.last_up_ms;
            self.low_ms = self.low_ms.min(bound);
        }
        self.standing = Standing::Doubtful;
        Some(Verdict::Doubtful)
    }

    /// The host's clock was set: everything received before is moved along.
    pub fn host_clock_moved(&mut self, by_ms: i64) {
        for offset in [
            &mut self.envelope_ms,
            &mut self.low_ms,
            &mut self.high_ms,
            &mut self.pace_offset_ms,
        ] {
            *offset = offset.saturating_add(by_ms);
        }
        for instant in [
            &mut self.first_received,
            &mut self.provisional_since,
            &mut self.last_received,
        ] {
            *instant = instant.plus_millis(by_ms);
        }
        if let Some(row) = &mut self.late {
            row.since = row.since.plus_millis(by_ms);
            row.first_offset_ms = row.first_offset_ms.saturating_add(by_ms);
        }
    }

    /// When the board started, at the latest.
    #[must_use]
    pub fn start(&self) -> Instant {
        Instant::from_millis(self.envelope_ms)
    }

    /// Uptime of a sample with the turns of a 32-bit counter, which its
    /// number tells: a later sample with an uptime smaller by about 2³² has
    /// turned once more, an earlier one with a larger uptime once less.
    #[must_use]
    pub fn uptime(&self, seq: u32, up_ms: u64) -> u64 {
        if self.wide || up_ms >= WRAP {
            return up_ms;
        }
        let turns = self.last_up_ms / WRAP;
        let up = turns * WRAP + up_ms;
        if seq > self.last_seq && up + WRAP / 2 < self.last_up_ms {
            up + WRAP
        } else if seq < self.last_seq
            && turns > 0
            && up > self.last_up_ms + BACKWARD_TOLERANCE_MS
        {
            up - WRAP
        } else {
            up
        }
    }

    /// The instant that the envelope gives for a sample.
    #[must_use]
    pub fn instant(&self, seq: u32, up_ms: u64) -> Instant {
        let up = self.uptime(seq, up_ms);
        Instant::from_millis(self.envelope_at(up).saturating_add(signed(up)))
    }

    /// The date of a sample, or `None` while it has to wait.
    ///
    /// # Arguments
    /// - `count`: number and uptime of the sample, of this boot.
    /// - `claimed`: the board's own time; used only while it agrees with the
    ///   envelope within [`CLAIM_TOLERANCE_MS`] and the drift since the
    ///   envelope was touched.
    /// - `received`: when the sample's message was received.
    #[must_use]
    pub fn date(
        &self,
        count: &Count,
        claimed: Option<Instant>,
        received: Instant,
    ) -> Option<Dated> {
        let doubtful = match self.standing {
            Standing::Provisional => return None,
            Standing::Untrusted => {
                let mut dated = date_uncounted(claimed, received);
                if claimed.is_none() {
                    dated.quality = dated.quality.with(Quality::CLOCK_DOUBTFUL);
                }
                return Some(dated);
            }
            Standing::Live => false,
            Standing::Doubtful => true,
        };
        let up = self.uptime(count.seq, count.up_ms);
        let counted = self.instant(count.seq, count.up_ms).min(received);
        let tolerance =
            CLAIM_TOLERANCE_MS + drift(up.abs_diff(self.touched_up_ms));
        let agrees = |c: &Instant| c.millis_since(counted).abs() <= tolerance;
        let at = claimed.filter(agrees).unwrap_or(counted).min(received);
        let mut quality = Quality::GOOD;
        if doubtful {
            quality = quality.with(Quality::CLOCK_DOUBTFUL);
        }
        if received.millis_since(at) > BACKFILLED_AFTER_MS {
            quality = quality.with(Quality::BACKFILLED);
        }
        Some(Dated { at, quality })
    }

    /// The envelope at some uptime: after the last touch it may have risen.
    fn envelope_at(&self, up: u64) -> i64 {
        let since = up.saturating_sub(self.touched_up_ms);
        self.envelope_ms.saturating_add(drift(since))
    }
}

/// A claimed time this near to the receipt is believed, ms: 2 minutes.
pub const CLAIM_NEAR_MS: i64 = 2 * 60_000;
/// A claim older than this is no date but a clock that was never set, ms:
/// 366 days (clocks that were not set say 1970 or 2000).
pub const OLDEST_CLAIM_MS: i64 = 366 * 24 * 3_600_000;

/// The date of a sample from a board that does not count.
///
/// Without a claim it is the receipt; a claim within [`CLAIM_NEAR_MS`] is
/// used; an older one is used as back-filled and doubtful; one in the future,
/// or older than [`OLDEST_CLAIM_MS`], gives way to the receipt, doubtful.
#[must_use]
pub fn date_uncounted(claimed: Option<Instant>, received: Instant) -> Dated {
    let Some(claimed) = claimed else {
        return Dated { at: received, quality: Quality::GOOD };
    };
    let age = received.millis_since(claimed);
    if age.abs() <= CLAIM_NEAR_MS {
        Dated { at: claimed, quality: Quality::GOOD }
    } else if (0..=OLDEST_CLAIM_MS).contains(&age) {
        let quality = Quality::BACKFILLED.with(Quality::CLOCK_DOUBTFUL);
        Dated { at: claimed, quality }
    } else {
        Dated { at: received, quality: Quality::CLOCK_DOUBTFUL }
    }
}

/// On a steady transport, and no message of the board shortly before.
fn alone(arrival: &Arrival) -> bool {
    let burst =
        |previous| arrival.received.millis_since(previous).abs() <= BURST_MS;
    arrival.steady && !arrival.previous.is_some_and(burst)
}

/// `received − uptime`: the instant of uptime zero, were there no delay.
fn offset(received: Instant, up: u64) -> i64 {
    received.millis().saturating_sub(signed(up))
}

fn drift(elapsed_ms: u64) -> i64 {
    signed(elapsed_ms.saturating_mul(DRIFT_ALLOWANCE_PPM) / 1_000_000)
}

fn signed(millis: u64) -> i64 {
    i64::try_from(millis).unwrap_or(i64::MAX)
}

#[cfg(test)]
#[path = "dating_tests.rs"]
mod tests;
