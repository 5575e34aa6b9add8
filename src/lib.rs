//! tubwatch: watches closed tubs of mushroom substrate and tells the grower before damage is done.
//!
//! ```text
//! broker, port -> ingest (decode by wire) -> engine: judge -> +-> watch -> alert -> outbox -> messenger
//!                                                             +-> store  -> acknowledge to the broker
//! logbook (entry table) -------------------> engine           +-> status snapshot -> JSON, metrics, page
//! store -> export
//! ```
//!
//! The rooms and what each may import stand in `tests/layers.rs`, which fails on any other direction.

pub mod cli;
pub mod climate;
pub mod config;
pub mod daemon;
pub mod deliver;
pub mod engine;
pub mod grow;
pub mod ingest;
pub mod records;
pub mod status;
pub mod store;
pub mod watch;
pub mod wire;
