//! The store on the simulated part, with all that is built on it.

#[path = "../opening/mod.rs"]
mod opening;

mod byte_region;
mod changes;
mod counters;
mod flash_facts;
mod layouts;
mod lengths;
mod model;
mod odd_logs;
mod quick_start;
mod typed_settings;
mod unreadable;
