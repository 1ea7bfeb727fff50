//! Images of a settings store on a computer.
//!
//! A production line flashes prepared images, support receives dumps of failed units, and
//! developers want to know why a setting has its value. This library does the work of the command
//! `outlast image`: it returns data and one-line displays, and leaves arguments, pages and tables
//! to the command. It also has [`file::FileFlash`], a flash in a file for host programs. Images are
//! made and changed by the real store on a copy in memory.
//!
//! - Files: [`container`] reads and writes raw binary, Intel HEX and UF2; [`find`] finds the store
//!   in a dump; [`flaws`] says what a file lacks by the rules of its own format.
//! - Understanding an image: [`survey`] reads it without changing it, [`mount`](mod@mount) mounts a
//!   copy, [`check`] gives the verdict, [`salvage`] extracts intact records, [`diff`] compares.
//! - Settings: [`settings`] reads and writes settings files, [`value`] converts typed values,
//!   [`units`] makes one image for each line of a table, [`build`] makes an image.

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
