//! SenML against the packs of RFC 8428, and packs that break its rules.

use super::*;
use crate::observation::Quality;

const NOW: Instant = Instant::from_millis(1_773_489_600_000);

/// RFC 8428 section 5.1; status: see `tests/reference/messages/README.md`.
const VECTORS: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/reference/messages/senml.json"
));

fn cases() -> Vec<Value> {
    let vectors: Value = serde_json::from_str(VECTORS).unwrap();
    vectors["cases"].as_array().unwrap().clone()
}

fn pack_of(id: &str) -> Vec<Value> {
    let case = cases().into_iter().find(|case| case["id"] == id).unwrap();
    case["pack"].as_array().unwrap().clone()
}

#[test]
fn packs_of_the_rfc_resolve_as_printed() {
    let mut n_compared = 0;
    for case in cases() {
        let pack = case["pack"].as_array().unwrap();
        let records = resolve(pack, NOW).unwrap();
        assert_eq!(records.len(), pack.len(), "{}", case["id"]);
        let Some(printed) = case["resolved"].as_array() else { continue };
        for (record, printed) in records.iter().zip(printed) {
            assert_eq!(printed["n"], record.name.as_str());
            assert_eq!(printed["u"].as_str(), record.unit.as_deref());
            let difference =
                record.value.unwrap() - printed["v"].as_f64().unwrap();
            assert!(difference.abs() < 1e-9);
            let seconds = printed["t"].as_f64();
            let millis = record.at.map(Instant::millis);
            #[allow(clippy::cast_possible_truncation, reason = "test data")]
            let printed = seconds.map(|s| (s * 1_000.0).round() as i64);
            assert_eq!(millis, printed, "{}", record.name);
            n_compared += 1;
        }
    }
    assert_eq!(n_compared, 27);
}

fn parsed(text: &str) -> Vec<Value> {
    serde_json::from_str(text).unwrap()
}

fn board() -> Name {
    Name::new("stair-landing").unwrap()
}

/// Source: RFC 8428, section 4.5.3 ("less than 268,435,456 (2**28)" is
/// relative to the current time), read in quotations of the text.
#[test]
fn small_times_are_relative_to_now() {
    let at = |t: &str| {
        let pack = parsed(&format!(r#"[{{"n":"a","v":1,"t":{t}}}]"#));
        resolve(&pack, NOW).unwrap()[0].at
    };
    assert_eq!(at("0"), None);
    assert_eq!(at("-90"), Some(NOW.plus_millis(-90_000)));
    assert_eq!(at("268435455"), Some(NOW.plus_millis(268_435_455_000)));
    assert_eq!(at("268435456"), Some(Instant::from_millis(268_435_456_000)));
}

#[test]
fn base_values_are_added_until_replaced() {
    let pack = parsed(
        r#"[{"bn":"a:","n":"temp","bu":"Cel","bv":20,"v":1.5},
        {"n":"temp","t":-60,"v":-0.5},{"n":"temp","t":-120,"bv":0,"v":2}]"#,
    );
    let values: Vec<_> =
        resolve(&pack, NOW).unwrap().iter().map(|r| r.value).collect();
    assert_eq!(values, [Some(21.5), Some(19.5), Some(2.0)]);
}

#[test]
fn records_of_one_time_are_one_sample() {
    let pack = parsed(
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","bt":-120,
        "n":"temperature","u":"Cel","v":21.5},
        {"n":"humidity","u":"%RH","v":40},
        {"n":"temperature","u":"Cel","v":21.6,"t":60},
        {"n":"damped:temperature","u":"K","v":293.15,"t":60},
        {"n":"window","vb":true,"t":60},
        {"n":"supply","u":"%EL","v":98,"t":60}]"#,
    );
    let message = message(Some(&board()), &pack, NOW).unwrap();
    assert_eq!(message.unknown_members, 2);
    assert_eq!(message.refused, []);
    let seen: Vec<_> = message
        .samples
        .iter()
        .map(|s| {
            let ago = NOW.millis_since(s.claimed.unwrap());
            (s.probe.as_str(), ago, s.values.len())
        })
        .collect();
    assert_eq!(
        seen,
        [("air", 120_000, 2), ("air", 60_000, 1), ("damped", 60_000, 1)]
    );
    let humidity = (Quantity::Humidity, 40.0, Quality::GOOD);
    assert_eq!(message.samples[0].values[1], humidity);
}

#[test]
fn a_pack_of_the_rfc_becomes_samples_of_the_topics_board() {
    let pack = pack_of("5.1.3 multiple measurements -> 5.1.4 resolved");
    let message = message(Some(&board()), &pack, NOW).unwrap();
    // Humidity is kept; longitude, latitude and charge in % are not.
    assert_eq!(message.samples.len(), 4);
    assert_eq!(message.unknown_members, 9);
    let first = &message.samples[0];
    let at = Instant::from_millis(1_320_067_464_000);
    assert_eq!(first.claimed, Some(at));
    assert_eq!(first.probe.as_str(), "air");
    assert_eq!(first.values, [(Quantity::Humidity, 20.0, Quality::GOOD)]);
}

#[test]
fn records_of_a_second_device_are_refused_by_index() {
    let pack = pack_of("5.1.6 base name replaced, base time kept");
    let message = message(Some(&board()), &pack, NOW).unwrap();
    assert_eq!(message.samples.len(), 1);
    assert_eq!(message.samples[0].values.len(), 2);
    let reason = "SenML: a record of device \"2001:db8::1\" in a pack of \
                  \"2001:db8::2\"";
    assert_eq!(
        message.refused,
        [(2, reason.to_owned()), (3, reason.to_owned())]
    );
}

#[test]
fn without_a_topic_the_device_names_the_board() {
    let named = |name: &str| {
        let text = format!(r#"[{{"n":"{name}","u":"lx","v":5}}]"#);
        message(None, &parsed(&text), NOW)
            .map(|m| (m.board.to_string(), m.samples[0].probe.to_string()))
            .map_err(|refusal| refusal.to_string())
    };
    let pair = |a: &str, b: &str| Ok((a.to_owned(), b.to_owned()));
    assert_eq!(named("urn:dev:ow:10e2073a:light"), pair("10e2073a", "air"));
    assert_eq!(named("urn:dev:ow:10e2073a"), pair("10e2073a", "air"));
    assert_eq!(named("shed/damped"), pair("shed", "damped"));
    assert_eq!(
        named("light"),
        Err("the line does not name its board".to_owned())
    );
}

#[test]
fn impossible_values_and_repeats_are_refused_by_index() {
    let pack = parsed(
        r#"[{"bn":"a/","n":"temp","u":"Cel","v":3},
        {"n":"temp","u":"Cel","v":4},{"n":"rh","u":"%RH","v":600},
        {"n":"In_Air","u":"lx","v":1}]"#,
    );
    let message = message(Some(&board()), &pack, NOW).unwrap();
    let reasons: Vec<_> =
        message.refused.iter().map(|(i, why)| (*i, why.as_str())).collect();
    assert_eq!(
        reasons,
        [
            (1, "temperature appears twice at one time"),
            (2, "humidity 600 % is outside 0 to 105 %"),
            (
                3,
                "probe \"In_Air\" is not a name: use 1 to 40 of a–z, 0–9 \
                 and -, beginning with a letter or digit"
            ),
        ]
    );
}

#[track_caller]
fn check_refused(text: &str, reason: &str) {
    let refusal = message(Some(&board()), &parsed(text), NOW).unwrap_err();
    assert_eq!(refusal.to_string(), reason);
}

#[test]
fn packs_that_break_a_rule_are_refused_whole() {
    check_refused(
        r#"[{"n":"a","v":1,"danger_":2}]"#,
        "SenML: \"danger_\" must be understood and is not",
    );
    check_refused(
        r#"[{"bver":11,"n":"a","v":1}]"#,
        "SenML: version 11 is outside 1 to 10",
    );
    check_refused(
        r#"[{"bver":5,"n":"a","v":1},{"bver":6,"n":"a","v":1}]"#,
        "SenML: versions 5 and 6 in one pack",
    );
    check_refused(
        r#"[{"n":"a","v":1,"vs":"x"}]"#,
        "SenML: a record has 2 values, not one",
    );
    check_refused(r#"[{"n":"a"}]"#, "SenML: a record has 0 values, not one");
    check_refused(
        r#"[{"n":"a b","v":1}]"#,
        "SenML: \"a b\" is no name of a record",
    );
    check_refused(
        r#"[{"n":"a","v":"1"}]"#,
        "SenML: \"v\" is \"1\", not a number",
    );
    check_refused(
        r#"[{"n":"a","v":1,"t":1e300}]"#,
        "SenML: time 1e300 is no time",
    );
    check_refused(
        r#"[{"n":"a","v":1},7]"#,
        "a SenML record is a number, not an object",
    );
    check_refused(
        r#"[{"n":"a","u":"m","v":1}]"#,
        "nothing was measured: no known quantity and no error",
    );
}
