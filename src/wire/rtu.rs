//! Modbus RTU frames: the question, and what the bytes that come are. Pure.
//!
//! In: a unit and a span of registers; bytes received so far. Out: a frame to send; an [`Answer`]. Left
//! out: time, which alone tells a late answer from a good one.
//! Source: MODBUS Application Protocol V1.1b3, 6 and 7; MODBUS over Serial Line V1.02, 2.5.

use rmodbus::client::ModbusRequest;
use rmodbus::{ErrorKind, ModbusProto, guess_response_frame_len};

pub use super::checksum::crc16;
use super::registers::{Span, Table};

/// The longest RTU frame, bytes: MODBUS over Serial Line V1.02, 2.5.1.
pub const FRAME_BYTES_MAX: usize = 256;

/// What the bytes received so far begin with.
#[derive(Debug, PartialEq, Eq)]
pub enum Answer {
    /// A part of a frame.
    Part,
    /// The registers asked for.
    Registers(Vec<u16>),
    /// An exception of the unit that was asked; its code.
    Exception(u8),
    /// A whole frame that answers something else; its length.
    Strange(usize),
    /// No frame, or one that does not fit its checksum.
    Garbled,
}

/// The name of an exception: MODBUS Application Protocol V1.1b3, 7.
pub fn exception(code: u8) -> &'static str {
    match code {
        0x01 => "illegal function",
        0x02 => "illegal data address",
        0x03 => "illegal data value",
        0x04 => "server device failure",
        0x05 => "acknowledge",
        0x06 => "server device busy",
        0x08 => "memory parity error",
        0x0A => "gateway path unavailable",
        0x0B => "gateway target device failed to respond",
        _ => "an exception that the standard does not name",
    }
}

/// The frame that asks `unit` for `span`; empty where `span` is longer than a request may be.
pub fn question(unit: u8, span: Span) -> Vec<u8> {
    let mut request = ModbusRequest::new(unit, ModbusProto::Rtu);
    let mut frame: Vec<u8> = Vec::with_capacity(8);
    let made = match span.table {
        Table::Holding => request.generate_get_holdings(span.address, span.count, &mut frame),
        Table::Input => request.generate_get_inputs(span.address, span.count, &mut frame),
    };
    if made.is_err() {
        frame.clear();
    }
    frame
}

/// Takes away what adapters put before an answer: a zero or 255 from the turn of the line's direction
/// (no unit is called so), and the question itself where the receiver stays on while it is sent.
pub fn without_noise(received: &mut Vec<u8>, question: &[u8]) {
    let noise = received.iter().take_while(|byte| matches!(byte, 0x00 | 0xFF)).count();
    received.drain(..noise);
    if !question.is_empty() && received.starts_with(question) {
        received.drain(..question.len());
    }
}

/// What `received` begins with, after `question` asked for `span`.
pub fn answer(received: &[u8], question: &[u8], span: Span) -> Answer {
    let [unit, function, ..] = question else { return Answer::Garbled };
    // An echo may come in pieces; it looks like a frame of the unit until its length is seen.
    if received.len() < question.len() && question.starts_with(received) {
        return Answer::Part;
    }
    let length = match guess_response_frame_len(received, ModbusProto::Rtu) {
        Ok(length) => usize::from(length),
        Err(ErrorKind::OOB) => return Answer::Part,
        Err(_) => return Answer::Garbled,
    };
    let Some(frame) = received.get(..length) else { return Answer::Part };
    let Some((body, sum)) = frame.split_last_chunk::<2>() else { return Answer::Garbled };
    let [from, said, first, data @ ..] = body else { return Answer::Garbled };
    if crc16(body).to_le_bytes() != *sum {
        return Answer::Garbled;
    }
    if from != unit || said & 0x7F != *function {
        return Answer::Strange(length);
    }
    if said & 0x80 != 0 {
        return Answer::Exception(*first);
    }
    if usize::from(*first) != 2 * usize::from(span.count) || data.len() != usize::from(*first) {
        return Answer::Strange(length);
    }
    Answer::Registers(data.chunks_exact(2).map(|word| u16::from_be_bytes([word[0], word[1]])).collect())
}
