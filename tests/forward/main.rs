//! Forwarding to real time-series databases, queried back and compared with the store, and to one
//! that answers as told.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "../harness/mod.rs"]
mod harness;

mod answers;
mod databases;
mod history;
