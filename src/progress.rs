//! The progress bar on standard error, if that is a terminal.

use std::io::{IsTerminal as _, stderr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

/// The steps of the bar, whatever its width on the screen.
const STEPS: u64 = 1000;
const REDRAW: Duration = Duration::from_millis(200);

/// Does `work`. If standard error is a terminal, shows in the meantime what `show` returns for the
/// time so far: a share from 0 to 1 and a line of text.
pub(crate) fn watch<T>(
    show: impl Fn(Duration) -> (f64, String) + Sync,
    work: impl FnOnce() -> T,
) -> T {
    if !stderr().is_terminal() {
        return work();
    }
    let bar = bar(STEPS, "{wide_msg}");
    let over = AtomicBool::new(false);
    let started = Instant::now();
    thread::scope(|scope| {
        let painter = scope.spawn(|| {
            while !over.load(Ordering::Relaxed) {
                let (share, message) = show(started.elapsed());
                bar.set_position((share * STEPS as f64) as u64);
                bar.set_message(message);
                thread::park_timeout(REDRAW);
            }
            bar.finish_and_clear();
        });
        // This also happens if `work` panics; otherwise the scope would wait for the painter
        // forever.
        let stop = Stop(|| {
            over.store(true, Ordering::Relaxed);
            painter.thread().unpark();
        });
        let result = work();
        drop(stop);
        result
    })
}

/// A bar with this many steps, followed by `words`, which is a template of the library. The library
/// hides the bar if standard error is not a terminal.
pub(crate) fn bar(steps: u64, words: &str) -> ProgressBar {
    let bar = ProgressBar::new(steps);
    match ProgressStyle::with_template(&format!("[{{bar:12}}] {{percent:>3}} %  {words}")) {
        Ok(style) => bar.with_style(style.progress_chars("=> ")),
        Err(_) => bar,
    }
}

/// Calls something when dropped.
struct Stop<F: Fn()>(F);

impl<F: Fn()> Drop for Stop<F> {
    fn drop(&mut self) {
        (self.0)();
    }
}
