//! Lines with right, wrong and missing checksums, in every kind of piece.

use proptest::prelude::*;

use super::*;
use crate::observation::Boot;

const NOW: Instant = Instant::from_millis(1_773_489_600_000);
const OBJECT: &str = r#"{"board":"fridge-drawer","boot":"k3v9q0tz1x","seq":412,"up_ms":18250000,"temperature_celsius":3.6}"#;

/// Status: see `tests/reference/messages/README.md`.
const CHECK_VALUES: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/reference/messages/crc.json"
));

#[test]
fn checksum_matches_its_published_check_values() {
    let values: Value = serde_json::from_str(CHECK_VALUES).unwrap();
    let check = |bytes: &[u8], member: &str| {
        let printed = values[member].as_str().unwrap();
        assert_eq!(format!("0x{:04X}", CRC.checksum(bytes)), printed);
    };
    check(b"123456789", "check_123456789");
    check(b"", "empty");
    check(&[0x00, 0x00], "bytes_00_00");
    check(&[0xBE, 0xEF], "bytes_BE_EF");
    assert_eq!(sealed("123456789"), "123456789*29B1\n");
}

#[test]
fn a_sealed_line_is_taken_with_or_without_cr_and_leading_lf() {
    let sent = sealed(OBJECT);
    let plain = line(sent.as_bytes(), Checksum::Required, NOW).unwrap();
    assert_eq!(plain.board.as_str(), "fridge-drawer");
    assert_eq!(plain.samples[0].count.as_ref().unwrap().seq, 412);
    let padded = format!("\n\n{}\r\n", sent.trim_end());
    let again = line(padded.as_bytes(), Checksum::Required, NOW).unwrap();
    assert_eq!(again, plain);
}

#[track_caller]
fn check_refused(text: &str, checksum: Checksum, reason: &str) {
    let refusal = line(text.as_bytes(), checksum, NOW).unwrap_err();
    assert_eq!(refusal.to_string(), reason);
}

#[test]
fn refusals_say_what_was_wrong() {
    let no_checksum = "no checksum: the line does not end in * and 4 \
                       upper-case hex digits";
    check_refused(OBJECT, Checksum::Required, no_checksum);
    check_refused("123456789*29b1", Checksum::Required, no_checksum);
    check_refused(
        "123456789*29B2",
        Checksum::Required,
        "checksum *29B2 does not fit the line, which gives *29B1",
    );
    check_refused(
        &sealed(r#"{"light_lux":1}"#),
        Checksum::Required,
        "the line does not name its board",
    );
    check_refused(
        &sealed(r#"{"board":"Shed","light_lux":1}"#),
        Checksum::Required,
        "board \"Shed\" is not a name: use 1 to 40 of a–z, 0–9 and -, \
         beginning with a letter or digit",
    );
    check_refused(
        &sealed(r#"{"board":7,"light_lux":1}"#),
        Checksum::Required,
        "board is 7, not a text",
    );
    check_refused(
        &sealed(r#"{"board":"host","light_lux":1}"#),
        Checksum::Required,
        "\"host\" is kept for the host and is no board's name",
    );
    check_refused(
        &sealed(r#"[{"board":"shed","light_lux":1}]"#),
        Checksum::Required,
        "a serial line carries one object, not an array",
    );
    check_refused(
        &sealed("7"),
        Checksum::Required,
        "the line is a number, not an object",
    );
}

#[test]
fn an_optional_checksum_must_still_be_right() {
    assert!(line(OBJECT.as_bytes(), Checksum::Optional, NOW).is_ok());
    let sent = sealed(OBJECT);
    assert!(line(sent.as_bytes(), Checksum::Optional, NOW).is_ok());
    let bad = sent.replacen("3.6", "8.6", 1);
    let refusal = line(bad.as_bytes(), Checksum::Optional, NOW).unwrap_err();
    assert!(matches!(refusal, Refusal::WrongChecksum { .. }));
}

#[test]
fn a_senml_pack_is_one_line_too() {
    let sent =
        sealed(r#"[{"bn":"urn:dev:ow:10e2073a:","n":"temp","u":"Cel","v":4}]"#);
    let message = line(sent.as_bytes(), Checksum::Required, NOW).unwrap();
    assert_eq!(message.board.as_str(), "10e2073a");
}

#[test]
fn the_answer_names_boot_and_number_under_a_checksum() {
    let count =
        Count { boot: Boot::new("k3v9q0tz1x").unwrap(), seq: 412, up_ms: 1 };
    let answer = answer(&count);
    assert_eq!(answer, sealed("+k3v9q0tz1x:412"));
    assert!(answer.starts_with("+k3v9q0tz1x:412*"));
    assert_eq!(answer.len(), "+k3v9q0tz1x:412*0000\n".len());
}

fn lines(assembler: &mut LineAssembler, bytes: &[u8]) -> Vec<String> {
    let shown = |line: Result<Vec<u8>, Refusal>| match line {
        Ok(line) => String::from_utf8_lossy(&line).into_owned(),
        Err(refusal) => format!("refused: {refusal}"),
    };
    assembler.push(bytes).into_iter().map(shown).collect()
}

#[test]
fn a_line_in_pieces_is_whole_again() {
    let mut assembler = LineAssembler::default();
    assert!(lines(&mut assembler, b"\n\r\n{\"a").is_empty());
    assert!(lines(&mut assembler, b"\":1}*AB").is_empty());
    assert_eq!(lines(&mut assembler, b"CD\r\nnext"), ["{\"a\":1}*ABCD"]);
    assert_eq!(lines(&mut assembler, b"\n"), ["next"]);
}

#[test]
fn a_line_without_end_is_dropped_and_the_next_one_is_read() {
    let mut assembler = LineAssembler::default();
    let fits = "x".repeat(LONGEST_LINE);
    assert_eq!(
        lines(&mut assembler, format!("{fits}\r\n").as_bytes()),
        [fits.as_str()]
    );
    let long = "x".repeat(5_000);
    assert_eq!(
        lines(&mut assembler, format!("{long}\nnext\n").as_bytes()),
        ["refused: line is over the limit of 517 bytes", "next"]
    );
}

proptest! {
    #[test]
    fn pieces_do_not_matter_and_garbage_does_not_panic(
        bytes in proptest::collection::vec(
            prop_oneof![3 => any::<u8>(), 1 => Just(b'\n'), 1 => Just(b'*')],
            0..2_000,
        ),
        cuts in proptest::collection::vec(1_usize..700, 1..40),
    ) {
        let whole = LineAssembler::default().push(&bytes);
        let mut assembler = LineAssembler::default();
        let (mut pieces, mut rest) = (Vec::new(), &bytes[..]);
        for cut in cuts {
            let (piece, after) = rest.split_at(cut.min(rest.len()));
            pieces.extend(assembler.push(piece));
            rest = after;
        }
        pieces.extend(assembler.push(rest));
        prop_assert_eq!(&pieces, &whole);
        for bytes in whole.into_iter().flatten() {
            prop_assert!(bytes.len() <= LONGEST_LINE + 1);
            if let Err(refusal) = line(&bytes, Checksum::Optional, NOW) {
                prop_assert!(!refusal.to_string().is_empty());
            }
        }
    }

    /// Any change of one byte before the `*` is found (CRC-16 finds every
    /// burst of up to 16 bits: a property of the polynomial, from memory).
    #[test]
    fn one_changed_byte_is_always_found(
        at in 0..OBJECT.len(), change in 1_u8..,
    ) {
        let mut sent = sealed(OBJECT).trim_end().as_bytes().to_vec();
        sent[at] ^= change;
        prop_assume!(!matches!(sent[0], b'\n' | b'\r'));
        let outcome = line(&sent, Checksum::Required, NOW);
        let found = matches!(outcome, Err(Refusal::WrongChecksum { .. }));
        prop_assert!(found, "{:?}", outcome);
    }
}
