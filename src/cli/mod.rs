//! Commands and their printing.
