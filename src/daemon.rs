//! Start order, signals, stop order.
