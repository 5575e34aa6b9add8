//! Text to checked settings. One function serves `check`, `run` and every command; every message
//! names its key and place.

pub mod plan;

pub use plan::Plan;
