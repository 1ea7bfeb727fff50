//! The choices that lead to one judged image, and the token that names them.

mod bytes;
pub(crate) mod path;
pub(crate) mod power_cycle;
pub(crate) mod token;
mod token_text;

pub use token::{Token, TokenError};
