//! The choices that lead to one judged image, and the token that names them.
//!
//! A systematic history is a `path`: for each cut its step, its tear and how marginal bits read. A
//! random life is drawn from a seed, one `power_cycle` after the other. A [`Token`] holds either,
//! and `token_text` writes it as a short word.
//!
//! This is data only. Nothing here runs the code under test.

mod bytes;
pub(crate) mod path;
pub(crate) mod power_cycle;
pub(crate) mod token;
mod token_text;

pub use token::{Token, TokenError};
