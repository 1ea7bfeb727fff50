//! A rig that shows whether storage code survives power cuts.
//!
//! It runs the code on a simulated NOR flash part ([`device`]), cuts the power at every program
//! and erase step, leaves the cells as a real part may leave them, powers up again - cutting
//! inside the recovery too - and compares what the code then reports with everything the history
//! allows ([`oracle`]).
//!
//! To put code of your own under the rig, implement [`subject::Subject`] and call [`plan::run`]; code
//! in another language runs as a program of its own ([`subjects::program`]):
//!
//! ```
//! use outlast_faultsim::device::{Geometry, Level};
//! use outlast_faultsim::plan::{Config, Progress, Verdict, run};
//! use outlast_faultsim::subjects::two_copies::TwoCopies;
//!
//! let geometry = Geometry::new(2, 512, 1, 256)?;
//! let config = Config::small(geometry, Level::F0);
//! let report = run(&config, &TwoCopies, &Progress::default());
//! assert_eq!(report.verdict, Verdict::Clean);
//! # Ok::<(), outlast_faultsim::device::GeometryError>(())
//! ```

mod checksum;
mod clock;
mod collide;
pub mod config;
mod deep;
pub mod device;
pub mod edges;
mod era;
mod explore;
pub mod finding;
mod follow;
mod found;
pub mod harm;
mod intern;
mod job;
mod judge;
pub mod ledger;
mod life;
mod memory;
pub mod minimise;
pub mod oracle;
mod panics;
pub mod parts;
mod path;
pub mod plan;
pub mod prove;
pub mod reference;
mod refusals;
pub mod replay;
pub mod report;
pub mod scene;
pub mod serial;
mod session;
mod setting;
pub mod spread;
pub mod subject;
pub mod subjects;
pub mod token;
mod trace;
pub mod workload;
