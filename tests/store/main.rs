//! The store on the simulated part, with all that is built on it.

mod byte_region;
mod changes;
mod counters;
mod flash_facts;
mod model;
mod typed_settings;
mod unreadable;
