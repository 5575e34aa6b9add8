//! Degree-hours, coverage, bounds, due window.
