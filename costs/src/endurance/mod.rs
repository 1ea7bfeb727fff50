//! How long a part lasts with the settings of a product, and how long the product's calls may
//! block.
//!
//! [`forecast()`] calculates it with formulas, [`simulate()`] by running the store; tests check
//! that the two agree.

mod forecast;
mod simulate;
mod usage;

pub use forecast::{Best, Blocking, Forecast, forecast, ram_bytes, smallest};
pub use simulate::{Simulation, simulate};
pub use usage::{DAYS_PER_YEAR, PartFigures, SettingLoad, Usage};
