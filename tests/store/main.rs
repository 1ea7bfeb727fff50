//! The store on the simulated part, with everything that is built on it.
//!
//! Goal: the public calls keep the promises of their documentation. Method: each module states its
//! own; most compare the store with a plain model, over power cuts.

#[path = "../opening/mod.rs"]
mod opening;

mod bad_sectors;
mod byte_region;
mod changes;
mod copying;
mod counters;
mod damage;
mod faulty_part;
mod fits;
mod flash_facts;
mod iteration;
mod layouts;
mod lengths;
mod misuse;
mod model;
mod odd_logs;
mod old_decisions;
mod page_code;
mod part;
mod quick_start;
mod refused_slots;
mod retired_tails;
mod scrub;
mod silent_erases;
mod spares;
mod typed_settings;
mod unreadable;
mod view;
mod whole;
