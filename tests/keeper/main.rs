//! The keeper as a whole: nights that must stay quiet, heat that must be told in time, silence,
//! sources, restarts, late samples. Limits and delays are those of the promised table; the culture's
//! figures and all names are invented.
#![allow(clippy::unwrap_used, clippy::panic)]

mod bench;
mod cares;
mod climate;
mod doubts;
mod history;
mod life;
mod machine;
mod property;
