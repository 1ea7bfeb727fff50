//! Why an image command ends early.

use crate::exit::Exit;

/// Why a command ended early: the exit class and what standard error says.
#[derive(Debug)]
pub(super) struct Stop {
    pub(super) exit: Exit,
    pub(super) why: String,
}

impl Stop {
    pub(super) fn new(exit: Exit, why: impl Into<String>) -> Self {
        Self { exit, why: why.into() }
    }
}

impl From<anyhow::Error> for Stop {
    fn from(error: anyhow::Error) -> Self {
        Self::new(Exit::Internal, format!("{error:#}"))
    }
}
