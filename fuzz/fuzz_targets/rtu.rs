//! Any bytes after a question: registers only from a frame of that unit, function and length whose checksum fits.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tubwatch::wire::registers::{Kind, Register, Registers, Span, Table};
use tubwatch::wire::rtu::{Answer, answer, crc16, question, without_noise};

fuzz_target!(|data: &[u8]| {
    let [unit, kind, high, low, bytes @ ..] = data else { return };
    let table = if kind & 1 == 0 { Table::Input } else { Table::Holding };
    let count = 1 + u16::from(kind >> 1) % 125;
    let span = Span { table, address: u16::from_be_bytes([*high, *low]), count };
    let asked = question(*unit, span);
    // As they are, and with a checksum that fits: else the fuzzer would have to find it.
    let sealed = [bytes, &crc16(bytes).to_le_bytes()].concat();
    for mut received in [bytes.to_vec(), sealed] {
        without_noise(&mut received, &asked);
        match answer(&received, &asked, span) {
            Answer::Registers(registers) => {
                assert_eq!(registers.len(), usize::from(count));
                assert_eq!((received[0], received[1]), (*unit, asked[1]));
                let field = Register { table, address: span.address, kind: Kind::F32, little: kind & 2 != 0, scale: 0.1, offset: 1.0 };
                let registers_of = Registers { unit: *unit, fields: [Some(field); 4], answer_within_ms: 1, tries: 1 };
                let mut values = [None; 4];
                registers_of.read(span, &registers, &mut values);
                assert!(values.iter().flatten().all(|value| !value.is_infinite()));
            }
            Answer::Strange(length) => assert!(length > 0 && length <= received.len()),
            Answer::Part | Answer::Exception(_) | Answer::Garbled => {}
        }
    }
});
