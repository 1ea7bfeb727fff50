//! Age, wear and noise: what the store owes when the flash does not keep or do what it should.
//!
//! Goal: nothing that was acknowledged is lost, becomes older or is refused without an error, and
//! reading wears nothing. Method: a flash in RAM that has nothing in common with the simulated part
//! of the rig, short lives of a store on many geometries, and one fault in every possible place or
//! at every possible moment. A plain model of the settings judges the answers.
//!
//! Numbers of runs are small by default. Environment variables make them larger: each module names
//! its own.

mod api;
mod at_rest;
mod bad_cell;
mod bad_reads;
mod bad_sector;
mod count;
mod flash;
mod history;
mod life;
mod nor;
mod outcome;
mod shape;
mod trial;
mod unreadable;
mod wear;
