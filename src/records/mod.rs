//! What leaves the house: climate beside yields as CSV, samples as line protocol.
//!
//! In: the store (read only), the installation, the tubs as the logbook tells them. Out: a folder of
//! CSV files that a spreadsheet opens, or lines for a time-series database. Left out: the data
//! package descriptor, reports, labels.

mod books;
mod climate_file;
pub mod csv;
pub mod export;
mod flush_climate;
mod flushes_file;
pub mod forwarded;
pub mod line_protocol;
mod places;
pub mod recorded;
mod tubs_file;
mod yields;

pub use export::{Every, ExportError, Options, Summary, export};
pub use line_protocol::line_protocol;
