//! The storage implementations that come with the rig, and how to find one by name: Outlast itself
//! in several forms, two common designs that do not survive power cuts, and a way to run other code
//! as a separate program.

mod any;
pub mod naive;
pub mod outlast;
pub mod outlast_settings;
pub mod outlast_spi;
pub mod program;
pub mod table;
pub mod two_copies;

pub use any::{ALL, AnySubject, THROUGH_SPI, by_name};
