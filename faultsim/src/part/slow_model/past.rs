//! What the slow model knows of a part's past: what was programmed since the last erase.

use crate::part::programs::SecondPrograms;

/// What happened to a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Program {
    /// Whether all its bytes were programmed with zeros.
    pub of_zeros: bool,
    /// Whether the program was completed.
    pub complete: bool,
}

/// What a part knows that refuses or counts second programs.
#[derive(Clone, Debug, Default)]
pub(super) struct Past {
    pub(super) rule: SecondPrograms,
    /// For each unit, its programs since the last completed erase.
    pub(super) programs: Vec<Vec<Program>>,
    /// For each sector, whether its last erase was interrupted.
    pub(super) interrupted: Vec<bool>,
    /// For each byte, what it read as when it was last read since power-up.
    pub(super) readings: Vec<Option<u8>>,
    pub(super) repeated_zeros: u64,
    pub(super) most_programs: usize,
}
