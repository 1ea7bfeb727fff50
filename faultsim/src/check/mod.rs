//! Compares what the code under test reports with what the history allows.
//!
//! [`oracle`] is the set of states that a history allows. `session` powers a part up, runs the code
//! on it and checks every promise that one power-up alone can break; `baseline` does so for the
//! uncut run of a workload, `judge` for one image that a cut left. A broken promise is a
//! [`finding`]. What collateral damage costs is no finding but counted, in [`collateral_loss`].
//! [`coverage`] and [`histogram`] count what was done.
//!
//! It uses the part, workloads and subjects. It never chooses where to cut: that is
//! [`explore`](crate::explore).

pub(crate) mod baseline;
pub mod collateral_loss;
pub mod coverage;
pub mod finding;
pub mod histogram;
pub(crate) mod judge;
pub mod oracle;
pub(crate) mod panics;
pub(crate) mod reading;
pub(crate) mod refusals;
pub(crate) mod session;
