//! Any bytes of a client: packets no longer than allowed, or an end; the same however they are cut.
#![no_main]

use bytes::BytesMut;
use libfuzzer_sys::fuzz_target;
use tubwatch::wire::mqtt::{Next, next};

fn packets(parts: &[&[u8]]) -> (Vec<String>, bool) {
    let mut held = BytesMut::new();
    let mut found = Vec::new();
    for part in parts {
        held.extend_from_slice(part);
        loop {
            let before = held.len();
            match next(&mut held, 1024) {
                Ok(Next::Part) => break,
                Ok(packet) => found.push(format!("{packet:?}")),
                Err(_) => return (found, true),
            }
            assert!(held.len() < before, "a packet takes bytes");
        }
    }
    (found, false)
}

fuzz_target!(|data: &[u8]| {
    let [cut, bytes @ ..] = data else { return };
    let at = usize::from(*cut) * bytes.len() / 256;
    let (whole, cut) = (packets(&[bytes]), packets(&[&bytes[..at], &bytes[at..]]));
    assert_eq!(whole, cut);
});
