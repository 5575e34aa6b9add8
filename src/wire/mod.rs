//! Bytes to readings. Pure: no clock, no I/O; any bytes give an answer, never a panic.

pub mod recipe;

pub use recipe::{Decoded, Format, Recipe, Refusal};
