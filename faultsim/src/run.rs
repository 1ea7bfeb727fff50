//! A run from its configuration to its report.

use crate::config::{Config, Mode};
use crate::explore::clock::Clock;
pub use crate::explore::clock::Progress;
use crate::explore::{bad_sectors, edges, random, systematic};
use crate::replay::shrink::shrink;
use crate::report::Report;
use crate::subject::Subject;

#[cfg(test)]
mod second_programs;
#[cfg(test)]
mod tests;

/// Carries out a plan on the current rayon thread pool.
pub fn run<S: Subject>(config: &Config, subject: &S, progress: &Progress) -> Report {
    let clock = Clock::new(config.budget, progress);
    let mut report = match &config.mode {
        Mode::Systematic(plan) => systematic::run(config, plan, subject, &clock),
        Mode::BadSectors(plan) => bad_sectors::run(config, plan, subject, &clock),
        Mode::Random(lives) => random::run(config, lives, subject, &clock),
        Mode::Edges(edges) => edges::run(config, edges, subject, &clock),
    };
    if let Some(limit) = config.shrink {
        for violation in &mut report.violations {
            shrink(violation, subject, limit);
        }
    }
    report
}
