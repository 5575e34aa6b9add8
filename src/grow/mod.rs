//! What grows: cultures, tubs and their stages, the logbook, thermal time. Pure: no clock, no I/O.

pub mod culture;
pub mod due;
pub mod logbook;
pub mod thermal;
pub mod tub;
