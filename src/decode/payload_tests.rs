//! What the wire contract takes and refuses, example by example.

use super::*;

const RECEIVED: Instant = Instant::from_millis(1_773_489_600_000);

fn board() -> Name {
    Name::new("fridge-drawer").unwrap()
}

fn taken(text: &str) -> Message {
    payload(&board(), text.as_bytes(), RECEIVED).unwrap()
}

fn one(text: &str) -> Sample {
    let mut message = taken(text);
    assert_eq!(message.samples.len(), 1, "{message:?}");
    assert_eq!(message.refused, []);
    message.samples.remove(0)
}

#[track_caller]
fn check_refused(text: &str, reason: &str) {
    let refusal = payload(&board(), text.as_bytes(), RECEIVED).unwrap_err();
    assert_eq!(refusal.to_string(), reason);
}

#[test]
fn the_example_of_the_contract_is_taken_whole() {
    let sample = one(r#"{"boot":"k3v9q0tz1x","seq":412,"up_ms":18250000,
        "temperature_celsius":3.6,"humidity_percent":91.5,"light_lux":0,
        "battery_volts":2.98}"#);
    let count = Count {
        boot: Boot::new("k3v9q0tz1x").unwrap(),
        seq: 412,
        up_ms: 18_250_000,
    };
    assert_eq!(sample.probe.as_str(), "air");
    assert_eq!(sample.count, Some(count));
    assert_eq!(sample.claimed, None);
    assert_eq!(
        sample.values,
        [
            (Quantity::Temperature, 3.6, Quality::GOOD),
            (Quantity::Humidity, 91.5, Quality::GOOD),
            (Quantity::Light, 0.0, Quality::GOOD),
            (Quantity::Battery, 2.98, Quality::GOOD),
        ]
    );
}

#[test]
fn probe_time_and_board_are_understood() {
    let sample = one(r#"{"board":"fridge-drawer","probe":"damped",
        "time":"2026-03-14T13:00:00.250+01:00","temperature_celsius":4}"#);
    assert_eq!(sample.probe.as_str(), "damped");
    assert_eq!(sample.claimed, Some(RECEIVED.plus_millis(250)));
    assert_eq!(sample.count, None);
}

#[test]
fn a_null_is_an_error_of_the_sensor_not_of_the_message() {
    let sample = one(r#"{"temperature_celsius":null,"humidity_percent":null,
        "errors":{"humidity":"crc"}}"#);
    assert_eq!(sample.values, []);
    assert_eq!(
        sample.errors,
        [
            (Quantity::Humidity, "crc".to_owned()),
            (Quantity::Temperature, "not told".to_owned()),
        ]
    );
}

#[test]
fn members_that_nobody_knows_are_counted() {
    let message = taken(
        r#"{"light_lux":1,"pressure_hpa":1013,"errors":{"pressure":"x"}}"#,
    );
    assert_eq!(message.unknown_members, 2);
    assert_eq!(message.samples.len(), 1);
}

#[test]
fn a_light_sensor_at_its_end_gives_an_at_least_value() {
    let at_least = [(Quantity::Light, 88_000.0, Quality::AT_LEAST)];
    for text in [
        r#"{"light_limit_lux":88000}"#,
        r#"{"light_lux":null,"light_limit_lux":88000}"#,
        r#"{"light_lux":88000,"light_limit_lux":88000}"#,
    ] {
        let sample = one(text);
        assert_eq!(sample.values, at_least, "{text}");
        assert_eq!(sample.errors, []);
    }
    check_refused(
        r#"{"light_lux":0,"light_limit_lux":88000}"#,
        "light 0 lx is below its own light_limit_lux 88000; send the limit \
         only when the sensor is at its end",
    );
}

#[test]
fn one_impossible_value_does_not_cost_the_others() {
    let message = taken(
        r#"{"temperature_celsius":3.6,"humidity_percent":600,
        "battery_volts":"low"}"#,
    );
    assert_eq!(
        message.samples[0].values,
        [(Quantity::Temperature, 3.6, Quality::GOOD)]
    );
    let reasons = [
        (0, "battery_volts is \"low\", not a number or null".to_owned()),
        (0, "humidity 600 % is outside 0 to 105 %".to_owned()),
    ];
    assert_eq!(message.refused, reasons);
    check_refused(
        r#"{"temperature_celsius":-127}"#,
        "temperature -127 °C is outside -60 to 85 °C; a one-wire library \
         says this when it finds no sensor",
    );
}

#[test]
fn known_false_and_saturated_values_are_kept_with_their_marks() {
    let sample = one(r#"{"temperature_celsius":85,"humidity_percent":104.9}"#);
    assert_eq!(
        sample.values,
        [
            (Quantity::Temperature, 85.0, Quality::KNOWN_FALSE),
            (Quantity::Humidity, 104.9, Quality::SATURATED),
        ]
    );
    let pair = one(r#"{"temperature_celsius":42.50,"humidity_percent":56.5}"#);
    assert!(pair.values.iter().all(|v| v.2 == Quality::KNOWN_FALSE));
}

#[test]
fn good_samples_of_an_array_are_kept_and_bad_ones_named() {
    let sample = |seq: u32, value: &str| {
        format!(
            r#"{{"boot":"k3v9q0tz1x","seq":{seq},"up_ms":{seq}000,
            "temperature_celsius":{value}}}"#
        )
    };
    let text =
        [sample(1, "3.6"), "7".to_owned(), sample(2, "-300"), sample(3, "3.7")];
    let message = taken(&format!("[{}]", text.join(",")));
    let seqs: Vec<u32> =
        message.samples.iter().map(|s| s.count.as_ref().unwrap().seq).collect();
    assert_eq!(seqs, [1, 3]);
    assert_eq!(
        message.refused,
        [
            (1, "this element is a number, not an object".to_owned()),
            (2, "temperature -300 °C is outside -60 to 85 °C".to_owned()),
        ]
    );
}

#[test]
fn of_samples_without_any_date_only_the_last_of_a_probe_is_kept() {
    let message = taken(
        r#"[{"light_lux":1},{"light_lux":2,"probe":"damped"},
        {"light_lux":3},{"light_lux":4,"time":"2026-03-14T11:59:00Z"}]"#,
    );
    let lux: Vec<f64> = message.samples.iter().map(|s| s.values[0].1).collect();
    assert_eq!(lux, [2.0, 3.0, 4.0]);
    assert_eq!(message.refused.len(), 1);
    assert_eq!(message.refused[0].0, 0);
    assert!(message.refused[0].1.starts_with("cannot be told apart in time"));
}

#[test]
fn refusals_say_what_was_wrong() {
    check_refused("7", "the packet is a number, not an object");
    check_refused("[]", "the array is empty");
    check_refused("{}", "nothing was measured: no known quantity and no error");
    check_refused(
        r#"{"board":"shed","light_lux":1}"#,
        "board \"shed\" inside a message of board \"fridge-drawer\"",
    );
    check_refused(
        r#"{"probe":"In Air","light_lux":1}"#,
        "probe \"In Air\" is not a name: use 1 to 40 of a–z, 0–9 and -, \
         beginning with a letter or digit",
    );
    check_refused(
        r#"{"boot":"f00d","seq":1,"up_ms":1,"light_lux":1}"#,
        "boot \"f00d\" is not 8 to 32 of 0–9 and a–z",
    );
    check_refused(
        r#"{"seq":1,"up_ms":1,"light_lux":1}"#,
        "boot, seq and up_ms belong together; boot is missing",
    );
    check_refused(
        r#"{"boot":"k3v9q0tz1x","up_ms":1,"light_lux":1}"#,
        "boot, seq and up_ms belong together; seq is missing",
    );
    check_refused(
        r#"{"boot":"k3v9q0tz1x","seq":1,"light_lux":1}"#,
        "boot, seq and up_ms belong together; up_ms is missing",
    );
    check_refused(
        r#"{"seq":4294967296,"light_lux":1}"#,
        "seq is 4294967296, not a whole number from 0 to 4294967295",
    );
    check_refused(
        r#"{"up_ms":-5,"light_lux":1}"#,
        "up_ms is -5, not a whole number from 0 to 9007199254740992",
    );
    check_refused(
        r#"{"time":"yesterday","light_lux":1}"#,
        "time \"yesterday\" is not RFC 3339",
    );
    check_refused(
        r#"{"light_lux":null,"errors":["crc"]}"#,
        "errors is an array, not an object of texts",
    );
    check_refused(
        r#"{"light_lux":1,"light_lux":2}"#,
        "member \"light_lux\" appears twice in one object",
    );
}

#[test]
fn limits_of_size_and_number_hold_exactly() {
    let element = r#"{"light_lux":1,"time":"2026-03-14T11:59:00Z"}"#;
    let array = |n: usize| format!("[{}]", vec![element; n].join(","));
    assert_eq!(taken(&array(1_000)).samples.len(), 1_000);
    check_refused(
        &array(1_001),
        "array of 1001 samples is over the limit of 1000",
    );
    let padded = |n: usize| {
        let text = r#"{"light_lux":1}"#;
        format!("{text}{}", " ".repeat(n - text.len()))
    };
    assert_eq!(taken(&padded(65_536)).samples.len(), 1);
    check_refused(
        &padded(65_537),
        "packet of 65537 bytes is over the limit of 65536",
    );
}

proptest::proptest! {
    /// Bytes that look a little like the contract, and bytes that do not.
    #[test]
    fn no_bytes_make_it_panic(
        bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..300),
        text in r#"[\[\]{}",:0-9a-z_.eE+\-\\ ]{0,200}"#,
        cut in 0_usize..200,
    ) {
        let whole = br#"[{"boot":"k3v9q0tz1x","seq":412,"up_ms":18250000,
            "temperature_celsius":3.6,"errors":{"humidity":"crc"}},
            {"n":"a","u":"Cel","v":1,"bt":1e300,"t":-1e308}]"#;
        let mut broken = whole.to_vec();
        if let (Some(at), Some(byte)) = (broken.get_mut(cut), bytes.first()) {
            *at = *byte;
        }
        for input in [&bytes[..], text.as_bytes(), &broken[..]] {
            match payload(&board(), input, RECEIVED) {
                Ok(message) => {
                    let found = message.samples.len() + message.refused.len();
                    proptest::prop_assert!(found > 0);
                }
                Err(refusal) => {
                    proptest::prop_assert!(!refusal.to_string().is_empty());
                }
            }
        }
    }
}
