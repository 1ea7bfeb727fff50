//! A storage implementation of any type, and how to find those that come with the rig by name.

use std::time::Duration;

use super::naive::Naive;
use super::outlast::Outlast;
use super::outlast_settings::OutlastSettings;
use super::outlast_spi::OutlastSpi;
use super::two_copies::TwoCopies;
use crate::config::Config;
use crate::explore::clock::Progress;
use crate::history::token::Token;
use crate::report::{Replay, Report, Violation};
use crate::subject::Subject;

/// A [`Subject`] of any type, for choosing one at run time.
pub trait AnySubject: Sync {
    /// See [`Subject::name`].
    fn name(&self) -> &'static str;

    /// See [`Subject::has_counters`].
    fn has_counters(&self) -> bool;

    /// See [`Subject::is_on_bus`].
    fn is_on_bus(&self) -> bool;

    /// See [`crate::run::run`].
    fn run(&self, config: &Config, progress: &Progress) -> Report;

    /// See [`crate::replay::replay`].
    fn replay(&self, token: &Token) -> Replay;

    /// See [`crate::replay::shrink::shrink`].
    fn shrink(&self, violation: &mut Violation, limit: Duration);
}

impl<S: Subject> AnySubject for S {
    fn name(&self) -> &'static str {
        Subject::name(self)
    }

    fn is_on_bus(&self) -> bool {
        Subject::is_on_bus(self)
    }

    fn has_counters(&self) -> bool {
        Subject::has_counters(self)
    }

    fn run(&self, config: &Config, progress: &Progress) -> Report {
        crate::run::run(config, self, progress)
    }

    fn replay(&self, token: &Token) -> Replay {
        crate::replay::replay(token, self)
    }

    fn shrink(&self, violation: &mut Violation, limit: Duration) {
        crate::replay::shrink::shrink(violation, self, limit);
    }
}

/// All subjects of this crate.
pub const ALL: [&dyn AnySubject; 4] = [&Outlast, &OutlastSettings, &TwoCopies, &Naive];

/// Outlast on top of the driver for serial chips.
pub const THROUGH_SPI: &dyn AnySubject = &OutlastSpi { mistake: None };

/// The subject of this name, if there is one: one of [`ALL`], [`THROUGH_SPI`], the reference store
/// `reference`, or that store with a planted mistake, such as `planted:opening-suffices`.
pub fn by_name(name: &str) -> Option<&'static dyn AnySubject> {
    let known = ALL.into_iter().chain([THROUGH_SPI]).find(|subject| subject.name() == name);
    known.or_else(|| crate::selftest::mutants::by_name(name).map(|found| found as &dyn AnySubject))
}
