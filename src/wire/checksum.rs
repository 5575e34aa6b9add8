//! Checksums of lines and frames. Pure arithmetic; which bytes are checked is the caller's.

/// CRC-16 of Modbus: polynomial 0x8005 reflected, start 0xFFFF (MODBUS over Serial Line V1.02, 6.2.2).
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

/// CRC-8 of the 1-Wire bus: polynomial 0x31 reflected, start 0 (Maxim Application Note 27).
pub fn crc8(bytes: &[u8]) -> u8 {
    bytes
        .iter()
        .fold(0, |crc, byte| (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0x8C } else { crc >> 1 }))
}

/// CRC-8 of the SHT3x sensors: polynomial 0x31, start 0xFF (data sheet, section on checksums).
pub fn crc8_sht(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0xFF, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 != 0 { crc << 1 ^ 0x31 } else { crc << 1 })
    })
}

/// The sum of all bytes, its lowest eight bits.
pub fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// All bytes by exclusive or.
pub fn xor(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// How a line is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// [`sum`].
    Sum,
    /// [`xor`].
    Xor,
    /// [`crc8`].
    Crc8,
    /// [`crc8_sht`].
    Crc8Sht,
    /// [`crc16`].
    Crc16,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Kind; 5] = [Kind::Sum, Kind::Xor, Kind::Crc8, Kind::Crc8Sht, Kind::Crc16];

    /// The word used in config.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Sum => "sum",
            Kind::Xor => "xor",
            Kind::Crc8 => "crc8",
            Kind::Crc8Sht => "crc8-sht",
            Kind::Crc16 => "crc16",
        }
    }

    /// The checksum of `bytes`.
    pub fn of(self, bytes: &[u8]) -> u16 {
        match self {
            Kind::Sum => sum(bytes).into(),
            Kind::Xor => xor(bytes).into(),
            Kind::Crc8 => crc8(bytes).into(),
            Kind::Crc8Sht => crc8_sht(bytes).into(),
            Kind::Crc16 => crc16(bytes),
        }
    }

    /// How many hexadecimal digits it has.
    fn digits(self) -> usize {
        if self == Kind::Crc16 { 4 } else { 2 }
    }
}

/// Where a message carries its checksum: in hexadecimal digits after its last `at`; what stands before
/// that (and after `from`, where the message begins with it) is what is checked, and what is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checksum {
    /// How.
    pub kind: Kind,
    /// The mark before the digits, such as `*`.
    pub at: String,
    /// What every message begins with and is not checked, such as `$`; may be empty.
    pub from: String,
}

impl Checksum {
    /// The checked part of `message`, which has no line end; `None` where it does not fit its checksum.
    pub fn checked<'m>(&self, message: &'m [u8]) -> Option<&'m [u8]> {
        let message = message.strip_prefix(self.from.as_bytes())?;
        let mark = self.at.as_bytes();
        let at = message.windows(mark.len().max(1)).rposition(|window| window == mark)?;
        let (body, digits) = (&message[..at], message[at + mark.len()..].trim_ascii());
        let digits = std::str::from_utf8(digits).ok()?;
        let digits = digits.strip_prefix("0x").or_else(|| digits.strip_prefix("0X")).unwrap_or(digits);
        let plain = digits.len() == self.kind.digits() && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
        (plain && u16::from_str_radix(digits, 16) == Ok(self.kind.of(body))).then_some(body)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_read_only_where_it_fits() {
        let check = |kind, from: &str| Checksum { kind, at: "*".to_owned(), from: from.to_owned() };
        // The check value of each CRC for these nine digits is published in CRC catalogues.
        assert_eq!(check(Kind::Crc16, "").checked(b"123456789*4B37"), Some(&b"123456789"[..]));
        assert_eq!(check(Kind::Crc8, "").checked(b"123456789*a1"), Some(&b"123456789"[..]));
        assert_eq!(check(Kind::Sum, "").checked(b"ab*C3"), Some(&b"ab"[..]));
        assert_eq!(check(Kind::Xor, "$").checked(b"$ab*03"), Some(&b"ab"[..]));
        assert_eq!(check(Kind::Xor, "").checked(b"a*b*0x29 "), Some(&b"a*b"[..]));
        for spoilt in [&b"ab*03"[..], b"$ab", b"$ab*", b"$ab*3", b"$ab*003", b"$ab*+3", b"$ac*03", b"$ab*04", b"", b"$"]
        {
            assert_eq!(check(Kind::Xor, "$").checked(spoilt), None, "{}", String::from_utf8_lossy(spoilt));
        }
    }
}
