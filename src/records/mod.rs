//! What leaves the house: climate beside yields as CSV, samples as line protocol.
