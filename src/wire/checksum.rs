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
