//! Any bytes cut anywhere: the same lines, none longer than the bound.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tubwatch::wire::{LINE_BYTES_MAX, Lines, Piece, printable};

fn pieces(parts: &[&[u8]]) -> Vec<Option<(Vec<u8>, bool)>> {
    let mut lines = Lines::new();
    let mut found = Vec::new();
    for part in parts {
        lines.push(part, |piece| {
            found.push(match piece {
                Piece::Line { bytes, first } => {
                    assert!(bytes.len() <= LINE_BYTES_MAX);
                    Some((bytes.to_vec(), first))
                }
                Piece::TooLong => None,
            });
        });
    }
    found
}

fuzz_target!(|data: &[u8]| {
    let [cut, bytes @ ..] = data else { return };
    let at = usize::from(*cut) * bytes.len() / 256;
    assert_eq!(pieces(&[bytes]), pieces(&[&bytes[..at], &bytes[at..]]));
    let shown = printable(bytes, 64);
    assert!(shown.len() <= 64 + '…'.len_utf8() && !shown.chars().any(char::is_control));
});
