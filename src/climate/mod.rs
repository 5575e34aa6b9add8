//! Physics and figures of measured air and substrate. Pure: no clock, no I/O.

pub mod humidity;
pub mod quantity;
pub mod series;
pub mod stamp;
pub mod statistics;
pub mod trend;

pub use quantity::{Quality, Quantity, Reading};
pub use stamp::Stamp;
