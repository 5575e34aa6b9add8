//! Telling the grower: a durable outbox in front of the messengers, each served by itself, in
//! order, with backoff, until it has accepted.
