//! What is held to something: probe judgement, bands, the alert's life, wording. Pure: no clock, no I/O.

pub mod alert;
pub mod band;
pub mod clock;
pub mod concerned;
pub mod dating;
pub mod fahrenheit;
pub mod heat_wording;
pub mod judge;
pub mod keeper;
pub mod life;
pub mod limits;
pub mod origin;
pub mod sentences;
pub mod setup;
pub mod still;
pub mod table;
pub mod view;
pub mod wording;
