//! Any bytes cut anywhere: the same lines, none longer than the bound, and every byte in its place.
//!
//! In: a byte that chooses the cuts, then the stream.

use tubwatch::wire::{LINE_BYTES_MAX, Lines, Piece, printable};

use crate::cuts::cuts;

pub fn check(data: &[u8]) {
    let [seed, bytes @ ..] = data else { return };
    let whole = pieces(&[bytes]);
    assert_eq!(whole, pieces(&cuts(*seed, bytes)));
    assert_eq!(whole, by_the_book(bytes));
    for most in [64, usize::from(*seed)] {
        let shown = printable(bytes, most);
        assert!(shown.len() <= most + '…'.len_utf8() && !shown.chars().any(char::is_control));
    }
}

/// The lines of `parts`, one after another; `None` is one that was too long.
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

/// The same as the documentation has it: a line ends with LF, CR or CR LF; what has not ended is not told, unless
/// it is too long already.
fn by_the_book(bytes: &[u8]) -> Vec<Option<(Vec<u8>, bool)>> {
    let mut ended: Vec<Vec<u8>> = vec![Vec::new()];
    let mut after_cr = false;
    for byte in bytes {
        match byte {
            b'\n' if after_cr => {}
            b'\n' | b'\r' => ended.push(Vec::new()),
            byte => ended.last_mut().expect("never empty").push(*byte),
        }
        after_cr = *byte == b'\r';
    }
    let unended = ended.pop().expect("never empty");
    let mut found: Vec<Option<(Vec<u8>, bool)>> = Vec::new();
    for (at, line) in ended.into_iter().enumerate() {
        found.push((line.len() <= LINE_BYTES_MAX).then_some((line, at == 0)));
    }
    if unended.len() > LINE_BYTES_MAX {
        found.push(None);
    }
    found
}
