//! Storage code that comes with the rig, and how to find it by name.

pub mod naive;
pub mod outlast;
pub mod outlast_settings;
pub mod outlast_spi;
pub mod program;
pub mod table;
pub mod two_copies;

use std::time::Duration;

use crate::clock::Progress;
use crate::config::Config;
use crate::minimise;
use crate::plan::{self};
use crate::report::{Report, Violation};
use crate::subject::Subject;
use crate::token::{Replay, Token};

/// A [`Subject`] of any type, for choosing one at run time.
pub trait AnySubject: Sync {
    /// See [`Subject::name`].
    fn name(&self) -> &'static str;

    /// See [`Subject::has_counters`].
    fn has_counters(&self) -> bool;

    /// See [`plan::run`].
    fn run(&self, config: &Config, progress: &Progress) -> Report;

    /// See [`crate::token::replay`].
    fn replay(&self, token: &Token) -> Replay;

    /// See [`minimise::shrink`].
    fn shrink(&self, violation: &mut Violation, limit: Duration);
}

impl<S: Subject> AnySubject for S {
    fn name(&self) -> &'static str {
        Subject::name(self)
    }

    fn has_counters(&self) -> bool {
        Subject::has_counters(self)
    }

    fn run(&self, config: &Config, progress: &Progress) -> Report {
        plan::run(config, self, progress)
    }

    fn replay(&self, token: &Token) -> Replay {
        crate::replay::replay(token, self)
    }

    fn shrink(&self, violation: &mut Violation, limit: Duration) {
        minimise::shrink(violation, self, limit);
    }
}

/// All subjects of this crate.
pub const ALL: [&dyn AnySubject; 4] =
    [&outlast::Outlast, &outlast_settings::OutlastSettings, &two_copies::TwoCopies, &naive::Naive];

/// Outlast with the driver for serial chips below it.
pub const THROUGH_SPI: &dyn AnySubject = &outlast_spi::OutlastSpi { mistake: None };

/// The subject of this name, if there is one: of [`ALL`], or the reference store, `reference`, or
/// it with a mistake planted, like `planted:no-mark`.
pub fn by_name(name: &str) -> Option<&'static dyn AnySubject> {
    let known = ALL.into_iter().chain([THROUGH_SPI]).find(|subject| subject.name() == name);
    known.or_else(|| crate::reference::by_name(name).map(|found| found as &dyn AnySubject))
}
