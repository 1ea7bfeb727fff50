//! The result of a torture run as files: a page for people, JUnit XML for build servers.

mod cost;
mod coverage;
mod failure;
pub(super) mod junit;
pub(super) mod page;
mod promises;
mod share;
