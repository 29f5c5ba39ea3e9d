//! Bytes to packets, with the checks of MQTT 3.1.1 that the codec leaves out.
//!
//! Not the conversation: every rule here looks at one packet only.

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::Packet;
use rumqttc::mqttbytes::{self, Error as CodecError, QoS};

/// The largest packet a board may send, wire contract 1.
pub(crate) const LARGEST_PACKET: usize = 64 * 1024;

/// The largest packet before the login: a CONNECT with a modest will.
pub(crate) const LARGEST_GREETING: usize = 4 * 1024;

/// Why a packet ends the conversation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum BadPacket {
    /// It breaks a rule of the protocol.
    Malformed(&'static str),
    /// It is larger than a packet may be.
    TooLarge,
    /// QoS 2, which the inlet does not offer.
    QosTwo,
    /// Another level of the protocol than 4.
    Level,
}

/// The next whole packet in `inbox`; `None` when more bytes are needed.
pub(crate) fn next_packet(
    inbox: &mut BytesMut,
    largest: usize,
) -> Result<Option<Packet>, BadPacket> {
    let Some(first) = inbox.first().copied() else { return Ok(None) };
    check_first_byte(first)?;
    match mqttbytes::check(inbox.iter(), largest) {
        Ok(_) => {}
        Err(CodecError::InsufficientBytes(_)) => return Ok(None),
        Err(CodecError::PayloadSizeLimitExceeded(_)) => {
            return Err(BadPacket::TooLarge);
        }
        Err(_) => return Err(BadPacket::Malformed("remaining length")),
    }
    if first >> 4 == CONNECT {
        check_connect(inbox)?;
    }
    if matches!(first >> 4, PINGREQ | DISCONNECT) && inbox[1] != 0 {
        return Err(BadPacket::Malformed("a packet without content has some"));
    }
    let packet = Packet::read(inbox, largest)
        .map_err(|_| BadPacket::Malformed("content of the packet"))?;
    check_packet(&packet)?;
    Ok(Some(packet))
}

const CONNECT: u8 = 1;
const PUBLISH: u8 = 3;
const SUBSCRIBE: u8 = 8;
const UNSUBSCRIBE: u8 = 10;
const PINGREQ: u8 = 12;
const DISCONNECT: u8 = 14;

fn check_first_byte(byte: u8) -> Result<(), BadPacket> {
    let flags = byte & 0x0f;
    match byte >> 4 {
        PUBLISH => match flags >> 1 & 0b11 {
            0 if flags & 0b1000 != 0 => {
                Err(BadPacket::Malformed("DUP with QoS 0"))
            }
            0 | 1 => Ok(()),
            2 => Err(BadPacket::QosTwo),
            _ => Err(BadPacket::Malformed("QoS 3")),
        },
        SUBSCRIBE | UNSUBSCRIBE if flags == 0b0010 => Ok(()),
        CONNECT | PINGREQ | DISCONNECT if flags == 0 => Ok(()),
        CONNECT | PINGREQ | DISCONNECT | SUBSCRIBE | UNSUBSCRIBE => {
            Err(BadPacket::Malformed("reserved flags"))
        }
        _ => Err(BadPacket::Malformed("a packet no client sends")),
    }
}

/// Looks at protocol name, level and flags in a whole CONNECT packet.
fn check_connect(packet: &[u8]) -> Result<(), BadPacket> {
    const SHORT: BadPacket = BadPacket::Malformed("CONNECT is too short");
    let length_bytes =
        packet[1..].iter().position(|byte| byte & 0x80 == 0).ok_or(SHORT)?;
    let body = packet.get(length_bytes + 2..).ok_or(SHORT)?;
    let Some(([0, 4, b'M', b'Q', b'T', b'T'], rest)) =
        body.split_first_chunk::<6>()
    else {
        return Err(BadPacket::Malformed("protocol name"));
    };
    let [level, flags, ..] = *rest else { return Err(SHORT) };
    if level != 4 {
        return Err(BadPacket::Level);
    }
    if flags & 1 != 0 {
        return Err(BadPacket::Malformed("reserved flag of CONNECT"));
    }
    if flags & 0b1100_0000 == 0b0100_0000 {
        return Err(BadPacket::Malformed("a password without a user name"));
    }
    Ok(())
}

fn check_packet(packet: &Packet) -> Result<(), BadPacket> {
    match packet {
        Packet::Publish(publish) => {
            let topic = publish.topic.as_str();
            let sound = !topic.is_empty()
                && !topic.contains(['+', '#', '\0'])
                && publish.qos != QoS::ExactlyOnce;
            sound.then_some(()).ok_or(BadPacket::Malformed("topic name"))
        }
        Packet::Subscribe(subscribe) if subscribe.pkid == 0 => {
            Err(BadPacket::Malformed("packet identifier 0"))
        }
        Packet::Unsubscribe(unsubscribe)
            if unsubscribe.pkid == 0 || unsubscribe.topics.is_empty() =>
        {
            Err(BadPacket::Malformed("UNSUBSCRIBE without identifier or topic"))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    //! The numbered statements are those of OASIS MQTT 3.1.1, quoted from
    //! memory.

    use super::*;
    use proptest::prelude::*;

    fn read(bytes: &[u8]) -> Result<Option<Packet>, BadPacket> {
        next_packet(&mut BytesMut::from(bytes), LARGEST_PACKET)
    }

    #[track_caller]
    fn malformed(bytes: &[u8]) {
        let read = read(bytes);
        assert!(matches!(read, Err(BadPacket::Malformed(_))), "{read:?}");
    }

    fn connect(level: u8, flags: u8, payload: &[u8]) -> Vec<u8> {
        let mut packet = vec![0x10, 0, 0, 4, b'M', b'Q', b'T', b'T'];
        packet.extend([level, flags, 0, 60]);
        packet.extend(payload);
        packet[1] = u8::try_from(packet.len() - 2).unwrap();
        packet
    }

    #[test]
    fn a_packet_in_pieces_waits_for_the_rest() {
        let whole = connect(4, 2, b"\0\x03cat");
        for end in 0..whole.len() {
            assert_eq!(read(&whole[..end]), Ok(None), "{end} bytes");
        }
        assert!(matches!(read(&whole), Ok(Some(Packet::Connect(_)))));
    }

    /// MQTT-3.1.2-2: another protocol level is answered with 0x01.
    #[test]
    fn levels_other_than_four_are_told_apart() {
        assert_eq!(read(&connect(3, 2, b"\0\x01a")), Err(BadPacket::Level));
        let five = connect(5, 2, b"\0\0\x01a");
        assert_eq!(read(&five), Err(BadPacket::Level));
    }

    /// MQTT-3.1.2-1, MQTT-3.1.2-3 and MQTT-3.1.2-22.
    #[test]
    fn a_connect_that_breaks_a_rule_is_malformed() {
        let mut other_name = connect(4, 2, b"\0\x01a");
        other_name[5] = b'q';
        malformed(&other_name);
        malformed(&connect(4, 0b11, b"\0\x01a"));
        malformed(&connect(4, 0b0100_0010, b"\0\x01a\0\x01p"));
    }

    /// MQTT-2.2.2-2: wrong reserved flags close the connection.
    #[test]
    fn reserved_flags_are_checked() {
        malformed(&[0xc1, 0]);
        malformed(&[0x80, 6, 0, 1, 0, 1, b'a', 0]);
        malformed(&[0xa0, 5, 0, 1, 0, 1, b'a']);
    }

    /// MQTT-3.3.1-2, MQTT-3.3.1-4, MQTT-3.3.2-2, MQTT-1.5.3-2 and
    /// MQTT-2.3.1-1.
    #[test]
    fn a_publish_that_breaks_a_rule_is_malformed() {
        malformed(&[0x38, 3, 0, 1, b'a']);
        malformed(&[0x36, 5, 0, 1, b'a', 0, 1]);
        malformed(&[0x30, 3, 0, 1, b'#']);
        malformed(&[0x30, 3, 0, 1, 0]);
        malformed(&[0x30, 2, 0, 0]);
        malformed(&[0x32, 5, 0, 1, b'a', 0, 0]);
    }

    #[test]
    fn quality_of_service_two_has_its_own_answer() {
        assert_eq!(read(&[0x34, 5, 0, 1, b'a', 0, 1]), Err(BadPacket::QosTwo));
    }

    /// MQTT-2.3.1-1 and MQTT-3.10.3-2.
    #[test]
    fn requests_without_identifier_or_filter_are_malformed() {
        malformed(&[0x82, 6, 0, 0, 0, 1, b'a', 0]);
        malformed(&[0x82, 2, 0, 1]);
        malformed(&[0xa2, 2, 0, 1]);
        malformed(&[0xa2, 5, 0, 0, 0, 1, b'a']);
    }

    #[test]
    fn packets_of_servers_are_not_taken() {
        for kind in [2_u8, 4, 5, 6, 7, 9, 11, 13, 0, 15] {
            malformed(&[kind << 4, 2, 0, 1]);
        }
    }

    #[test]
    fn a_length_that_never_ends_is_malformed() {
        malformed(&[0x30, 0xff, 0xff, 0xff, 0xff, 0x7f]);
    }

    #[test]
    fn the_size_is_judged_before_the_packet_is_there() {
        // 70 KiB = 71,680 bytes = 0x80 0xb0 0x04 as a remaining length.
        assert_eq!(read(&[0x32, 0x80, 0xb0, 0x04]), Err(BadPacket::TooLarge));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2_000))]
        #[test]
        fn any_bytes_are_read_without_panic(
            first in prop::sample::select(
                vec![0x10_u8, 0x30, 0x32, 0x3a, 0x82, 0xa2, 0xc0, 0xe0, 0x20],
            ),
            length in 0_u8..40,
            rest in prop::collection::vec(any::<u8>(), 0..48),
        ) {
            let mut inbox = BytesMut::from(&[first, length][..]);
            inbox.extend_from_slice(&rest);
            let before = inbox.len();
            if let Ok(Some(_)) = next_packet(&mut inbox, LARGEST_PACKET) {
                prop_assert!(inbox.len() < before);
            }
        }
    }
}
