//! MQTT 3.1.1 as a server hears it: bytes to packets, with the checks that the standard asks of a
//! server and that the codec (made for a client) leaves out.
//!
//! In: bytes received so far. Out: one packet, or that more is needed, or why the client must go.
//! Source of every rule: OASIS MQTT 3.1.1; its numbers stand beside the rules.

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{ConnAck, ConnectReturnCode, Packet};
use rumqttc::mqttbytes::{Error, PacketType};

/// The longest fixed header: one byte and four of length (2.2.3).
const HEADER_BYTES_MAX: usize = 5;

/// What stands at the start of the bytes.
#[derive(Debug)]
pub enum Next {
    /// Not yet a whole packet.
    Part,
    /// A packet.
    Packet(Packet),
    /// A CONNECT of another version of the protocol, which gets an answer (3.1.2-2).
    OtherVersion,
}

/// Takes the next packet out of `bytes`; none is longer than `most`.
///
/// # Errors
/// Why the connection must be closed, in words.
pub fn next(bytes: &mut BytesMut, most: usize) -> Result<Next, String> {
    let Some(&first) = bytes.first() else { return Ok(Next::Part) };
    check_flags(first)?;
    let Some((header, length)) = lengths(bytes)? else { return Ok(Next::Part) };
    if header + length > most {
        return Err(format!("a packet of {} bytes, more than {most}", header + length));
    }
    if bytes.len() < header + length {
        return Ok(Next::Part);
    }
    let mut packet = bytes.split_to(header + length);
    if first >> 4 == PacketType::Connect as u8 && check_connect(&packet[header..])? == Version::Other {
        return Ok(Next::OtherVersion);
    }
    let dup_without_qos = first >> 4 == PacketType::Publish as u8 && first & 0b1110 == 0b1000;
    if dup_without_qos {
        return Err("a repeat with QoS 0 (3.3.1-2)".to_owned());
    }
    if matches!(first >> 4, 4..=7 | 11) && length != 2 || first >> 4 >= 12 && length != 0 {
        return Err("a packet of a length that it cannot have".to_owned());
    }
    match Packet::read(&mut packet, most) {
        Ok(packet) => check_content(packet).map(Next::Packet),
        Err(Error::InsufficientBytes(_)) => Err("a packet shorter than its content".to_owned()),
        Err(error) => Err(error.to_string().to_lowercase()),
    }
}

/// The bytes of a CONNACK.
pub fn connack(code: ConnectReturnCode) -> Vec<u8> {
    // No session outlives its connection here, so none is ever present (3.2.2-2, 3.2.2-3).
    bytes_of(&Packet::ConnAck(ConnAck::new(code, false)))
}

/// The bytes of a packet of ours.
pub fn bytes_of(packet: &Packet) -> Vec<u8> {
    let mut bytes = BytesMut::new();
    // Answers are far below any limit.
    let _ = packet.write(&mut bytes, usize::MAX);
    bytes.to_vec()
}

/// The low four bits of the first byte are fixed but for PUBLISH (2.2.2-1, 2.2.2-2), and a client
/// sends no packet that is the server's alone (2.2.1).
fn check_flags(first: u8) -> Result<(), String> {
    let flags = first & 0x0F;
    let wanted = match first >> 4 {
        3 if flags >> 1 & 3 == 3 => return Err("a message with QoS 3 (3.3.1-4)".to_owned()),
        3 => flags,
        6 | 8 | 10 => 0b0010,
        1 | 4 | 5 | 7 | 12 | 14 => 0,
        0 | 15 => return Err("a packet of a type that is reserved".to_owned()),
        _ => return Err("a packet that only a server sends".to_owned()),
    };
    if flags == wanted { Ok(()) } else { Err("a packet with flags that are reserved (2.2.2-2)".to_owned()) }
}

/// How long the fixed header is and what follows it; `None` where that is not known yet.
fn lengths(bytes: &[u8]) -> Result<Option<(usize, usize)>, String> {
    let mut length = 0;
    for (at, byte) in bytes.iter().enumerate().skip(1).take(HEADER_BYTES_MAX - 1) {
        length |= usize::from(byte & 0x7F) << (7 * (at - 1));
        if byte & 0x80 == 0 {
            return Ok(Some((at + 1, length)));
        }
    }
    if bytes.len() >= HEADER_BYTES_MAX { Err("a length of more than four bytes (2.2.3)".to_owned()) } else { Ok(None) }
}

#[derive(PartialEq, Eq)]
enum Version {
    Ours,
    Other,
}

/// The rules of CONNECT's variable header (3.1.2).
fn check_connect(body: &[u8]) -> Result<Version, String> {
    let short = || "a CONNECT shorter than its content".to_owned();
    let name_bytes =
        usize::from(u16::from_be_bytes([*body.first().ok_or_else(short)?, *body.get(1).ok_or_else(short)?]));
    let name = body.get(2..2 + name_bytes).ok_or_else(short)?;
    // The name that version 3.1 went by.
    if name == b"MQIsdp" {
        return Ok(Version::Other);
    }
    if name != b"MQTT" {
        return Err("a CONNECT of another protocol (3.1.2-1)".to_owned());
    }
    if *body.get(2 + name_bytes).ok_or_else(short)? != 4 {
        return Ok(Version::Other);
    }
    let flags = *body.get(3 + name_bytes).ok_or_else(short)?;
    if flags & 1 != 0 {
        return Err("a CONNECT with its reserved flag set (3.1.2-3)".to_owned());
    }
    if flags & 0b100 == 0 && flags & 0b11_1000 != 0 || flags >> 3 & 3 == 3 {
        return Err("a CONNECT with flags of a will that do not go together (3.1.2-11 to 3.1.2-15)".to_owned());
    }
    if flags & 0xC0 == 0x40 {
        return Err("a CONNECT with a password but no user (3.1.2-22)".to_owned());
    }
    Ok(Version::Ours)
}

/// What a server must not take though it is well formed.
fn check_content(packet: Packet) -> Result<Packet, String> {
    let nul = |text: &str| text.contains('\0');
    match &packet {
        Packet::Publish(publish) if publish.topic.is_empty() || nul(&publish.topic) => {
            Err("a topic that is empty or holds a zero (1.5.3-2, 4.7.3-1)".to_owned())
        }
        Packet::Publish(publish) if publish.topic.contains(['+', '#']) => {
            Err("a topic with a wildcard (3.3.2-2)".to_owned())
        }
        Packet::Connect(connect) if nul(&connect.client_id) => {
            Err("a client identifier that holds a zero (1.5.3-2)".to_owned())
        }
        Packet::Subscribe(subscribe) if subscribe.filters.is_empty() => {
            Err("a SUBSCRIBE without a filter (3.8.3-3)".to_owned())
        }
        Packet::Unsubscribe(unsubscribe) if unsubscribe.topics.is_empty() => {
            Err("an UNSUBSCRIBE without a filter (3.10.3-2)".to_owned())
        }
        Packet::PubRel(release) if release.pkid == 0 => Err("a packet identifier of zero (2.3.1-1)".to_owned()),
        _ => Ok(packet),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> Result<Next, String> {
        next(&mut BytesMut::from(bytes), 1024)
    }

    /// A CONNECT by its flags, with the payload given.
    fn connect(flags: u8, payload: &[u8]) -> Vec<u8> {
        let mut bytes = vec![0x10, (10 + payload.len()) as u8, 0, 4, b'M', b'Q', b'T', b'T', 4, flags, 0, 10];
        bytes.extend_from_slice(payload);
        bytes
    }

    /// OASIS MQTT 3.1.1, figure 3.6 (CONNECT: user, password, will QoS 1, clean session, keep alive 10) and
    /// figure 3.11 (PUBLISH: topic a/b, packet identifier 10; QoS 1 as in table 3.1's text).
    #[test]
    fn the_examples_of_the_standard() {
        let payload = [&[0, 1, b'c'][..], &[0, 1, b'w'], &[0, 1, b'm'], &[0, 1, b'u'], &[0, 1, b'p']].concat();
        let Next::Packet(Packet::Connect(read_back)) = read(&connect(0b1100_1110, &payload)).unwrap() else { panic!() };
        assert_eq!((read_back.keep_alive, read_back.clean_session), (10, true));
        assert_eq!(read_back.login.unwrap().username, "u");
        let publish = [0x32, 0x0A, 0x00, 0x03, b'a', b'/', b'b', 0x00, 0x0A, b'2', b'3', b'!'];
        let Next::Packet(Packet::Publish(publish)) = read(&publish).unwrap() else { panic!() };
        assert_eq!((publish.topic.as_str(), publish.pkid, &publish.payload[..]), ("a/b", 10, &b"23!"[..]));
        // 3.1.4, table 3.1; figures 3.8 and 3.9 for the CONNACK.
        assert_eq!(connack(ConnectReturnCode::Success), [0x20, 2, 0, 0]);
        assert_eq!(connack(ConnectReturnCode::RefusedProtocolVersion), [0x20, 2, 0, 1]);
        assert_eq!(connack(ConnectReturnCode::BadUserNamePassword), [0x20, 2, 0, 4]);
        assert!(matches!(read(&[0xC0, 0]).unwrap(), Next::Packet(Packet::PingReq)));
        assert!(matches!(read(&[0xE0, 0]).unwrap(), Next::Packet(Packet::Disconnect)));
    }

    /// 2.2.3, table 2.4: the limits of each length of the length.
    #[test]
    fn remaining_lengths() {
        for (bytes, length) in [
            (&[0x00][..], 0),
            (&[0x7F], 127),
            (&[0x80, 0x01], 128),
            (&[0xFF, 0x7F], 16_383),
            (&[0x80, 0x80, 0x01], 16_384),
            (&[0xFF, 0xFF, 0x7F], 2_097_151),
            (&[0x80, 0x80, 0x80, 0x01], 2_097_152),
            (&[0xFF, 0xFF, 0xFF, 0x7F], 268_435_455),
        ] {
            let packet = [&[0x30][..], bytes].concat();
            assert_eq!(lengths(&packet).unwrap(), Some((packet.len(), length)));
            assert_eq!(lengths(&packet[..packet.len() - 1]).unwrap(), None);
        }
        assert!(lengths(&[0x30, 0x80, 0x80, 0x80, 0x80]).is_err());
        assert!(read(&[0x30, 0xFF, 0xFF, 0xFF, 0x7F]).unwrap_err().contains("more than 1024"));
    }

    #[test]
    fn what_the_standard_forbids_is_refused() {
        let v5 = [0x10, 13, 0, 4, b'M', b'Q', b'T', b'T', 5, 2, 0, 60, 0, 0, 0];
        assert!(matches!(read(&v5).unwrap(), Next::OtherVersion));
        let v3 = [0x10, 15, 0, 6, b'M', b'Q', b'I', b's', b'd', b'p', 3, 2, 0, 60, 0, 1, b'c'];
        assert!(matches!(read(&v3).unwrap(), Next::OtherVersion));
        for (bytes, rule) in [
            (connect(0b0000_0011, &[0, 1, b'c']), "3.1.2-3"),
            (connect(0b0001_1110, &[0, 1, b'c']), "3.1.2-11"),
            (connect(0b0010_0010, &[0, 1, b'c']), "3.1.2-11"),
            (connect(0b0100_0010, &[0, 1, b'c', 0, 0]), "3.1.2-22"),
            (vec![0x10, 6, 0, 4, b'H', b'T', b'T', b'P'], "3.1.2-1"),
            (vec![0x36, 5, 0, 1, b'a', 0, 1], "3.3.1-4"),
            (vec![0x38, 3, 0, 1, b'a'], "3.3.1-2"),
            (vec![0x30, 3, 0, 1, b'#'], "3.3.2-2"),
            (vec![0x30, 2, 0, 0], "4.7.3-1"),
            (vec![0x30, 3, 0, 1, 0], "1.5.3-2"),
            (vec![0x80, 6, 0, 1, 0, 1, b'a', 0], "2.2.2-2"),
            (vec![0x82, 2, 0, 1], "filter"),
            (vec![0x60, 2, 0, 1], "2.2.2-2"),
            (vec![0xC1, 0], "2.2.2-2"),
            (vec![0x20, 2, 0, 0], "only a server"),
            (vec![0xD0, 0], "only a server"),
            (vec![0x00, 0], "reserved"),
            (vec![0xF0, 0], "reserved"),
            (vec![0xC0, 1, 0], "length"),
            (vec![0x62, 3, 0, 1, 0], "length"),
            (vec![0x32, 5, 0, 1, b'a', 0, 0], "packet id zero"),
            (vec![0x30, 4, 0, 2, 0xC3, 0x28], "utf-8"),
        ] {
            let why = read(&bytes).map(|next| format!("{next:?}")).unwrap_err();
            assert!(why.contains(rule), "{bytes:02X?}: {why}");
        }
    }

    #[test]
    fn however_the_bytes_are_cut_the_packets_are_the_same() {
        let all = [&connect(2, &[0, 1, b'c'])[..], &[0x30, 4, 0, 1, b'a', b'7'], &[0xC0, 0]].concat();
        let mut held = BytesMut::new();
        let mut packets = 0;
        for byte in all {
            held.extend_from_slice(&[byte]);
            packets += usize::from(!matches!(next(&mut held, 64).unwrap(), Next::Part));
        }
        assert_eq!((packets, held.len()), (3, 0));
    }
}
