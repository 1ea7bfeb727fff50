//! Shows whether storage code survives power cuts.
//!
//! # Background
//!
//! A device that keeps settings in NOR flash loses its power at any instant: in the middle of a
//! program, in the middle of an erase, in the middle of the recovery from the cut before. A test
//! that pulls the plug a thousand times meets a few of these instants by chance. This rig makes all
//! of them: it runs the code on a simulated part, cuts the power at every program and erase step,
//! leaves the cells as a real part may leave them, powers up again - cutting inside the recovery
//! too - and compares what the code then reports with everything that the history allows.
//!
//! # What a cut leaves
//!
//! An interrupted program may have cleared any of its bits, and an interrupted erase may leave a
//! sector in any state between its old content and blank. Bits can be left *marginal*: they read
//! differently from one power-up to the next, or from one read to the next, and a sector can look
//! blank without being completely erased. [`part::Level`] orders these faults from F0, where cuts
//! come between steps only, to F5, where a program can damage other bytes of its page or sector.
//! The page of the module [`part`] has the whole fault model as a table.
//!
//! After each cut, [`check::oracle`] knows what the code may report: what it acknowledged must be
//! there; the operation that was interrupted may be there as a whole or not at all; and what one
//! power-up has reported, later ones must report too.
//!
//! # Words
//!
//! | word | means |
//! |---|---|
//! | subject | the storage code under test |
//! | part | the simulated flash chip |
//! | step | the program of one page or the erase of one sector; what a cut can interrupt |
//! | tear | how far the step at a cut got |
//! | image | the content of all cells at one moment, marginal bits included |
//! | cut point | a step of a workload at which the power is cut |
//! | history | what leads to one judged image: operations, cuts, tears, readings of marginal bits |
//! | life | a long random history of one part, with hundreds of cuts |
//! | edge | a start state in which a limit is near, with a short sequence of operations |
//! | baseline run | the run of a workload without cuts |
//! | token | a history as one word to copy and paste |
//!
//! # Your store in thirty lines
//!
//! Implement [`subject::Subject`] and call [`run::run`]. This store keeps all settings in one
//! sector and rewrites that sector for each change, which is not safe:
//!
//! ```
//! use outlast_faultsim::config::Config;
//! use outlast_faultsim::part::{Geometry, Level, Part};
//! use outlast_faultsim::replay::replay;
//! use outlast_faultsim::report::{Outcome, Verdict};
//! use outlast_faultsim::run::{Progress, run};
//! use outlast_faultsim::subject::{KeyNames, Op, Subject, Trouble};
//! use outlast_faultsim::subjects::table::{Table, changes};
//!
//! struct Rewriting;
//!
//! struct Running {
//!     part: Part,
//!     table: Table,
//! }
//!
//! impl Subject for Rewriting {
//!     type Store = Running;
//!
//!     fn name(&self) -> &'static str {
//!         "rewriting"
//!     }
//!
//!     /// Called for every power-up. What is not in the part is lost.
//!     fn open(&self, part: &Part) -> Result<Running, Trouble> {
//!         let mut bytes = [0; 512];
//!         part.chip_mut().read(0, &mut bytes)?;
//!         let len = usize::from(u16::from_le_bytes([bytes[0], bytes[1]]));
//!         let table = bytes.get(2..2 + len).and_then(Table::parse);
//!         Ok(Running { part: part.clone(), table: table.unwrap_or_default() })
//!     }
//!
//!     fn apply(&self, store: &mut Running, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
//!         let mut table = if *op == Op::Clear { Table::default() } else { store.table.clone() };
//!         changes(op, keys).into_iter().for_each(|(key, value)| _ = table.set(key, value));
//!         let body = table.bytes()?;
//!         let len = u16::try_from(body.len()).map_err(|_| Trouble::Full)?;
//!         store.part.chip_mut().erase(0, 512)?;
//!         store.part.chip_mut().program(0, &[&len.to_le_bytes()[..], &body].concat())?;
//!         store.table = table;
//!         Ok(())
//!     }
//!
//!     fn get(&self, store: &mut Running, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
//!         out.clear();
//!         Ok(store.table.get(key.as_bytes()).map(|value| out.extend(value)).is_some())
//!     }
//! }
//!
//! // A dozen operations on a small part, with cuts between steps only.
//! let config = Config::small(Geometry::new(2, 512, 1, 256)?, Level::F0);
//! let report = run(&config, &Rewriting, &Progress::default());
//!
//! // A cut between the erase and the program loses every setting.
//! assert_eq!(report.verdict, Verdict::Violation);
//! let violation = &report.violations[0];
//! println!("{}\n  {}", violation.signature, violation.sentence);
//! violation.operations.iter().for_each(|line| println!("    {line}"));
//! violation.cut_points.iter().for_each(|line| println!("    {line}"));
//!
//! // The token runs this history again, for example in a test of yours.
//! let again = replay(&violation.token.parse()?, &Rewriting);
//! assert_eq!(again.outcome, Outcome::Reproduced);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! [`default_plan::Usual`] has the stages of a thorough run, which are those of the command
//! `outlast torture`. Code in another language runs as a separate program: see
//! [`subjects::program`].
//!
//! # Reading a report
//!
//! - [`verdict`](report::Report::verdict): `Clean` only if the whole plan was carried out and
//!   nothing was found. A run that was stopped early is `Incomplete`, which is not a pass.
//! - [`counts`](report::Report::counts): how many cuts were made, how many different images they
//!   left, and how many were judged. An image with marginal bits is judged several times, since it
//!   can be read in several ways.
//! - [`violations`](report::Report::violations): one for each kind of failure, with the simplest
//!   example found. Its operations, its cuts and a picture of the part before and after each cut
//!   show what happened; its token runs it again ([`replay`]).
//! - [`not_explored`](report::Report::not_explored): what this run does not show. Read it before
//!   you rely on a clean report.
//!
//! The rig itself is tested with planted mistakes: see [`selftest`].

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
