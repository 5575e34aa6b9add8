//! What grows: cultures, tubs and their stages, the logbook, thermal time. Pure: no clock, no I/O.

pub mod culture;
pub mod due;
mod heat_clock;
pub mod heat_plan;
mod heat_report;
pub mod heat_run;
pub mod learning;
pub mod logbook;
pub mod self_heating;
pub mod thermal;
pub mod tub;
pub mod yields;
