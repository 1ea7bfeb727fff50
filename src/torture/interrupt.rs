//! Ctrl-C, and the signals with which a build server ends a job.

/// From now on the first signal calls `first`, which should make the run end soon with the result
/// so far; the second one ends the process at once. A signal that was already ignored when the
/// process started, as under `nohup`, stays ignored. Where there are no such signals, nothing
/// changes.
#[cfg(unix)]
pub(crate) fn on_first(first: impl Fn() + Send + 'static) {
    use std::sync::atomic::{AtomicBool, Ordering};

    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    /// The exit code of a process that Ctrl-C ended: 128 and the number of SIGINT (POSIX shells).
    const INTERRUPTED: i32 = 128 + SIGINT;
    static IS_SET: AtomicBool = AtomicBool::new(false);

    // A second run in one process, as in tests, keeps the first handler.
    if IS_SET.swap(true, Ordering::SeqCst) {
        return;
    }
    let ignored = ignored();
    let wanted =
        [SIGINT, SIGTERM, SIGHUP].into_iter().filter(|signal| ignored >> (signal - 1) & 1 == 0);
    let Ok(mut signals) = Signals::new(wanted) else { return };
    std::thread::spawn(move || {
        let mut signals = signals.forever();
        if signals.next().is_some() {
            eprintln!(
                "\noutlast: stopping; the result so far follows. Press Ctrl-C again to end at once."
            );
            first();
        }
        if signals.next().is_some() {
            std::process::exit(INTERRUPTED);
        }
    });
}

/// The ignored signals, one bit each; the lowest bit is signal 1. Only Linux reports them without
/// `unsafe`.
#[cfg(unix)]
fn ignored() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0)
}

/// There are no POSIX signals here.
#[cfg(not(unix))]
pub(crate) fn on_first(_: impl Fn() + Send + 'static) {}
