//! How far a call of the driver goes.

/// How far the steps of a job are done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Until {
    /// To the end.
    Done,
    /// Until the command is sent.
    Begun,
    /// As far as they go without a pause, or until some bytes are read back.
    Busy,
}
