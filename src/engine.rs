//! The one loop that owns the live state.
