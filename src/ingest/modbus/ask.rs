//! One question on a Modbus RTU line, and its answer.
//!
//! In: an open device, a unit, a span of registers, how long the answer may take. Out: the registers,
//! or why not. Left out: whom to ask when.
//!
//! RTU answers carry neither a number nor the address asked for, so a late one looks like the answer
//! to the next question. Therefore: what waits in the input is thrown away before each question, what
//! comes must be of the unit, function and length asked for, and after a failure the line must be
//! quiet for one more answer's time before anything is asked again.
//! Source: MODBUS over Serial Line V1.02, 2.4 and 2.5; MODBUS Application Protocol V1.1b3, 6 and 7.

use std::io::ErrorKind as Io;
use std::time::{Duration, Instant};

use serialport::{ClearBuffer, SerialPort};

use crate::wire::registers::Span;
use crate::wire::rtu::{self, Answer, FRAME_BYTES_MAX};

/// Bytes thrown away while waiting for quiet before the line counts as never quiet: ten longest frames.
const NOISE_BYTES_MAX: usize = 10 * FRAME_BYTES_MAX;
/// Bits of a character with start, parity or second stop bit: MODBUS over Serial Line V1.02, 2.5.1.
const CHARACTER_BITS: u32 = 11;
/// Above this rate the silence between frames is fixed: MODBUS over Serial Line V1.02, 2.5.1.1.
const FIXED_ABOVE_BAUD: u32 = 19_200;
/// That fixed silence.
const FIXED_SILENCE: Duration = Duration::from_micros(1_750);

/// Why a question brought no registers.
#[derive(Debug)]
pub(super) enum Failed {
    /// Nothing came in time.
    Silent,
    /// The unit answered with an exception; its code.
    Exception(u8),
    /// What came does not fit its checksum, or is no frame.
    Garbled,
    /// Only frames of another unit, function or length came.
    Stranger,
    /// The device is gone.
    Gone(std::io::Error),
}

impl From<std::io::Error> for Failed {
    fn from(error: std::io::Error) -> Failed {
        Failed::Gone(error)
    }
}

/// The silence that ends a frame at `baud`: 3.5 characters, but 1.75 ms at high rates.
pub(super) fn silence(baud: u32) -> Duration {
    if baud > FIXED_ABOVE_BAUD {
        return FIXED_SILENCE;
    }
    Duration::from_secs_f64(3.5 * f64::from(CHARACTER_BITS) / f64::from(baud.max(1)))
}

/// How long `bytes` take on the line.
fn on_the_line(bytes: usize, baud: u32) -> Duration {
    Duration::from_secs_f64(bytes as f64 * f64::from(CHARACTER_BITS) / f64::from(baud.max(1)))
}

/// A line on which questions are asked.
pub(super) struct Line<'d> {
    device: &'d mut dyn SerialPort,
    baud: u32,
    /// When the last byte was sent or came.
    last: Instant,
    received: Vec<u8>,
}

impl Line<'_> {
    /// The line behind an open device.
    pub(super) fn new(device: &mut dyn SerialPort, baud: u32) -> Line<'_> {
        Line { device, baud, last: Instant::now(), received: Vec::with_capacity(FRAME_BYTES_MAX) }
    }

    /// Asks `unit` for `span`; its answer must begin within `patience`. After a failure the line has
    /// been quiet for as long again.
    pub(super) fn ask(&mut self, unit: u8, span: Span, patience: Duration) -> Result<Vec<u16>, Failed> {
        let question = rtu::question(unit, span);
        let answered = self.converse(&question, span, patience);
        match &answered {
            Ok(_) | Err(Failed::Gone(_)) => {}
            // The unit has answered in full.
            Err(Failed::Exception(_)) => {}
            Err(Failed::Silent | Failed::Garbled | Failed::Stranger) => self.wait_for_quiet(patience)?,
        }
        answered
    }

    fn converse(&mut self, question: &[u8], span: Span, patience: Duration) -> Result<Vec<u16>, Failed> {
        std::thread::sleep(silence(self.baud).saturating_sub(self.last.elapsed()));
        self.device.clear(ClearBuffer::Input).map_err(|error| Failed::Gone(error.into()))?;
        self.received.clear();
        self.device.write_all(question)?;
        self.device.flush()?;
        self.last = Instant::now();
        // A USB adapter may say that all is sent while it still sends.
        let length = 5 + 2 * usize::from(span.count);
        let deadline = self.last + patience + on_the_line(question.len() + length, self.baud);
        let (mut strange, mut any) = (false, false);
        loop {
            rtu::without_noise(&mut self.received, question);
            match rtu::answer(&self.received, question, span) {
                Answer::Registers(registers) => return Ok(registers),
                Answer::Exception(code) => return Err(Failed::Exception(code)),
                Answer::Garbled => return Err(Failed::Garbled),
                Answer::Strange(length) => {
                    strange = true;
                    self.received.drain(..length.min(self.received.len()));
                    continue;
                }
                Answer::Part => {}
            }
            any |= !self.received.is_empty();
            if !self.more_by(deadline)? {
                return Err(match (self.received.is_empty(), strange) {
                    (true, true) => Failed::Stranger,
                    (true, false) => Failed::Silent,
                    (false, _) => Failed::Garbled,
                });
            }
            if any && self.received.len() > FRAME_BYTES_MAX {
                return Err(Failed::Garbled);
            }
        }
    }

    /// Waits for bytes until `deadline`; false where none came.
    fn more_by(&mut self, deadline: Instant) -> Result<bool, Failed> {
        let mut bytes = [0; FRAME_BYTES_MAX];
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(false);
            }
            self.device.set_timeout(left).map_err(|error| Failed::Gone(error.into()))?;
            match self.device.read(&mut bytes) {
                Ok(0) => return Err(Failed::Gone(Io::BrokenPipe.into())),
                Ok(count) => {
                    self.received.extend_from_slice(&bytes[..count]);
                    self.last = Instant::now();
                    return Ok(true);
                }
                Err(error) if matches!(error.kind(), Io::TimedOut | Io::WouldBlock | Io::Interrupted) => {}
                Err(error) => return Err(Failed::Gone(error)),
            }
        }
    }

    /// Throws away what comes until nothing has come for `quiet`, or noise never ends.
    fn wait_for_quiet(&mut self, quiet: Duration) -> Result<(), Failed> {
        let mut thrown_away = 0;
        while thrown_away < NOISE_BYTES_MAX {
            self.received.clear();
            if !self.more_by(Instant::now() + quiet)? {
                break;
            }
            thrown_away += self.received.len();
        }
        self.received.clear();
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::io::{Read, Write};

    use super::*;
    use crate::wire::registers::Table;
    use crate::wire::rtu::exception;

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
    }

    /// Asks on one end of a pseudo-terminal, where the other answers `answer` to what it was asked.
    fn asked(unit: u8, span: Span, answer: &str) -> (Vec<u8>, Result<Vec<u16>, Failed>) {
        let (mut ours, mut theirs) = serialport::TTYPort::pair().unwrap();
        let answer = hex(answer);
        let slave = std::thread::spawn(move || {
            let mut question = [0; 8];
            theirs.set_timeout(Duration::from_secs(10)).unwrap();
            theirs.read_exact(&mut question).unwrap();
            theirs.write_all(&answer).unwrap();
            (question.to_vec(), theirs)
        });
        let answered = Line::new(&mut ours, 19_200).ask(unit, span, Duration::from_millis(200));
        (slave.join().unwrap().0, answered)
    }

    fn span(table: Table, address: u16, count: u16) -> Span {
        Span { table, address, count }
    }

    /// The examples of MODBUS Application Protocol V1.1b3: 6.3 (registers 108 to 110 hold 022B, 0, 64 hex;
    /// asked as 107) and 6.4 (input register 9 holds 000A; asked as 8). Unit 17 and the checksums:
    /// `fixtures/probes/wire_crc.csv`, the second computed.
    #[test]
    fn the_examples_of_the_specification() {
        let (question, answer) = asked(17, span(Table::Holding, 0x6B, 3), "11 03 06 02 2B 00 00 00 64 C8 BA");
        assert_eq!(question, hex("11 03 00 6B 00 03 76 87"));
        assert_eq!(answer.unwrap(), [0x022B, 0, 0x64]);
        let body = hex("11 04 02 00 0A");
        let sum = crate::wire::rtu::crc16(&body).to_le_bytes();
        let answer = format!("11 04 02 00 0A {:02X} {:02X}", sum[0], sum[1]);
        let (question, answer) = asked(17, span(Table::Input, 8, 1), &answer);
        assert_eq!(question[..6], hex("11 04 00 08 00 01"));
        assert_eq!(answer.unwrap(), [0x0A]);
    }

    #[test]
    fn what_is_no_answer_to_the_question_is_not_taken() {
        let two = span(Table::Input, 1, 2);
        let failed = |answer: &str| asked(1, two, answer).1.unwrap_err();
        assert_eq!(asked(1, two, "01 04 04 01 31 02 22 2A CE").1.unwrap(), [0x0131, 0x0222]);
        // An exception, by its code; a spoilt checksum; half an answer; nothing.
        assert!(matches!(failed("01 84 02 C2 C1"), Failed::Exception(2)));
        assert!(matches!(failed("01 04 04 01 31 02 22 2A CF"), Failed::Garbled));
        assert!(matches!(failed("01 04 04 01"), Failed::Garbled));
        assert!(matches!(failed(""), Failed::Silent));
        // The answer to a shorter question, another function, another unit.
        for strange in ["01 04 02 01 31", "01 03 04 01 31 02 22", "02 04 04 01 31 02 22"] {
            let sum = crate::wire::rtu::crc16(&hex(strange)).to_le_bytes();
            assert!(
                matches!(failed(&format!("{strange} {:02X} {:02X}", sum[0], sum[1])), Failed::Stranger),
                "{strange}"
            );
        }
        assert_eq!(exception(2), "illegal data address");
    }

    /// MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters, and 1.75 ms above 19,200 baud.
    #[test]
    fn the_silence_of_the_standard() {
        assert_eq!(silence(9_600), Duration::from_secs_f64(38.5 / 9_600.0));
        assert_eq!(silence(19_200), Duration::from_secs_f64(38.5 / 19_200.0));
        assert_eq!(silence(115_200), Duration::from_micros(1_750));
    }
}
