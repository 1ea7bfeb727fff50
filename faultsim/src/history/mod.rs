//! The choices that lead to one judged image, and the token that names them.

pub(crate) mod path;
pub(crate) mod power_cycle;
pub mod token;
