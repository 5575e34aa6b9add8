//! What probes cost: lines a second at the decoder, CPU a message for each format, Modbus questions a
//! second against the line's own limit. A plain timing program: `cargo bench --bench probes`.
//!
//! A pseudo-terminal has no baud, so the slave waits as long as the bytes of question, silences and
//! answer would take at that rate: what is measured is how near the master comes to that limit.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::hint::black_box;
use std::io::{Read, Write};
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};
use tokio::sync::mpsc;
use tubwatch::ingest::{Delivery, Sources};
use tubwatch::wire::checksum::crc16;
use tubwatch::wire::{Format, Lines, Piece, Recipe, decode};

/// How long each format is decoded.
const LONG_ENOUGH: Duration = Duration::from_millis(500);
/// Questions asked at each rate.
const QUESTIONS: u32 = 100;
/// Bits of a character on a Modbus line; the silence between frames in characters (see `ingest::modbus`).
const CHARACTER_BITS: f64 = 11.0;

fn recipe(format: Format, places: [&str; 2]) -> Recipe {
    let [temperature, humidity] = places.map(|place| (place != "-").then(|| place.to_owned()));
    Recipe { format, reads: [temperature, humidity, None, None], ..Recipe::default() }
}

/// Decodes `line` through the line splitter until it was long enough; prints lines and bytes a second.
fn format(recipe: &Recipe, line: &str) {
    let chunk = format!("{line}\n").repeat(4096 / (line.len() + 1));
    let (mut lines, mut out, mut count) = (Lines::new(), Vec::new(), 0_u64);
    let began = Instant::now();
    while began.elapsed() < LONG_ENOUGH {
        lines.push(chunk.as_bytes(), |piece| {
            if let Piece::Line { bytes, .. } = piece {
                decode(recipe, bytes, &mut out).unwrap();
                count += 1;
                black_box(&out);
                out.clear();
            }
        });
    }
    let seconds = began.elapsed().as_secs_f64();
    let rate = count as f64 / seconds;
    // 8N1: ten bits a byte.
    let baud = rate * (line.len() + 1) as f64 * 10.0;
    println!(
        "{:14} {rate:>10.0} lines/s  {:>6.2} us CPU a line  = a port of {:>6.1} Mbaud",
        recipe.format.word(),
        1e6 / rate,
        baud / 1e6
    );
}

/// A slave that answers two input registers and takes as long as the line would.
fn slave(mut end: TTYPort, baud: u32) {
    let on_the_line = |bytes: f64| Duration::from_secs_f64(bytes * CHARACTER_BITS / f64::from(baud));
    end.set_timeout(Duration::from_secs(2)).unwrap();
    let mut question = [0; 8];
    while end.read_exact(&mut question).is_ok() {
        // Question, 3.5 characters of silence, answer: the question's bytes were taken at once.
        std::thread::sleep(on_the_line(8.0 + 3.5 + 9.0));
        let body = [question[0], 4, 4, 0, 234, 3, 114];
        let frame = [&body[..], &crc16(&body).to_le_bytes()].concat();
        if end.write_all(&frame).is_err() {
            return;
        }
    }
}

async fn modbus(baud: u32) {
    let (ours, theirs) = TTYPort::pair().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        "[site]\nname = \"bench\"\ntimezone = \"UTC\"\n[store]\npath = \"state\"\n[[port]]\nname = \"line\"\ndevice = {:?}\n\
         baud = {baud}\nprotocol = \"modbus\"\n[[probe]]\nname = \"unit\"\nfrom = \"line\"\nunit = 1\nevery = \"100ms\"\n\
         reads = {{ temperature = {{ input = 1, kind = \"i16\", scale = 0.1 }}, humidity = {{ input = 2, kind = \"u16\", scale = 0.1 }} }}\n",
        theirs.name().unwrap()
    );
    let mut plan = tubwatch::config::parse(&text, &folder.path().join("bench.toml")).unwrap();
    // As often as the line bears it: more than any config may ask for.
    plan.setup.probes[0].every_ms = 1;
    let slave = std::thread::spawn(move || slave(ours, baud));
    let (queue, mut deliveries) = mpsc::channel(64);
    let sources = Sources::start(&plan, queue, std::sync::Arc::new(|| tubwatch::climate::Stamp(0)));
    let (mut count, mut began) = (0, Instant::now());
    while let Some(delivery) = deliveries.recv().await {
        if matches!(delivery, Delivery::Message(_)) {
            count += 1;
            if count == 1 {
                began = Instant::now();
            } else if count > QUESTIONS {
                break;
            }
        }
    }
    let rate = f64::from(QUESTIONS) / began.elapsed().as_secs_f64();
    // Question, silence, answer, silence; above 19,200 baud a silence is 1.75 ms.
    let silence = if baud > 19_200 { 0.001_75 } else { 3.5 * CHARACTER_BITS / f64::from(baud) };
    let limit = 1.0 / (17.0 * CHARACTER_BITS / f64::from(baud) + 2.0 * silence);
    println!(
        "modbus {baud:>7} baud {rate:>7.1} questions/s of {limit:.1} that the line bears ({:.0} %)",
        100.0 * rate / limit
    );
    drop(deliveries);
    sources.stop().await;
    drop(theirs);
    slave.join().unwrap();
}

fn main() {
    format(&recipe(Format::Json, ["/t", "/h"]), "{\"id\":\"a1\",\"t\":23.41,\"h\":88.2}");
    format(&recipe(Format::Number, ["", "-"]), "23.41");
    format(&recipe(Format::Pairs, ["T", "H"]), "T=23.41 H=88.2");
    format(&recipe(Format::Pairs, ["T", "H"]), "T=74.1F H=88,2%");
    format(&recipe(Format::Csv, ["2", "3"]), "a1,23.41,88.2");
    format(&recipe(Format::LineProtocol, ["t", "h"]), "climate,probe=a1 t=23.41,h=88.2 1764000000000000000");
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    for baud in [9_600, 115_200] {
        runtime.block_on(modbus(baud));
    }
}
