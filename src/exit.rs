//! How the command ends.

use outlast_faultsim::report::Outcome;
use outlast_faultsim::report::Verdict;
use outlast_image::check::Class;

/// The classes of ending. Their numbers are a promise to scripts; `--help` lists them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// The whole plan was carried out and nothing was found; or a token passes now.
    Clean,
    /// A promise was broken; or a token reproduced.
    Violation,
    /// The arguments make no sense.
    Usage,
    /// Nothing was found, but the budget ran out or the run was stopped before the plan was done.
    Incomplete,
    /// The storage code fails without any power cut.
    BaselineFailed,
    /// The rig did not see a planted mistake, or its kill matrix is not the reviewed one.
    NotProved,
    /// The history of a token cannot be followed any more.
    Diverged,
    /// Images: the two differ; or there is no such key.
    Differs,
    /// Images: a file cannot be read or written, or what it says is wrong.
    BadInput,
    /// Images: the settings do not fit.
    DoesNotFit,
    /// Images: an operation was cut off, and the next mount recovers.
    Interrupted,
    /// Images: damaged, or cut short.
    Damaged,
    /// Images: no store.
    NotAStore,
    /// Images: a store of another format version.
    OtherVersion,
    /// A fault of this program, or the result could not be written.
    Internal,
}

/// For `--help`.
pub(crate) const EXIT_CODES: &str = "\
Exit codes:
  0   nothing found, plan complete; replay: the history passes now
  1   violation found; replay: reproduced
  2   wrong usage
  3   incomplete: nothing found, but the budget ran out, or Ctrl-C, before the plan was done
  4   the storage code fails without any power cut
  5   --prove-rig: the rig misses a planted mistake, or the kill matrix is not the reviewed one
  6   replay: diverged, the code no longer does what the token recorded
  70  internal error, or the result could not be written
  130 Ctrl-C twice: ended without a result";

/// For `--help` of the image commands.
pub(crate) const IMAGE_EXIT_CODES: &str = "\
Exit codes:
  0   done; show, check: clean; diff: no setting differs
  1   diff: settings differ; get, delete, show: there is no such key or record
  2   wrong usage
  5   a file cannot be read or written, or what it says is wrong
  8   the settings do not fit into the image
  10  show, check: interrupted, an operation was cut off; the next mount recovers. The other
      commands see what that mount would, and end with 0
  11  damaged, or the dump is cut short; salvage: a newer value may be lost. get, put, delete,
      import, export, diff: done, but values may be older than they should be or lost; standard
      error says why
  12  no store in the dump
  13  a store of another format version
  70  internal error, or the result could not be written";

impl Exit {
    /// The number the process ends with.
    pub(crate) const fn code(self) -> u8 {
        match self {
            Self::Clean => 0,
            Self::Violation => 1,
            Self::Usage => 2,
            Self::Incomplete => 3,
            Self::BaselineFailed => 4,
            Self::NotProved => 5,
            Self::Diverged => 6,
            Self::Differs => 1,
            Self::BadInput => 5,
            Self::DoesNotFit => 8,
            Self::Interrupted => 10,
            Self::Damaged => 11,
            Self::NotAStore => 12,
            Self::OtherVersion => 13,
            Self::Internal => 70,
        }
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Clean => Self::Clean,
            Verdict::Violation => Self::Violation,
            Verdict::Incomplete => Self::Incomplete,
            Verdict::BaselineFailed => Self::BaselineFailed,
        }
    }
}

impl From<Outcome> for Exit {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Reproduced => Self::Violation,
            Outcome::PassesNow => Self::Clean,
            Outcome::Diverged => Self::Diverged,
        }
    }
}

impl From<Class> for Exit {
    fn from(class: Class) -> Self {
        match class {
            Class::Clean => Self::Clean,
            Class::Interrupted => Self::Interrupted,
            Class::Damaged => Self::Damaged,
            Class::NotAStore => Self::NotAStore,
        }
    }
}
