//! What this process wears off the card: bytes it had written to block devices.
//!
//! In: the kernel's own count of this process. Out: the count, and since when. Other programs' writes,
//! and what a card's own controller makes of them, are not in it.

use std::sync::OnceLock;

use crate::engine::clock::since_boot_ms;

/// The kernel's count; it needs no right to read one's own.
const COUNTED: &str = "/proc/self/io";

/// Bytes written since the process began, and over how many milliseconds that was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wear {
    /// Bytes; none where the kernel does not count.
    pub bytes: Option<u64>,
    /// Milliseconds.
    pub over_ms: i64,
}

/// What was written by now. The first call marks the beginning.
pub fn by_now() -> Wear {
    static BEGAN: OnceLock<i64> = OnceLock::new();
    let now = since_boot_ms();
    let bytes = std::fs::read_to_string(COUNTED).ok().and_then(|text| counted(&text));
    Wear { bytes, over_ms: now - *BEGAN.get_or_init(|| now) }
}

/// Less what was taken back before it reached the device.
fn counted(text: &str) -> Option<u64> {
    let field = |name: &str| text.lines().find_map(|line| line.strip_prefix(name)?.trim().parse::<u64>().ok());
    let written = field("write_bytes:")?;
    Some(written.saturating_sub(field("cancelled_write_bytes:").unwrap_or(0)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_kernel_s_count_is_read() {
        let text =
            "rchar: 5\nwchar: 900\nsyscr: 1\nsyscw: 2\nread_bytes: 0\nwrite_bytes: 8192\ncancelled_write_bytes: 4096\n";
        assert_eq!(counted(text), Some(4096));
        assert_eq!(counted("wchar: 900\n"), None);
        let first = by_now();
        assert!(first.bytes.is_some() && by_now().over_ms >= first.over_ms);
    }
}
