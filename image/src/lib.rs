//! Images of a settings store on a computer.
//!
//! A production line flashes prepared images, support gets dumps of failed units, developers want
//! to know why a setting has its value. Here is what the command `outlast image` decides with,
//! without its arguments and its output; and [`file::FileFlash`], a flash in a file for host
//! programs. Images are made and changed by the real store on a copy in memory.

pub mod build;
pub mod check;
pub mod container;
pub mod diff;
pub mod file;
pub mod find;
pub mod flash;
pub mod flaws;
pub mod mount;
pub mod names;
pub mod record;
pub mod salvage;
mod scan;
#[cfg(test)]
mod scratch;
pub mod settings;
pub mod shape;
pub mod store;
pub mod sum;
pub mod survey;
pub mod tree;
pub mod units;
pub mod value;
