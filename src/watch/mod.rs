//! What is held to something: probe judgement, bands, the alert's life, wording. Pure: no clock, no I/O.

pub mod alert;
pub mod judge;
pub mod origin;
pub mod setup;
