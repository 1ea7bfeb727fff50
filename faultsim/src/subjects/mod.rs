//! Storage code that comes with the rig, and how to find it by name.

mod any;
pub mod naive;
pub mod outlast;
pub mod outlast_settings;
pub mod outlast_spi;
pub mod program;
pub mod table;
pub mod two_copies;

pub use any::{ALL, AnySubject, THROUGH_SPI, by_name};
