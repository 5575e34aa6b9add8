//! The logbook: what entries make of a tub, which entries are refused, and the commands that write them.

#![allow(clippy::unwrap_used, clippy::panic)]

mod commands;
mod fold;
mod measured;
mod properties;
mod refusals;
mod typed;
