//! Text to checked settings. One function serves `check`, `run` and every command; every message
//! names its key and place.
//!
//! ```text
//! find -> load -> syntax (text to spanned table) -> load::read (the order of the tables)
//!           |        |-> site, sources, probes (recipe, topic), spaces (bands), messengers (mail), morning, cultures
//!           |        +-> walk (typed getters, faults with their place), names, word, url
//!           +-> files (what the config names)
//! ```

mod backup;
mod bands;
pub mod cultures;
pub mod fault;
mod files;
mod forwards;
mod intakes;
pub mod load;
mod locals;
mod mail;
mod messengers;
mod morning;
mod names;
pub mod people;
pub mod plan;
mod probes;
mod recipe;
mod registers;
pub mod renamed;
mod shapes;
mod site;
mod sources;
mod spaces;
mod syntax;
pub mod template;
pub mod tls;
pub mod told;
mod topic;
mod url;
mod walk;
mod word;

pub use fault::{Cause, Fault, Faults};
pub use load::{NoConfig, find, load, load_for_commands, parse};
pub use plan::Plan;
pub use word::{duration_ms, show_duration};
