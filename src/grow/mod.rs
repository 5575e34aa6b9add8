//! What grows: cultures, tubs and their stages, the logbook, thermal time. Pure: no clock, no I/O.

pub mod amend;
pub mod changes;
pub mod check;
pub mod culture;
pub mod due;
pub mod fold;
mod heat_book;
mod heat_check;
mod heat_clock;
pub mod heat_plan;
mod heat_report;
pub mod heat_run;
pub mod learning;
mod life;
pub mod logbook;
pub mod measures;
pub mod moment;
pub mod rename;
pub mod self_heating;
pub mod several;
pub mod thermal;
pub mod tub;
pub mod words;
pub mod wrong;
pub mod yields;
