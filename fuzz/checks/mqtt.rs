//! Any bytes of a client: packets no longer than allowed, or an end, the same however they are cut; and a whole
//! conversation with the intake, whose answers are those of a server.
//!
//! In: a byte that chooses the cuts, then what the client sends.

use std::cell::RefCell;
use std::path::Path;
use std::sync::Arc;

use bytes::BytesMut;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::runtime::{Builder, Runtime};
use tokio::sync::mpsc;
use tubwatch::climate::Stamp;
use tubwatch::config::{Plan, parse};
use tubwatch::ingest::{Delivery, serve_one};
use tubwatch::wire::mqtt::{Next, next};

use crate::cuts::cuts;

/// As much of the bytes as a client may send before it is made to wait.
const SESSION_BYTES_MAX: usize = 1_000;
/// Longer than anything the intake answers to so many bytes.
const ANSWER_BYTES_MAX: usize = 64 * 1024;

const CONFIG: &str = "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n\
    [[intake]]\nname = \"door\"\naddress = \"127.0.0.1:0\"\n\
    [[probe]]\nname = \"one\"\nfrom = \"door\"\ntopic = \"a/#\"\nformat = \"number\"\nreads = { temperature = \"\" }\nevery = \"10s\"\n\
    [[probe]]\nname = \"two\"\nfrom = \"door\"\ntopic = \"+/b\"\nformat = \"pairs\"\nreads = { humidity = \"h\" }\nevery = \"10s\"\n";

thread_local! {
    static RUNTIME: RefCell<Option<(Runtime, Plan)>> = const { RefCell::new(None) };
}

pub fn check(data: &[u8]) {
    let [seed, bytes @ ..] = data else { return };
    for most in [1024, 96 * 1024] {
        assert_eq!(packets(&[bytes], most), packets(&cuts(*seed, bytes), most));
    }
    session(*seed, &bytes[..bytes.len().min(SESSION_BYTES_MAX)]);
}

fn packets(parts: &[&[u8]], most: usize) -> (Vec<String>, bool) {
    let mut held = BytesMut::new();
    let mut found = Vec::new();
    for part in parts {
        held.extend_from_slice(part);
        loop {
            let before = held.len();
            match next(&mut held, most) {
                Ok(Next::Part) => break,
                Ok(packet) => {
                    found.push(format!("{packet:?}"));
                    assert!(before - held.len() <= most, "a packet is no longer than allowed");
                }
                Err(_) => return (found, true),
            }
            assert!(held.len() < before, "a packet takes bytes");
        }
    }
    (found, false)
}

/// A client of this machine sends `bytes`, hangs up, and reads what it was answered.
fn session(seed: u8, bytes: &[u8]) {
    RUNTIME.with_borrow_mut(|kept| {
        let (runtime, plan) = kept.get_or_insert_with(|| {
            let runtime = Builder::new_current_thread().enable_time().build().expect("a runtime");
            (runtime, parse(CONFIG, Path::new("/nonexistent/fuzz.toml")).expect("a right config"))
        });
        let (answers, delivered) = runtime.block_on(talk(plan, seed, bytes));
        hold(bytes, &answers, delivered);
    });
}

async fn talk(plan: &Plan, seed: u8, bytes: &[u8]) -> (Vec<u8>, usize) {
    let (mut client, server) = tokio::io::duplex(ANSWER_BYTES_MAX);
    let (queue, mut deliveries) = mpsc::channel(4);
    let serving = serve_one(plan, server, queue, Arc::new(|| Stamp(1_800_000_000_000)));
    let sending = async {
        for part in cuts(seed, bytes) {
            // The intake may have hung up.
            let _ = client.write_all(part).await;
            tokio::task::yield_now().await;
        }
        let _ = client.shutdown().await;
        let mut answers = Vec::new();
        let _ = client.read_to_end(&mut answers).await;
        answers
    };
    let storing = async {
        let mut delivered = 0;
        while let Some(delivery) = deliveries.recv().await {
            if let Delivery::Message(message) = delivery {
                assert!(message.probe < 2 && message.decoded.values.iter().flatten().all(|value| !value.is_infinite()));
                delivered += 1;
                if let Some(receipt) = message.receipt {
                    receipt.give();
                }
            }
        }
        delivered
    };
    let ((), answers, delivered) = tokio::join!(serving, sending, storing);
    (answers, delivered)
}

/// Answers are whole packets of a server: first one CONNACK, nothing after a refusal, and no more than was asked.
fn hold(bytes: &[u8], answers: &[u8], delivered: usize) {
    let (sent, _) = packets(&[bytes], 96 * 1024);
    let count = |name: &str| sent.iter().filter(|packet| packet.starts_with(&format!("Packet({name}("))).count();
    let mut rest = answers;
    let (mut kinds, mut refused) = (Vec::new(), false);
    while let [first, length, after @ ..] = rest {
        assert!(*length < 0x80 || first >> 4 == 9, "short answers, but for many refused filters");
        let (length, after) = if *length < 0x80 {
            (usize::from(*length), after)
        } else {
            (usize::from(length & 0x7F) + 128 * usize::from(after[0]), &after[1..])
        };
        assert!(length <= after.len() && !refused, "whole, and none after a refusal");
        if first >> 4 == 2 {
            assert!(kinds.is_empty() && length == 2 && after[0] == 0, "one CONNACK, and first");
            refused = after[1] != 0;
        }
        kinds.push(first >> 4);
        rest = &after[length..];
    }
    assert!(rest.is_empty());
    let answered = |kind: u8| kinds.iter().filter(|of| **of == kind).count();
    assert!(kinds.iter().all(|kind| matches!(kind, 2 | 4 | 5 | 7 | 9 | 11 | 13)), "what a server sends: {kinds:?}");
    assert!(answered(4) + answered(5) <= count("Publish") && delivered <= 2 * count("Publish"));
    assert!(answered(7) <= count("PubRel") && answered(9) <= count("Subscribe"));
    assert!(kinds.first().is_none_or(|kind| *kind == 2) && (delivered == 0 || !refused && !kinds.is_empty()));
}
