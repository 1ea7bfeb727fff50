//! Chooses where to cut, makes the images that the cuts leave, and has them judged.
//!
//! Four modes: `systematic` cuts every step of a workload and of the recoveries that follow; its
//! work is done one `cut_point` at a time. [`edges`] does the same for short sequences of
//! operations from chosen start states. `bad_sectors` does it with a sector that goes bad. `random` draws whole lives with hundreds of cuts
//! (`random_life`).
//!
//! `context` is what all cut points of a run share. `images` recognises an image that was met
//! before, `cache` knows what it showed then, and `sampling` decides how much further work it is
//! worth. `example` is what is kept of an image that fails, and `retell` follows its history once
//! more to put it into words. `collisions` works out torn programs that pass a linear check, and
//! `clock` says when to stop.
//!
//! It uses [`check`](crate::check), [`history`](crate::history) and [`report`](crate::report).
//! Nothing here decides whether an answer is right.

pub(crate) mod bad_sectors;
pub(crate) mod cache;
pub mod clock;
pub(crate) mod collisions;
pub(crate) mod context;
pub(crate) mod cut_point;
pub mod edges;
pub(crate) mod example;
pub(crate) mod images;
pub(crate) mod random;
pub(crate) mod random_life;
pub(crate) mod retell;
pub(crate) mod sampling;
pub(crate) mod systematic;
