//! Physics and figures of measured air and substrate. Pure: no clock, no I/O.

pub mod calibration;
pub mod chart;
pub mod degrees;
pub mod fixed_point;
pub mod humidity;
pub mod lane;
pub mod lethality;
pub mod pressure;
pub mod quantity;
pub mod rank;
pub mod salt;
pub mod series;
pub mod stamp;
pub mod statistics;
pub mod steady;
pub mod trend;

pub use quantity::{Quality, Quantity, Reading};
pub use stamp::Stamp;
