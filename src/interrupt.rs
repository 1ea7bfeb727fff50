//! Ctrl-C, and the signals by which a build server ends a job.

use std::sync::atomic::{AtomicBool, Ordering};

/// The exit code of a process that Ctrl-C ended: 128 and the number of SIGINT (POSIX shells).
const INTERRUPTED: i32 = 130;

/// From now on the first signal calls `first`, which should make the run end soon with what it has;
/// the second one ends the process at once. Where signals cannot be had, nothing changes.
pub(crate) fn on_first(first: impl Fn() + Send + 'static) {
    let pressed = AtomicBool::new(false);
    let handler = move || {
        if pressed.swap(true, Ordering::SeqCst) {
            std::process::exit(INTERRUPTED);
        }
        eprintln!("\noutlast: stopping; the result so far follows. Once more to end at once.");
        first();
    };
    // A second run in one process, as in tests, keeps the first handler.
    let _ = ctrlc::try_set_handler(handler);
}
