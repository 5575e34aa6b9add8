//! Physics and figures of measured air and substrate. Pure: no clock, no I/O.

pub mod quantity;
pub mod stamp;

pub use quantity::{Quality, Quantity, Reading};
pub use stamp::Stamp;
