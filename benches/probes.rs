//! What probes cost: CPU a sample for each format and what port that would serve, Modbus questions a
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
use tubwatch::wire::registers::{Kind, Register, Registers, Span, Table};
use tubwatch::wire::rtu::{self, Answer};
use tubwatch::wire::sysfs::one_wire;
use tubwatch::wire::{Format, Lines, Piece, Recipe, decode};

/// How long each format is decoded.
const LONG_ENOUGH: Duration = Duration::from_millis(500);
/// Questions asked at each rate.
const QUESTIONS: u32 = 100;
/// Bits of a character on a Modbus line (MODBUS over Serial Line V1.02, 2.5.1).
const CHARACTER_BITS: f64 = 11.0;
/// Bytes of a question.
const QUESTION_BYTES: usize = 8;

fn recipe(format: Format, places: [&str; 2]) -> Recipe {
    let [temperature, humidity] = places.map(|place| (place != "-").then(|| place.to_owned()));
    Recipe { format, reads: [temperature, humidity, None, None], ..Recipe::default() }
}

/// Seconds that this thread has been on a CPU: others on the machine change nothing about it. The kernel's
/// `/proc/thread-self/schedstat` begins with it, in nanoseconds.
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    text.split(' ').next().unwrap().parse::<f64>().unwrap() / 1e9
}

/// Repeats `work`, which reads so many samples of `bytes` bytes each, until it was long enough; prints samples a
/// second of CPU, and the fastest port that could bring as many (8N1: ten bits a byte).
fn measure(name: &str, bytes: usize, mut work: impl FnMut() -> u64) {
    let (began, mut count) = (Instant::now(), 0);
    let from = cpu_s();
    while began.elapsed() < LONG_ENOUGH {
        count += work();
    }
    let rate = count as f64 / (cpu_s() - from);
    let mbaud = rate * bytes as f64 * 10.0 / 1e6;
    println!("{name:14} {:>6.2} us CPU a sample  {rate:>9.0} samples/s  = a port of {mbaud:>6.1} Mbaud", 1e6 / rate);
}

/// Decodes `line` through the line splitter.
fn format(recipe: &Recipe, line: &str) {
    let chunk = format!("{line}\n").repeat(4096 / (line.len() + 1));
    let (mut lines, mut out) = (Lines::new(), Vec::new());
    measure(recipe.format.word(), line.len() + 1, || {
        let mut count = 0;
        lines.push(chunk.as_bytes(), |piece| {
            if let Piece::Line { bytes, .. } = piece {
                decode(recipe, bytes, &mut out).unwrap();
                count += 1;
                black_box(&out);
                out.clear();
            }
        });
        count
    });
}

/// Reads two registers out of an answer, as the line's thread does.
fn registers() {
    let span = Span { table: Table::Input, address: 1, count: 2 };
    let field =
        |address| Register { table: Table::Input, address, kind: Kind::I16, little: false, scale: 0.1, offset: 0.0 };
    let registers =
        Registers { unit: 1, fields: [Some(field(1)), Some(field(2)), None, None], answer_within_ms: 1, tries: 1 };
    let answered = frame(1);
    measure("modbus", answered.len(), || {
        let asked = rtu::question(1, span);
        let Answer::Registers(words) = rtu::answer(black_box(&answered), &asked, span) else { unreachable!() };
        let mut values = [None; 4];
        registers.read(span, &words, &mut values);
        black_box(Registers::decoded(values).unwrap());
        1
    });
}

/// Reads a 1-wire sensor's attribute, without the kernel's part.
fn kernel() {
    // The nine bytes of the kernel's own documentation of the driver (w1_therm), 25.062 degrees.
    let text = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n";
    measure("1-wire", text.len(), || {
        black_box(one_wire(black_box(text)).unwrap());
        1
    });
}

/// How long `characters` take on the line.
fn on_the_line(characters: f64, baud: u32) -> Duration {
    Duration::from_secs_f64(characters * CHARACTER_BITS / f64::from(baud))
}

/// The silence between frames: 3.5 characters, and 1.75 ms above 19,200 baud (MODBUS over Serial Line V1.02, 2.5.1.1).
fn silence(baud: u32) -> Duration {
    if baud > 19_200 { Duration::from_micros(1_750) } else { on_the_line(3.5, baud) }
}

/// The answer of a unit: two input registers.
fn frame(unit: u8) -> Vec<u8> {
    let body = [unit, 4, 4, 0, 234, 3, 114];
    [&body[..], &crc16(&body).to_le_bytes()].concat()
}

/// A slave that takes as long as the line would: the question's eight characters, the silence by which a slave
/// knows that it has ended, and the answer's. The question comes at once, so all of it is waited for behind it.
fn slave(mut end: TTYPort, baud: u32) {
    end.set_timeout(Duration::from_secs(2)).unwrap();
    let mut question = [0; QUESTION_BYTES];
    while end.read_exact(&mut question).is_ok() {
        let answer = frame(question[0]);
        std::thread::sleep(on_the_line((QUESTION_BYTES + answer.len()) as f64, baud) + silence(baud));
        if end.write_all(&answer).is_err() {
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
    // Question, silence of the slave, answer, silence of the master.
    let characters = (QUESTION_BYTES + frame(1).len()) as f64;
    let limit = 1.0 / (on_the_line(characters, baud) + 2 * silence(baud)).as_secs_f64();
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
    registers();
    kernel();
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    for baud in [9_600, 115_200] {
        runtime.block_on(modbus(baud));
    }
}
