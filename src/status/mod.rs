//! The status endpoint: the latest snapshot as JSON, metrics and a page. Writes nothing.

pub mod snapshot;
pub mod tub;
