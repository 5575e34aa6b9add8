//! Commands and their printing.

pub mod check;
