//! tubwatch as a service: what systemd is told, what its files say, who may use the store, and the
//! documents and package that come with it.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "../harness/mod.rs"]
mod harness;

mod accounts;
mod documents;
mod notify;
mod package;
mod reload;
mod units;
