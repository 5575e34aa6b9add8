//! What leaves the house: climate beside yields as CSV, samples as line protocol.
//!
//! In: the store (read only), the installation, the tubs as the logbook tells them. Out: a folder of
//! CSV files that a spreadsheet opens, or lines for a time-series database. The descriptor
//! beside them says what each column is.

mod books;
mod climate_file;
mod compare;
mod course;
pub mod csv;
pub mod export;
mod flush_climate;
mod flushes_file;
pub mod forwarded;
mod heat_file;
mod label;
pub mod line_protocol;
mod package;
mod package_fields;
mod paper;
mod places;
pub mod recorded;
mod report;
mod report_charts;
mod scatter;
mod tubs_file;

pub use compare::compare;
pub use export::{Every, ExportError, Options, Summary, export};
pub use label::{LabelError, label};
pub use line_protocol::line_protocol;
pub use report::{Desk, report};
