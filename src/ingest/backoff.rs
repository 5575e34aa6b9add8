//! How long to wait before the next try: doubling, capped, jittered, so that many clients of one
//! broker do not come back in step. Pure: the jitter is passed in.

use std::time::Duration;

/// The waits of one source.
#[derive(Debug)]
pub(super) struct Backoff {
    quick: Option<Duration>,
    start: Duration,
    cap: Duration,
    /// The next wait, before jitter.
    next: Duration,
}

impl Backoff {
    /// First `quick` (where there is one), then from `start` doubling to `cap`.
    pub(super) fn new(quick: Option<Duration>, start: Duration, cap: Duration) -> Backoff {
        Backoff { quick, start, cap, next: quick.unwrap_or(start) }
    }

    /// All is well again: the next wait is the first.
    pub(super) fn reset(&mut self) {
        self.next = self.quick.unwrap_or(self.start);
    }

    /// The next wait: between half and the whole of the step, by `jitter` in 0..1.
    pub(super) fn wait(&mut self, jitter: f64) -> Duration {
        let step = self.next;
        self.next = if step < self.start { self.start } else { (step * 2).min(self.cap) };
        step.mul_f64(0.5 + 0.5 * jitter.clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_doubles_to_the_cap_and_begins_anew() {
        let ms = Duration::from_millis;
        let mut backoff = Backoff::new(Some(ms(250)), ms(1_000), ms(5_000));
        let waits: Vec<Duration> = (0..6).map(|_| backoff.wait(1.0)).collect();
        assert_eq!(waits, [250, 1_000, 2_000, 4_000, 5_000, 5_000].map(ms));
        assert_eq!(backoff.wait(0.0), ms(2_500));
        backoff.reset();
        assert_eq!(backoff.wait(0.0), ms(125));
        let mut plain = Backoff::new(None, ms(500), ms(30_000));
        assert_eq!((plain.wait(1.0), plain.wait(1.0)), (ms(500), ms(1_000)));
    }
}
