//! How long a part lasts under the settings of a product, and what a product must wait for.
//!
//! [`forecast()`] works it out by formula, [`trial()`] by running the store; tests hold the two
//! together.

mod forecast;
mod trial;
mod usage;

pub use forecast::{Best, Blocking, Forecast, forecast, ram_bytes, smallest};
pub use trial::{Trial, trial};
pub use usage::{DAYS_PER_YEAR, PartFigures, Setting, Usage};
