//! The page as a grower meets it: the built program, a real store, a real broker, a real browser.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "../harness/mod.rs"]
mod harness;

mod ask;
mod browser;
mod crowd;
mod events;
mod scene;
mod series;
mod writing;
