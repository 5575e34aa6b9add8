//! Any bytes after a question: registers only from a frame of that unit, function and length whose checksum fits.
//!
//! In: unit, kind of question, address (two bytes), then what is received.

use tubwatch::wire::registers::{Kind, Register, Registers, Span, Table};
use tubwatch::wire::rtu::{Answer, FRAME_BYTES_MAX, answer, crc16, question, without_noise};

pub fn check(data: &[u8]) {
    let [unit, kind, high, low, bytes @ ..] = data else { return };
    let table = if kind & 1 == 0 { Table::Input } else { Table::Holding };
    let address = u16::from_be_bytes([*high, *low]);
    let span = Span { table, address, count: 1 + u16::from(kind >> 1) % 125 };
    let asked = question(*unit, span);
    assert!(asked.len() == 8 && asked[0] == *unit);
    // As they are, with a checksum that fits (else the fuzzer would have to find it), and behind an echo.
    let sealed = [bytes, &crc16(bytes).to_le_bytes()].concat();
    let echoed = [&[0xFF], &asked[..], &sealed].concat();
    for received in [bytes.to_vec(), sealed, echoed] {
        converse(received, &asked, span);
    }
    words(*kind, address, bytes);
}

/// What is made of all that was received, as the line does it.
fn converse(mut received: Vec<u8>, asked: &[u8], span: Span) {
    loop {
        without_noise(&mut received, asked);
        match answer(&received, asked, span) {
            Answer::Registers(registers) => {
                assert_eq!(registers.len(), usize::from(span.count));
                assert_eq!(received[..2], asked[..2]);
                let length = 5 + 2 * registers.len();
                assert!(length <= FRAME_BYTES_MAX);
                assert_eq!(crc16(&received[..length]), 0, "a frame with its checksum sums to nothing");
                return;
            }
            Answer::Exception(_) => {
                assert_eq!((received[0], received[1]), (asked[0], asked[1] | 0x80));
                return;
            }
            Answer::Strange(length) => {
                assert!(length > 0 && length <= received.len(), "it ends");
                received.drain(..length);
            }
            Answer::Part | Answer::Garbled => return,
        }
    }
}

/// Numbers of every kind out of any registers.
fn words(kind: u8, address: u16, bytes: &[u8]) {
    let scales = [1.0, 0.1, -0.01, 1e-3, 3.0, 1e300, f64::MIN_POSITIVE];
    let field = |at: u8| Register {
        table: if at & 1 == 0 { Table::Input } else { Table::Holding },
        address: address.wrapping_add(u16::from(at) * u16::from(kind & 3)),
        kind: Kind::ALL[usize::from(kind.wrapping_add(at)) % Kind::ALL.len()],
        little: kind & 2 != 0,
        scale: scales[usize::from(kind) % scales.len()],
        offset: if kind & 8 == 0 { 0.0 } else { -273.15 },
    };
    let fields = [0, 1, 2, 3].map(|at| Some(field(at)));
    let registers = Registers { unit: 1, fields, answer_within_ms: 1, tries: 1 };
    let spans = registers.spans();
    let mut values = [None; 4];
    for span in &spans {
        assert!((1..=125).contains(&span.count));
        let words: Vec<u16> = bytes.chunks(2).map(|word| u16::from_be_bytes([word[0], word[word.len() - 1]])).collect();
        registers.read(*span, words.get(..usize::from(span.count)).unwrap_or(&words), &mut values);
    }
    for field in fields.iter().flatten() {
        let end = u32::from(field.address) + u32::from(field.kind.width());
        let inside = |span: &&Span| {
            span.table == field.table
                && span.address <= field.address
                && u32::from(span.address) + u32::from(span.count) >= end
        };
        assert_eq!(spans.iter().filter(inside).count(), 1, "each field is read by one request");
    }
    assert!(values.iter().flatten().all(|value| !value.is_infinite()));
}
