//! How long a part lasts with the settings of a product, and how long the product's calls may
//! block.
//!
//! [`forecast()`] calculates it with formulas, [`simulate()`] by running the store; tests check
//! that the two agree.

mod blocking;
mod forecast;
mod ram;
mod simulate;
mod usage;

pub use blocking::Blocking;
pub use forecast::{Best, Forecast, forecast, smallest};
pub use ram::ram_bytes;
pub use simulate::{Simulation, simulate};
pub use usage::{DAYS_PER_YEAR, PartFigures, SettingLoad, Usage};
