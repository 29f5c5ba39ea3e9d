//! Dates against a board whose true instants are known.
//!
//! Nothing published covers this: the truth is the simulation's own, the
//! bounds are those that the module states.

use proptest::prelude::*;

use super::*;
use crate::observation::Boot;

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
/// 2026-03-14T12:00Z.
const START: i64 = 1_773_489_600_000;

/// One sample of a simulated board.
#[derive(Debug, Clone, Copy)]
struct Sent {
    truth: i64,
    up: u64,
    seq: u32,
    received: i64,
    steady: bool,
}

/// A board that samples each `step` ms, with a clock `ppm` fast. What is
/// sampled in an outage waits and then comes in one burst, 10 ms apart.
fn board(
    ppm: i64,
    step: i64,
    n_samples: u32,
    jitter: &[i64],
    outages: &[(i64, i64)],
) -> Vec<Sent> {
    let mut line_free = i64::MIN;
    (0..n_samples)
        .map(|seq| {
            let elapsed = 3_000 + step * i64::from(seq);
            let truth = START + elapsed;
            let up = elapsed + elapsed * ppm / 1_000_000;
            let wait = jitter[seq as usize % jitter.len()];
            let outage = outages
                .iter()
                .find(|(from, to)| (*from..*to).contains(&elapsed));
            let queued = outage.map(|(_, to)| START + to);
            let received = (queued.unwrap_or(truth) + wait.min(step / 2))
                .max(line_free + 10);
            line_free = received;
            Sent {
                truth,
                up: u64::try_from(up).unwrap(),
                seq,
                received,
                steady: queued.is_none()
                    && received == truth + wait.min(step / 2),
            }
        })
        .collect()
}

/// A sample with its date, and the state of things when it was dated.
#[derive(Debug)]
struct Outcome {
    sent: Sent,
    at: i64,
    quality: Quality,
    after: usize,
}

fn count(sent: &Sent, up_ms: u64) -> Count {
    Count { boot: Boot::new("k3v9q0tz1x").unwrap(), seq: sent.seq, up_ms }
}

/// Runs the messages through one dating, as a daemon does: ticks in
/// between, keeps back what is provisional. `narrow` sends 32-bit uptimes.
fn run(messages: &[Sent], narrow: bool) -> (Dating, Vec<Outcome>) {
    let mut dating: Option<Dating> = None;
    let mut previous = None;
    let (mut kept, mut outcomes) = (Vec::new(), Vec::new());
    let up = |sent: &Sent| if narrow { sent.up % WRAP } else { sent.up };
    let dated = |dating: &Dating, sent: &Sent, after| {
        let received = Instant::from_millis(sent.received);
        let dated = dating.date(&count(sent, up(sent)), None, received)?;
        let (at, quality) = (dated.at.millis(), dated.quality);
        Some(Outcome { sent: *sent, at, quality, after })
    };
    for (index, sent) in messages.iter().enumerate() {
        let received = Instant::from_millis(sent.received);
        let arrival = Arrival {
            received,
            steady: sent.steady,
            previous,
            newest_seq: sent.seq,
            newest_up_ms: up(sent),
        };
        previous = Some(received);
        if let Some(dating) = &mut dating {
            // The tick just before this message came.
            if dating.tick(received.plus_millis(-1)).is_some() {
                for sent in kept.drain(..) {
                    outcomes.extend(dated(dating, &sent, index - 1));
                }
            }
        }
        match &mut dating {
            None => dating = Some(Dating::new(&arrival)),
            Some(dating) => {
                dating.observe(&arrival);
            }
        }
        kept.push(*sent);
        let now = dating.as_ref().unwrap();
        if now.standing != Standing::Provisional {
            for sent in kept.drain(..) {
                outcomes.extend(dated(now, &sent, index));
            }
        }
    }
    (dating.unwrap(), outcomes)
}

/// Asserts the bounds stated in the module.
fn check_bounds(messages: &[Sent], outcomes: &[Outcome]) {
    for outcome in outcomes {
        let heard = &messages[..=outcome.after];
        let now = heard.iter().map(|m| m.truth).max().unwrap();
        let ppm = |n: i64, elapsed: i64| n * elapsed / 1_000_000;
        let by_age = ppm(100, (now - outcome.sent.truth).abs()) + 3;
        let smallest = heard
            .iter()
            .map(|m| m.received - m.truth + ppm(300, (now - m.truth).abs()))
            .min()
            .unwrap();
        let error = outcome.at - outcome.sent.truth;
        assert!(error >= -by_age, "{error} ms early: {outcome:?}");
        assert!(error <= smallest + by_age, "{error} ms late: {outcome:?}");
        assert!(outcome.at <= outcome.sent.received, "{outcome:?}");
    }
}

fn jitters() -> impl Strategy<Value = Vec<i64>> {
    proptest::collection::vec(0_i64..1_500, 1..40)
}

fn steps() -> impl Strategy<Value = i64> {
    prop_oneof![
        Just(1_000_i64),
        Just(2_000),
        Just(10_000),
        Just(MINUTE),
        Just(10 * MINUTE),
        700..HOUR,
    ]
}

proptest! {
    #[test]
    fn a_live_boot_keeps_its_dates_through_hours_of_queueing(
        ppm in -100_i64..=100, step in steps(), jitter in jitters(),
        from in 2 * HOUR..4 * HOUR, length in MINUTE..6 * HOUR,
    ) {
        let n = u32::try_from((12 * HOUR / step).clamp(20, 3_000)).unwrap();
        let messages = board(ppm, step, n, &jitter, &[(from, from + length)]);
        let (dating, outcomes) = run(&messages, false);
        check_bounds(&messages, &outcomes);
        prop_assert_eq!(outcomes.len(), messages.len());
        prop_assert_eq!(dating.standing, Standing::Live);
        for outcome in &outcomes {
            let error = outcome.at - outcome.sent.truth;
            prop_assert!((-1_000..=10_000).contains(&error), "{:?}", outcome);
            let waited = outcome.sent.received - outcome.at;
            prop_assert_eq!(
                outcome.quality.has(Quality::BACKFILLED),
                waited > BACKFILLED_AFTER_MS
            );
            prop_assert!(outcome.quality.counts());
        }
    }

    #[test]
    fn a_backlog_heard_first_waits_and_is_dated_right(
        ppm in -100_i64..=100, step in steps(), jitter in jitters(),
        length in MINUTE..8 * HOUR,
    ) {
        let n = u32::try_from((length / step + 60).min(4_000)).unwrap();
        let messages = board(ppm, step, n, &jitter, &[(0, length)]);
        let (_, outcomes) = run(&messages, false);
        check_bounds(&messages, &outcomes);
        for outcome in &outcomes {
            let error = outcome.at - outcome.sent.truth;
            // Jitter, and 100 ppm of eight hours.
            prop_assert!(error.abs() <= 1_500 + 2_900, "{:?}", outcome);
        }
        let live = messages.iter().filter(|m| m.steady).count();
        if live >= 15 {
            prop_assert_eq!(outcomes.len(), messages.len());
        }
    }

    #[test]
    fn repeats_and_disorder_change_no_envelope(
        ppm in -100_i64..=100, jitter in jitters(),
        repeats in proptest::collection::vec((0_usize..200, 1_usize..50), 0..30),
    ) {
        let messages = board(ppm, MINUTE, 200, &jitter, &[]);
        let (plain, _) = run(&messages, false);
        let mut again = messages.clone();
        for (at, back) in repeats {
            let mut repeat = messages[at.saturating_sub(back)];
            repeat.received = messages[at].received + 20;
            let place = again
                .iter()
                .position(|m| m.received > repeat.received)
                .unwrap_or(again.len());
            again.insert(place, repeat);
        }
        let (with_repeats, outcomes) = run(&again, false);
        prop_assert_eq!(with_repeats.envelope_ms, plain.envelope_ms);
        prop_assert_eq!(with_repeats.touched_up_ms, plain.touched_up_ms);
        prop_assert_eq!(with_repeats.standing, plain.standing);
        check_bounds(&again, &outcomes);
    }

    #[test]
    fn a_32_bit_uptime_that_turns_is_followed(
        ppm in -100_i64..=100, jitter in jitters(), step in HOUR..30 * HOUR,
        back in 1_u32..20,
    ) {
        // Up to four turns of 49.7 days.
        let messages = board(ppm, step, 150, &jitter, &[]);
        let (wide, wide_outcomes) = run(&messages, false);
        let (narrow, narrow_outcomes) = run(&messages, true);
        prop_assert_eq!(wide.last_up_ms, narrow.last_up_ms);
        prop_assert_eq!(wide.envelope_ms, narrow.envelope_ms);
        let at = |o: &[Outcome]| o.iter().map(|o| o.at).collect::<Vec<_>>();
        prop_assert_eq!(at(&wide_outcomes), at(&narrow_outcomes));
        // An older sample that comes late is put before the turn.
        let old = messages[messages.len() - 1 - back as usize];
        prop_assert_eq!(narrow.uptime(old.seq, old.up % WRAP), old.up);
    }

    #[test]
    fn no_arrival_makes_it_panic(
        arrivals in proptest::collection::vec(
            (any::<i64>(), any::<bool>(), any::<u32>(), 0..=1_u64 << 53), 1..20,
        ),
        by in any::<i64>(),
    ) {
        let arrivals: Vec<Arrival> = arrivals
            .into_iter()
            .map(|(received, steady, newest_seq, newest_up_ms)| Arrival {
                received: Instant::from_millis(received / 2),
                steady,
                previous: None,
                newest_seq,
                newest_up_ms,
            })
            .collect();
        let mut dating = Dating::new(&arrivals[0]);
        for arrival in &arrivals {
            dating.observe(arrival);
            dating.tick(arrival.received);
            let instant =
                dating.instant(arrival.newest_seq, arrival.newest_up_ms);
            prop_assert!(instant.to_string().ends_with('Z'));
        }
        dating.superseded(arrivals[0].received);
        dating.host_clock_moved(by);
    }
}

fn arrival(received: i64, seq: u32, up: i64, steady: bool) -> Arrival {
    Arrival {
        received: Instant::from_millis(START + received),
        steady,
        previous: None,
        newest_seq: seq,
        newest_up_ms: u64::try_from(up).unwrap(),
    }
}

fn at(millis: i64) -> Instant {
    Instant::from_millis(START + millis)
}

#[test]
fn a_lone_message_over_a_steady_transport_is_live_after_five_seconds() {
    let mut dating = Dating::new(&arrival(2_000, 0, 1_500, true));
    assert_eq!(dating.tick(at(6_999)), None);
    assert_eq!(dating.tick(at(7_000)), Some(Verdict::BecameLive));
    assert_eq!(dating.instant(0, 1_500), at(2_000));
    assert_eq!(dating.start(), at(500));
    assert_eq!(dating.tick(at(8_000)), None);
}

#[test]
fn a_lone_message_out_of_a_backlog_is_not_live() {
    let mut drained = Dating::new(&arrival(2_000, 0, 1_500, false));
    assert_eq!(drained.tick(at(60_000)), None);
    let mut in_burst = arrival(2_000, 0, 1_500, true);
    in_burst.previous = Some(at(1_900));
    assert_eq!(Dating::new(&in_burst).tick(at(60_000)), None);
    let mut followed = Dating::new(&arrival(2_000, 0, 1_500, true));
    followed.another_spoke(at(2_100));
    assert_eq!(followed.tick(at(60_000)), None);
}

#[test]
fn a_repeat_of_a_lone_message_does_not_keep_it_from_being_live() {
    let mut dating = Dating::new(&arrival(2_000, 0, 1_500, true));
    let mut repeat = arrival(4_000, 0, 1_500, true);
    repeat.previous = Some(at(2_000));
    assert_eq!(dating.observe(&repeat), Verdict::Provisional);
    assert_eq!(dating.tick(at(9_000)), Some(Verdict::BecameLive));
    assert_eq!(dating.instant(0, 1_500), at(2_000));
}

#[test]
fn messages_that_keep_pace_are_live_at_once() {
    let mut dating = Dating::new(&arrival(60_000, 0, 60_000, false));
    let second = arrival(120_500, 1, 120_000, false);
    assert_eq!(dating.observe(&second), Verdict::BecameLive);
    let third = arrival(181_000, 2, 180_000, false);
    assert_eq!(dating.observe(&third), Verdict::Live);
    assert_eq!((dating.low_ms, dating.high_ms), (START, START));
}

#[test]
fn a_draining_backlog_of_a_fast_board_is_not_taken_for_life() {
    // One sample a second, an hour of them within seconds.
    let mut dating = Dating::new(&arrival(3_600_000, 0, 0, false));
    for seq in 1..3_600 {
        let received = 3_600_000 + i64::from(seq);
        let next = arrival(received, seq, i64::from(seq) * 1_000, false);
        assert_eq!(dating.observe(&next), Verdict::Provisional, "{seq}");
    }
}

#[test]
fn a_stalled_backlog_taken_for_life_is_found_out() {
    // An hour old, stalled for just one interval, then draining.
    let mut dating = Dating::new(&arrival(3_600_000, 0, 0, false));
    let stalled = arrival(3_660_000, 1, 60_000, false);
    assert_eq!(dating.observe(&stalled), Verdict::BecameLive);
    let draining = arrival(3_660_010, 2, 120_000, false);
    assert_eq!(dating.observe(&draining), Verdict::Provisional);
    let live = arrival(7_200_000, 120, 7_200_000, false);
    assert_eq!(dating.observe(&live), Verdict::Provisional);
    let next = arrival(7_260_000, 121, 7_260_000, false);
    assert_eq!(dating.observe(&next), Verdict::BecameLive);
    assert_eq!(dating.instant(60, 3_600_000), at(3_600_000));
}

#[test]
fn a_boot_never_heard_live_is_doubtful_after_a_day_or_the_next_boot() {
    let first = arrival(HOUR, 5, 10 * MINUTE, false);
    let settled = |dating: &Dating| {
        let count = Count {
            boot: Boot::new("k3v9q0tz1x").unwrap(),
            seq: 5,
            up_ms: 600_000,
        };
        dating.date(&count, None, at(HOUR)).unwrap()
    };
    let mut aged = Dating::new(&first);
    assert_eq!(aged.tick(at(25 * HOUR - 1)), None);
    assert_eq!(aged.tick(at(25 * HOUR)), Some(Verdict::Doubtful));
    let dated = settled(&aged);
    assert_eq!(dated.at, at(HOUR));
    assert_eq!(dated.quality.words(), ["clock-doubtful"]);

    // The next boot started 20 minutes before this backlog came.
    let mut superseded = Dating::new(&first);
    let start = at(40 * MINUTE);
    assert_eq!(superseded.superseded(start), Some(Verdict::Doubtful));
    let dated = settled(&superseded);
    assert_eq!(dated.at, start);
    assert_eq!(dated.quality.words(), ["clock-doubtful", "backfilled"]);
    assert_eq!(superseded.low_ms, START + 30 * MINUTE);
    assert_eq!(superseded.high_ms, START + 50 * MINUTE);
    assert_eq!(superseded.superseded(start), None);
}

#[test]
fn nothing_is_dated_while_it_is_provisional() {
    let dating = Dating::new(&arrival(1_000, 0, 500, true));
    let count =
        Count { boot: Boot::new("k3v9q0tz1x").unwrap(), seq: 0, up_ms: 500 };
    assert_eq!(dating.date(&count, Some(at(1_000)), at(1_000)), None);
}

#[test]
fn a_claimed_time_is_used_only_while_it_agrees() {
    let mut dating = Dating::new(&arrival(1_000, 0, 500, true));
    dating.tick(at(10_000));
    let count =
        Count { boot: Boot::new("k3v9q0tz1x").unwrap(), seq: 0, up_ms: 500 };
    let dated = |claimed: i64| {
        dating.date(&count, Some(at(claimed)), at(1_000)).unwrap().at
    };
    assert_eq!(dated(-1_000), at(-1_000));
    assert_eq!(dated(-1_001), at(1_000));
    // Never later than received.
    assert_eq!(dated(2_000), at(1_000));
}

#[test]
fn an_uptime_that_stands_still_in_sleep_is_found_out() {
    // Awake for 4 s in each 10 minutes, and only those are counted.
    let mut dating = Dating::new(&arrival(0, 0, 0, true));
    assert_eq!(dating.tick(at(5_000)), Some(Verdict::BecameLive));
    let verdicts: Vec<Verdict> = (1..12)
        .map(|n: u32| {
            let n_th = i64::from(n);
            dating.observe(&arrival(n_th * 600_000, n, n_th * 4_000, true))
        })
        .collect();
    assert_eq!(verdicts.last(), Some(&Verdict::Untrusted));
    let count =
        Count { boot: Boot::new("k3v9q0tz1x").unwrap(), seq: 12, up_ms: 1 };
    let dated = dating.date(&count, None, at(HOUR)).unwrap();
    assert_eq!(dated.at, at(HOUR));
    assert_eq!(dated.quality.words(), ["clock-doubtful"]);
}

#[test]
fn an_uptime_that_runs_backwards_is_not_trusted() {
    let mut dating = Dating::new(&arrival(60_000, 0, 60_000, true));
    let back = arrival(120_000, 1, 57_999, true);
    assert_eq!(dating.observe(&back), Verdict::Untrusted);
}

#[test]
fn a_step_of_the_hosts_clock_moves_the_dates_with_it() {
    let mut dating = Dating::new(&arrival(60_000, 0, 60_000, true));
    dating.tick(at(70_000));
    dating.host_clock_moved(3 * HOUR);
    let next = arrival(3 * HOUR + 120_000, 1, 120_000, true);
    assert_eq!(dating.observe(&next), Verdict::Live);
    assert_eq!(dating.instant(1, 120_000), at(3 * HOUR + 120_000));
}

#[test]
fn samples_without_a_count_are_dated_by_receipt_or_a_near_claim() {
    let check = |claimed: Option<i64>, date: i64, marks: &[&str]| {
        let dated = date_uncounted(claimed.map(at), at(0));
        assert_eq!(dated.at, at(date), "{claimed:?}");
        assert_eq!(dated.quality.words(), marks, "{claimed:?}");
    };
    check(None, 0, &[]);
    check(Some(-2 * MINUTE), -2 * MINUTE, &[]);
    check(Some(2 * MINUTE), 2 * MINUTE, &[]);
    let both = ["clock-doubtful", "backfilled"];
    check(Some(-2 * MINUTE - 1), -2 * MINUTE - 1, &both);
    check(Some(-300 * 24 * HOUR), -300 * 24 * HOUR, &both);
    check(Some(2 * MINUTE + 1), 0, &["clock-doubtful"]);
    // A clock that was never set.
    check(Some(-START), 0, &["clock-doubtful"]);
}
