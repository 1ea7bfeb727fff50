//! Exit codes.

use outlast_faultsim::report::Outcome;
use outlast_faultsim::report::Verdict;
use outlast_image::check::Class;

/// How a command ends. Scripts rely on the numbers; each command lists its own under `--help`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// The whole plan was carried out and nothing was found, or a token passes now.
    Clean,
    /// A promise was broken, or a token reproduced.
    Violation,
    /// The arguments are wrong.
    Usage,
    /// Nothing was found, but the budget ran out or the run was stopped before the end of the plan.
    Incomplete,
    /// The store fails without any power cut.
    BaselineFailed,
    /// The rig missed a planted mistake, or its kill matrix is not the reviewed one.
    NotProved,
    /// The history of a token can no longer be followed.
    Diverged,
    /// Images: the two differ, or there is no such key.
    Differs,
    /// Images: a file cannot be read or written, or its contents are wrong.
    BadInput,
    /// Images: the settings do not fit.
    DoesNotFit,
    /// Images: an operation was interrupted, and the next mount recovers.
    Interrupted,
    /// Images: damaged, or cut short.
    Damaged,
    /// Images: no store.
    NotAStore,
    /// Images: a store of another format version.
    OtherVersion,
    /// An error in this program, or the result could not be written.
    Internal,
}

/// What every command can end with.
const COMMON: [(u8, &str); 2] =
    [(2, "wrong usage"), (70, "internal error, or the result could not be written")];

/// The end of a command's help: examples, and the exit codes of this command. A code in `own`
/// replaces a common one.
pub(crate) fn after_help(examples: &str, own: &[(u8, &str)]) -> String {
    let common = COMMON.iter().filter(|(code, _)| own.iter().all(|(other, _)| other != code));
    let mut codes: Vec<_> = own.iter().chain(common).collect();
    codes.sort_by_key(|(code, _)| *code);
    let lines = codes.iter().map(|(code, meaning)| format!("  {code:<3} {meaning}"));
    format!("{examples}\n\nExit codes:\n{}", lines.collect::<Vec<_>>().join("\n"))
}

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
