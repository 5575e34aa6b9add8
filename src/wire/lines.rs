//! A serial byte stream cut into lines. In: bytes in chunks of any size. Out: whole lines without
//! their end, and the fact that one was too long. The same lines come out however the bytes are cut.
//!
//! A line ends with LF, CR or CR LF. Bounded: never holds more than [`LINE_BYTES_MAX`] bytes. Left
//! out: what a line means, and the line that has not ended yet.

/// The longest line taken, in bytes. A reading of every quantity in the longest format stays under
/// 1 KiB; noise that never ends a line must not fill the memory.
pub const LINE_BYTES_MAX: usize = 4096;

/// What the stream held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// A line without its end; may be empty.
    Line {
        /// Its bytes.
        bytes: &'a [u8],
        /// It is the first since the stream began, so its start may be missing.
        first: bool,
    },
    /// A line passed [`LINE_BYTES_MAX`]; it is left out up to its end and told once.
    TooLong,
}

/// The splitter of one open stream.
#[derive(Debug)]
pub struct Lines {
    held: Vec<u8>,
    first: bool,
    after_cr: bool,
    skipping: bool,
}

impl Default for Lines {
    fn default() -> Lines {
        Lines::new()
    }
}

impl Lines {
    /// A splitter at the beginning of a stream.
    pub fn new() -> Lines {
        Lines { held: Vec::new(), first: true, after_cr: false, skipping: false }
    }

    /// Takes the next `bytes` and gives `take` every piece that they complete, in order.
    pub fn push(&mut self, bytes: &[u8], mut take: impl FnMut(Piece<'_>)) {
        let mut rest = bytes;
        while !rest.is_empty() {
            if std::mem::take(&mut self.after_cr) && rest[0] == b'\n' {
                rest = &rest[1..];
                continue;
            }
            match rest.iter().position(|&byte| matches!(byte, b'\n' | b'\r')) {
                None => {
                    self.hold(rest, &mut take);
                    return;
                }
                Some(end) => {
                    self.end_line(&rest[..end], &mut take);
                    self.after_cr = rest[end] == b'\r';
                    rest = &rest[end + 1..];
                }
            }
        }
    }

    /// Keeps the start of a line, or gives it up as too long.
    fn hold(&mut self, part: &[u8], take: &mut impl FnMut(Piece<'_>)) {
        if self.skipping {
            return;
        }
        if self.held.len() + part.len() > LINE_BYTES_MAX {
            self.held.clear();
            self.skipping = true;
            take(Piece::TooLong);
        } else {
            self.held.extend_from_slice(part);
        }
    }

    /// `part` completes a line.
    fn end_line(&mut self, part: &[u8], take: &mut impl FnMut(Piece<'_>)) {
        let first = std::mem::replace(&mut self.first, false);
        if std::mem::take(&mut self.skipping) {
            return;
        }
        if self.held.len() + part.len() > LINE_BYTES_MAX {
            take(Piece::TooLong);
        } else if self.held.is_empty() {
            take(Piece::Line { bytes: part, first });
        } else {
            self.held.extend_from_slice(part);
            take(Piece::Line { bytes: &self.held, first });
        }
        self.held.clear();
    }
}
