//! The order of the commands that change the chip or wait for it, as a step machine without I/O.
//!
//! [`Machine::step`] says what to do next on the bus, and [`Machine::answer`] and
//! [`Machine::compare`] take what was read. A front does the steps; `crate::front` is the blocking
//! one. The machine holds everything that must survive between two calls: what is in progress in
//! the chip, whether it sleeps, and whether its address mode is sure.

mod answer;
mod commands;
mod compare;
mod job;
mod protected;
mod state;

pub(crate) use compare::COMPARED_BYTES;
pub(crate) use job::Job;
pub(crate) use state::{Machine, Step};
