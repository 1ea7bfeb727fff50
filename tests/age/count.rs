//! How many runs a test makes, and what it prints about them.

use std::env;
use std::fmt::Display;

/// The number in an environment variable, or the default.
///
/// # Panics
/// If the variable is set to something that is no number.
pub(crate) fn count(variable: &str, default: u64) -> u64 {
    env::var(variable).map_or(default, |text| text.parse().expect("a number"))
}

/// Prints the line that sums up some runs.
pub(crate) fn summary(name: impl Display, counts: impl Display) {
    println!("{:<44} {counts}", name.to_string());
}
