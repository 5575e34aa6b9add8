//! How the C library's allocator keeps memory: little of it, for years.
//!
//! By itself it lets each of a few threads keep a heap of its own, as large as its largest day: 67 MB with
//! 200 probes after half an hour of restarts, nearly all of it free. Here large pieces are given back to the
//! machine at once, and two heaps are enough for threads that seldom ask. Left out: other C libraries.

/// Pieces from here on are given back to the machine when they are freed: 128 kB.
#[cfg(target_env = "gnu")]
const LARGE: libc::c_int = 128 << 10;

/// For the whole process, before it starts a thread.
#[cfg(target_env = "gnu")]
#[allow(unsafe_code)] // Settings of the allocator, which has no other door.
pub fn keep_little() {
    for (setting, value) in [(libc::M_MMAP_THRESHOLD, LARGE), (libc::M_TRIM_THRESHOLD, LARGE), (libc::M_ARENA_MAX, 2)] {
        // SAFETY: takes two numbers; one it does not like is refused and changes nothing.
        unsafe { libc::mallopt(setting, value) };
    }
}

/// Nothing to be set.
#[cfg(not(target_env = "gnu"))]
pub fn keep_little() {}
