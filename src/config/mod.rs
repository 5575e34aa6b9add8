//! Text to checked settings. One function serves `check`, `run` and every command; every message
//! names its key and place.
//!
//! ```text
//! find -> load -> syntax (text to spanned table) -> load::read (the order of the tables)
//!           |        |-> site, sources, probes (recipe, topic), spaces (bands), messengers, cultures
//!           |        +-> walk (typed getters, faults with their place), names, word, url, unbuilt
//!           +-> files (what the config names)
//! ```

mod bands;
pub mod cultures;
pub mod fault;
mod files;
mod forwards;
pub mod load;
mod messengers;
mod names;
pub mod plan;
mod probes;
mod recipe;
mod site;
mod sources;
mod spaces;
mod syntax;
mod topic;
mod unbuilt;
mod url;
mod walk;
mod word;

pub use fault::{Cause, Fault, Faults};
pub use load::{NoConfig, find, load, load_for_commands, parse};
pub use plan::Plan;
pub use word::{duration_ms, show_duration};
