//! What grows: cultures, tubs and their stages, the logbook, thermal time. Pure: no clock, no I/O.

pub mod amend;
pub mod check;
pub mod culture;
pub mod due;
pub mod fold;
mod life;
pub mod logbook;
pub mod measures;
pub mod moment;
pub mod thermal;
pub mod tub;
pub mod wrong;
