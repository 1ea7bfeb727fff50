//! A rig that shows whether storage code survives power cuts.
//!
//! It runs the code on a simulated NOR flash part ([`part`]), cuts the power at every program
//! and erase step, leaves the cells as a real part may leave them, powers up again - cutting
//! inside the recovery too - and compares what the code then reports with everything the history
//! allows ([`check::oracle`]).
//!
//! To put code of your own under the rig, implement [`subject::Subject`] and call [`run::run`]; code
//! in another language runs as a program of its own ([`subjects::program`]):
//!
//! ```
//! use outlast_faultsim::part::{Geometry, Level};
//! use outlast_faultsim::config::Config;
//! use outlast_faultsim::report::Verdict;
//! use outlast_faultsim::run::{Progress, run};
//! use outlast_faultsim::subjects::two_copies::TwoCopies;
//!
//! let geometry = Geometry::new(2, 512, 1, 256)?;
//! let config = Config::small(geometry, Level::F0);
//! let report = run(&config, &TwoCopies, &Progress::default());
//! assert_eq!(report.verdict, Verdict::Clean);
//! # Ok::<(), outlast_faultsim::part::GeometryError>(())
//! ```

pub mod ablation;
pub mod check;
mod checksum;
pub mod config;
pub mod default_plan;
pub mod explore;
pub mod history;
pub mod part;
pub mod replay;
pub mod report;
pub mod run;
pub mod selftest;
pub mod subject;
pub mod subjects;
pub mod workload;
