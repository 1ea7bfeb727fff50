//! What a settings store costs: flash operations, wear and device time under a load, beside what
//! theory expects; and how long a part lasts with the settings of a product.
//!
//! # What is counted
//!
//! The store and two simpler schemes (a sector rewrite and two copies) run on the simulated part of
//! `outlast-faultsim`, which counts every call: reads, programs, erases, their bytes, and the
//! erases of each sector. [`table`] does so for several loads and parts, [`growth`] for rising
//! numbers of sectors and keys. The counts are the same on every machine. Times are those of a data
//! sheet ([`sheet`]) applied to the counts; no time of this computer enters.
//!
//! # Which theory it is compared with
//!
//! [`theory`] has the published analysis of log-structured cleaning (Rosenblum and Ousterhout 1992,
//! Desnoyers 2012), its exact form for few sectors, and a balance of log bytes for records of
//! different sizes with power-ups. The table compares measured write amplification or erases per
//! update with it and states the tolerance; a figure outside its tolerance is a mistake of the
//! store or of the theory. `tests/reference` has values from two independent simulators.
//!
//! # How long a part lasts
//!
//! [`endurance`] calculates it for the settings of a product: formulas for the forecast, a run of
//! the store to check it.
//!
//! ```
//! use outlast_costs::endurance::{Best, PartFigures, SettingLoad, Usage, smallest};
//! use outlast_costs::sheet::Sheet;
//!
//! let [sheet, ..] = Sheet::ALL;
//! let part = PartFigures {
//!     most_sectors: 64,
//!     sector_bytes: 4096,
//!     unit: 1,
//!     page: 256,
//!     endurance: sheet.endurance.ok_or("the data sheet does not say")?,
//!     timing: sheet.timing,
//! };
//! // A tide gauge that stores its level every minute and starts twice a day, for ten years.
//! let level = SettingLoad {
//!     name: "level".to_owned(),
//!     count: 1,
//!     key_bytes: 11,
//!     value_bytes: 4,
//!     updates_per_day: 1440.0,
//! };
//! let usage = Usage { settings: vec![level], boots_per_day: 2.0, rests: false, years: 10.0 };
//! let format = usage.format(&part)?;
//! let Best::Smallest(forecast) = smallest(&part, &usage, &format) else { panic!("not enough") };
//! assert_eq!(forecast.sectors, 2);
//! println!("lasts {:?} years", forecast.years);
//! # Ok::<(), String>(())
//! ```
//!
//! Endurance and retention are those of the data sheet of your part and fall with temperature; a
//! forecast is no better than these figures and the rates you give.

pub mod endurance;
pub mod format;
pub mod growth;
pub mod latency;
pub mod load;
pub mod run;
pub mod sheet;
pub mod table;
pub mod theory;
