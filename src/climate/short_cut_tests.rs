//! Short cuts of sums give what a plain walk along the readings gives: tables
//! of hours but for rounding, and logs whose readings were put away bit for
//! bit.

use std::sync::Arc;

use proptest::prelude::*;

use crate::climate::hour_table::{HourTable, Hours, integral};
use crate::climate::hours::hour_span;
use crate::climate::integrate::{HourlySums, HoursOfDay};
use crate::climate::log::{Log, Span};
use crate::climate::shape::Shape;
use crate::climate::strip::Strip;
use crate::observation::{Quality, Reading};
use crate::units::Instant;

const GAP: i64 = 900_000;

fn shapes() -> Vec<Shape> {
    vec![
        Shape::value(),
        Shape::above(3.0),
        Shape::within(0.0, 7.0),
        Shape::at_or_below(0.0),
        Shape::rise(1.0, Some(6.0), Some(9.0)),
    ]
}

/// Half an hour to days of readings that cross every edge, with holes.
fn readings() -> impl Strategy<Value = Vec<Reading>> {
    let step = prop_oneof![
        20 => 20_000_i64..400_000,
        1 => 0_i64..20_000_000,
    ];
    let row = (step, -30_i64..30, 0_u16..12);
    (prop::collection::vec(row, 0..600), 0_i64..7_200_000).prop_map(
        |(rows, start)| {
            let (mut at, mut tenths) = (start, 50);
            rows.into_iter()
                .map(|(step, change, marks)| {
                    at += step;
                    tenths = (tenths + change).clamp(-40, 120);
                    let whole = i32::try_from(tenths).unwrap();
                    Reading {
                        at: Instant::from_millis(at),
                        value: f64::from(whole) / 10.0,
                        quality: Quality::from_bits(if marks == 2 {
                            marks
                        } else {
                            0
                        }),
                    }
                })
                .collect()
        },
    )
}

proptest! {
    #[test]
    fn short_cuts_change_nothing(
        readings in readings(),
        ends in prop::array::uniform2(-5_000_000_i64..90_000_000),
    ) {
        let strip: Strip = readings.iter().copied().collect();
        let fetch = Arc::new(move |span: Span| {
            strip.between(span.from, span.to).collect()
        });
        let here = Log::new(readings, GAP, &|_| 1_800);
        let away = here.clone().put_away(fetch);
        let hours = Hours::of(&here);
        let tables = HourTable::of_each(&here, &hours, shapes());
        for (shape, table) in shapes().into_iter().zip(&tables) {
            for (cell, sum) in (table.first..).zip(&table.sums) {
                let hour = hour_span(cell);
                let plain = integral(&here, &shape, hour);
                prop_assert!((plain - sum).abs() < 1e-12, "{plain} {sum}");
                let fetched = integral(&away, &shape, hour);
                prop_assert_eq!(plain.to_bits(), fetched.to_bits());
            }
            let [a, b] = ends.map(Instant::from_millis);
            let spans = [Span::new(a, b)];
            let dose = |log| {
                let sums = HourlySums::of(log, shape.clone());
                format!("{:?}", sums.over(&spans, HoursOfDay::ALL))
            };
            prop_assert_eq!(dose(&here), dose(&away));
        }
        let [a, b] = ends.map(Instant::from_millis);
        let (all, plain) = (
            hours.over(&here, Span::new(a, b)),
            here.covered(Span::new(a, b)),
        );
        prop_assert!((all.millis - plain.millis).abs() < 1e-6);
        prop_assert!(
            (all.area - plain.area).abs() <= 1e-12 * plain.area.abs().max(1e9)
        );
        for (one, other) in [(all.low, plain.low), (all.high, plain.high)] {
            // Where a line is cut its value is rounded.
            let off = (one - other).abs();
            prop_assert!(one.total_cmp(&other).is_eq() || off < 1e-9);
        }
        for at in ends.map(Instant::from_millis) {
            prop_assert_eq!(here.value_at(at), away.value_at(at));
        }
        prop_assert_eq!(here.readings(), away.readings());
    }
}
