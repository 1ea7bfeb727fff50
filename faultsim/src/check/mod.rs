//! Compares what the code under test reports with what the history allows.

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
