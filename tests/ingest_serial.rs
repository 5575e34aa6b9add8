//! Serial lines over real pseudo-terminals: endings, noise, half lines, unplugged and plugged in anew.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::time::Duration;

use harness::{PATIENCE, Wire, clock, plan, probe, reads_temperature};
use tokio::sync::mpsc;
use tokio::time::timeout;
use tubwatch::config::Plan;
use tubwatch::config::plan::PortPlan;
use tubwatch::ingest::{Delivery, SourceState, Sources};
use tubwatch::wire::{Format, Recipe, Refusal};

/// The sources at work, and what they delivered.
struct Watched {
    sources: Sources,
    queue: mpsc::Receiver<Delivery>,
    /// Temperatures with their probes, in order.
    read: Vec<(usize, f64)>,
    refused: Vec<(Refusal, u64, String)>,
    states: Vec<(SourceState, String)>,
    connections: Vec<u64>,
}

impl Watched {
    fn start(plan: &Plan, room: usize) -> Watched {
        let (sender, queue) = mpsc::channel(room);
        let sources = Sources::start(plan, sender, clock());
        Watched { sources, queue, read: Vec::new(), refused: Vec::new(), states: Vec::new(), connections: Vec::new() }
    }

    async fn until(&mut self, what: &str, done: impl Fn(&Watched) -> bool) {
        let wait = async {
            while !done(self) {
                match self.queue.recv().await.expect("the sources run") {
                    Delivery::Message(message) => {
                        assert!(message.receipt.is_none() && message.received.0 > 0);
                        self.read.push((message.probe, message.decoded.values[0].unwrap()));
                        self.connections.push(message.carriage.connection);
                    }
                    Delivery::Refused { source, reason, count, excerpt, .. } => {
                        assert_eq!(source, 0);
                        self.refused.push((reason, count, excerpt));
                    }
                    Delivery::Source { source, state, why, .. } => {
                        assert_eq!(source, 0);
                        self.states.push((state, why));
                    }
                }
            }
        };
        if timeout(PATIENCE, wait).await.is_err() {
            panic!("{what}: read {:?}, refused {:?}, states {:?}", self.read, self.refused, self.states);
        }
    }

    fn values(&self) -> Vec<f64> {
        self.read.iter().map(|(_, value)| *value).collect()
    }

    fn count(&self, reason: Refusal) -> u64 {
        self.refused.iter().filter(|refused| refused.0 == reason).map(|refused| refused.1).sum()
    }

    fn last_state(&self) -> Option<(SourceState, &str)> {
        self.states.last().map(|(state, why)| (*state, why.as_str()))
    }
}

fn on(wire: &Wire, recipes: Vec<Recipe>) -> Plan {
    let port =
        PortPlan { name: "usb".to_owned(), device: wire.path().to_owned(), baud: 115_200, ..PortPlan::default() };
    let probes =
        recipes.into_iter().enumerate().map(|(at, recipe)| probe(&format!("probe-{at}"), 0, None, recipe)).collect();
    plan(Vec::new(), vec![port], probes)
}

fn selecting(id: &str) -> Recipe {
    let mut recipe = reads_temperature(Format::Json, "/t");
    recipe.select.push(("/id".to_owned(), id.to_owned()));
    recipe
}

#[tokio::test]
async fn lines_of_every_ending_reach_their_probes() {
    let mut wire = Wire::plugged();
    let plan = on(&wire, vec![selecting("a1"), selecting("a2")]);
    let mut watched = Watched::start(&plan, 64);
    watched.until("open", |w| w.last_state() == Some((SourceState::Connected, ""))).await;
    wire.send("{\"id\":\"a1\",\"t\":1}\n{\"id\":\"a2\",\"t\":2}\r\n{\"id\":\"a1\",\"t\":3}\r{\"id\":\"a9\",\"t\":4}\n");
    wire.send("\n{\"id\":\"a1\"}\nboot: ok\n");
    // As deep as a line can nest; the thread's stack must bear it.
    for nest in ["[", "{\"a\":", "[{\"a\":"] {
        wire.send(nest.repeat(4_000 / nest.len()));
        wire.send(b"\n");
        wire.send(format!("{}nan{}\n", nest.repeat(60), "}]".repeat(60)));
    }
    wire.send(b"\xfe\xff\n{\"id\":\"a2\",\"t\":6}\n");
    watched.until("all lines", |w| w.read.len() >= 4 && w.refused.len() >= 5).await;
    assert_eq!(watched.read, [(0, 1.0), (1, 2.0), (0, 3.0), (1, 6.0)]);
    let excerpt = |reason| watched.refused.iter().find(|told| told.0 == reason).unwrap().2.as_str();
    assert!(excerpt(Refusal::NobodyReads).ends_with("/probe: {\"id\":\"a9\",\"t\":4}"));
    assert_eq!(watched.count(Refusal::Empty), 1);
    assert_eq!(watched.count(Refusal::FieldMissing), 1);
    assert_eq!(watched.count(Refusal::NotText), 1);
    assert!(excerpt(Refusal::NotText).ends_with("\\xFE\\xFF"));
    watched.sources.stop().await;
}

#[tokio::test]
async fn half_a_line_at_the_start_is_counted_only_where_it_reads_nothing() {
    for (first, halves) in [("3.41,\"t\":9}", 1), ("{\"t\":0}", 0)] {
        let mut wire = Wire::plugged();
        let plan = on(&wire, vec![reads_temperature(Format::Json, "/t")]);
        wire.send(format!("{first}\n{{\"t\":1}}\nnoise\n"));
        let mut watched = Watched::start(&plan, 64);
        watched.until("the last line", |w| w.count(Refusal::Malformed) == 1).await;
        assert_eq!(watched.count(Refusal::HalfLine), halves, "{first}");
        assert_eq!(watched.values().last(), Some(&1.0));
        assert_eq!(watched.read.len() as u64, 2 - halves);
        watched.sources.stop().await;
    }
}

#[tokio::test]
async fn noise_and_over_long_lines_are_counted_and_the_rest_is_read() {
    let mut wire = Wire::plugged();
    let plan = on(&wire, vec![reads_temperature(Format::Pairs, "T")]);
    // Room for one: the flood of noise must not fill the queue.
    let mut watched = Watched::start(&plan, 1);
    watched.until("open", |w| !w.states.is_empty() && w.states.last().unwrap().0 == SourceState::Connected).await;
    wire.send("T=1\n");
    watched.until("the first", |w| w.read.len() == 1).await;
    let noise: Vec<u8> = (0..20_000_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 13) as u8 | 0x80).collect();
    let sender = std::thread::spawn(move || {
        wire.send(&noise);
        wire.send(b"\nT=2\n");
        wire.send([0_u8; 5000]);
        wire.send(b"\n\0\0T=3\0\n");
        for _ in 0..2_000 {
            wire.send(b"waiting for the sensor\n");
        }
        wire.send(b"T=4\n");
        wire
    });
    watched.until("what stands between the noise", |w| w.values() == [1.0, 2.0, 3.0, 4.0]).await;
    watched.until("all counted", |w| w.count(Refusal::Malformed) == 2_000 && w.count(Refusal::TooLong) == 2).await;
    assert!(watched.refused.len() < 200, "told in batches: {}", watched.refused.len());
    drop(sender.join().unwrap());
    watched.sources.stop().await;
}

#[tokio::test]
async fn unplugged_and_plugged_in_as_another_device_behind_the_same_path() {
    let mut wire = Wire::empty();
    let plan = on(&wire, vec![reads_temperature(Format::Number, "")]);
    let mut watched = Watched::start(&plan, 64);
    watched.until("not there", |w| w.last_state().is_some_and(|(state, _)| state == SourceState::Away)).await;
    assert!(watched.last_state().unwrap().1.ends_with("probe is not there; is the probe plugged in?"));
    let mut sent = Vec::new();
    for round in 1..=3_u32 {
        wire.plug();
        watched.until("open", |w| w.last_state() == Some((SourceState::Connected, ""))).await;
        wire.send(format!("{round}\n"));
        sent.push(f64::from(round));
        watched.until("a line", |w| w.values() == sent).await;
        assert_eq!(watched.connections.last(), Some(&u64::from(round)));
        wire.unplug();
        watched.until("away", |w| w.last_state().unwrap().0 == SourceState::Away).await;
    }
    let told = watched.states.iter().filter(|(_, why)| why.contains("it was unplugged")).count();
    assert_eq!(told, 3, "{:?}", watched.states);
    watched.sources.stop().await;
}

#[tokio::test]
async fn a_device_in_use_or_of_another_kind_is_told_in_words() {
    let wire = Wire::plugged();
    let other = serialport::new(wire.path().to_string_lossy(), 9600).open().unwrap();
    let plan = on(&wire, vec![reads_temperature(Format::Number, "")]);
    let mut watched = Watched::start(&plan, 64);
    watched.until("told", |w| w.last_state().is_some_and(|(state, _)| state == SourceState::Away)).await;
    assert!(watched.last_state().unwrap().1.ends_with("probe is in use by another program; close that one"));
    drop(other);
    watched.until("open", |w| w.last_state() == Some((SourceState::Connected, ""))).await;
    watched.sources.stop().await;

    let file = tempfile::NamedTempFile::new().unwrap();
    let port = PortPlan { name: "usb".to_owned(), device: file.path().to_owned(), baud: 9600, ..PortPlan::default() };
    let mut watched = Watched::start(&harness::plan(Vec::new(), vec![port], Vec::new()), 64);
    watched.until("told", |w| w.last_state().is_some_and(|(state, _)| state == SourceState::Away)).await;
    assert!(watched.last_state().unwrap().1.contains("does not open as a serial port ("));
    watched.sources.stop().await;
}

#[tokio::test]
async fn a_full_queue_holds_lines_in_the_kernel_and_stopping_is_prompt() {
    let mut wire = Wire::plugged();
    let plan = on(&wire, vec![reads_temperature(Format::Number, "")]);
    let mut watched = Watched::start(&plan, 1);
    wire.send((0..200).map(|at| format!("{at}\n")).collect::<String>());
    watched.until("in order and whole", |w| w.read.len() == 200).await;
    assert_eq!(watched.values(), (0..200).map(f64::from).collect::<Vec<_>>());
    // Now nobody empties the queue.
    wire.send("1\n2\n3\n");
    let Watched { mut sources, mut queue, .. } = watched;
    harness::wait_until(PATIENCE, "the queue is full", || queue.len() == 1);
    timeout(Duration::from_secs(20), sources.stop_intake()).await.expect("stops though the queue is full");
    assert!(matches!(queue.recv().await, Some(Delivery::Message(_))));
    timeout(PATIENCE, async { while queue.recv().await.is_some() {} }).await.expect("no sender is left");
    sources.finish().await;
}
