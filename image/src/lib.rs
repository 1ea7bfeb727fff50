//! Images of a settings store on a computer.
//!
//! A production line flashes prepared images, support gets dumps of failed units, developers want
//! to know why a setting has its value. Here is what the command `outlast image` decides with,
//! without its arguments and its output; and [`file::FileFlash`], a flash in a file for host
//! programs. Images are made and changed by the real store on a copy in memory.

pub mod file;
pub mod flash;
#[cfg(test)]
mod scratch;
pub mod shape;
pub mod store;
