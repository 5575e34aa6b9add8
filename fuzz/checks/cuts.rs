//! A stream cut into pieces as a wire or a network would: by a seed, anywhere, also into none and single bytes.

/// `bytes` in pieces.
pub fn cuts(seed: u8, bytes: &[u8]) -> Vec<&[u8]> {
    let mut random = u32::from(seed).wrapping_mul(2_654_435_761) | 1;
    let mut rest = bytes;
    let mut parts = Vec::new();
    // Some seeds cut into very small pieces, some into large ones.
    let largest = 1 << (seed % 13);
    while !rest.is_empty() {
        random ^= random << 13;
        random ^= random >> 17;
        random ^= random << 5;
        let (part, after) = rest.split_at((random as usize % (largest + 1)).min(rest.len()));
        parts.push(part);
        rest = after;
    }
    parts
}
