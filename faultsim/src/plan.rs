//! A run from its configuration to its report.

use crate::clock::Clock;
pub use crate::clock::Progress;
pub use crate::config::{Config, Deep, Mode, Systematic};
use crate::deep;
use crate::edges;
use crate::explore;
use crate::minimise;
pub use crate::report::{Report, Verdict};
use crate::subject::Subject;

mod usual;

pub use usual::{Usual, lives};

#[cfg(test)]
mod tests;

/// Carries out a plan on the current rayon thread pool.
pub fn run<S: Subject>(config: &Config, subject: &S, progress: &Progress) -> Report {
    let clock = Clock::new(config.budget, progress);
    let mut report = match &config.mode {
        Mode::Systematic(systematic) => explore::run(config, systematic, subject, &clock),
        Mode::Deep(deep) => deep::run(config, deep, subject, &clock),
        Mode::Edges(edges) => edges::run(config, edges, subject, &clock),
    };
    if let Some(limit) = config.minimise {
        for violation in &mut report.violations {
            minimise::shrink(violation, subject, limit);
        }
    }
    report
}
