//! The log in use: which sectors it consists of, which record is a key's current one, and how
//! changes enter it.
//!
//! A change goes from [`commit`], which checks it and decides, to [`append`], or, if the head has
//! no room, to [`compact`], for which [`spare`] finds a sector that can be used. A read goes from [`load`] to the flash. [`lookup`] finds a key's record
//! through the index, and keeps the index up to date. [`state`] holds what is known of the log in
//! RAM, and [`live`] counts how much of it is live.
//!
//! # How this code is kept small
//!
//! The store must fit into 16 KiB of code and 1 KiB of stack, without a branch that can panic. Four
//! idioms serve that, here and in the layers below and above:
//!
//! - **Outlined functions.** `#[cfg_attr(target_pointer_width = "32", inline(never))]` keeps one
//!   copy of a function that is called from several places, on the targets where size matters.
//!   `#[inline(never)]` without a condition is for stack instead: it keeps a large frame out of
//!   its caller's, so that two frames that are not needed at the same time can share the space. A
//!   few functions are `#[inline(always)]` because their frame would be added to every caller's.
//! - **Out-parameters.** A large result such as an [`Opening`](crate::format::opening::Opening) or
//!   a [`LogEnd`](log_end::LogEnd) is written through a `&mut` argument. Returned by value, it
//!   would stand on the stack twice.
//! - **One place for failures.** A driver error is kept in
//!   [`Medium::fault`](crate::flash::medium::Medium::fault). Afterwards no operation has an effect,
//!   so the steps of a call need not return a `Result`. [`Core::outcome`](state::Core::outcome)
//!   reports the failure at the end of the call.
//! - **`get` with a fallback.** `bytes.get(..n).unwrap_or(&[])` stands where `&bytes[..n]` would
//!   do, since the compiler cannot prove that the range is in bounds and would keep a panicking
//!   branch.

pub(crate) mod append;
pub(crate) mod batch;
pub(crate) mod commit;
pub(crate) mod compact;
#[cfg(feature = "counters")]
pub(crate) mod count;
pub(crate) mod item;
pub(crate) mod live;
pub(crate) mod load;
pub(crate) mod log_end;
pub(crate) mod lookup;
pub(crate) mod rewrite;
pub(crate) mod spare;
pub(crate) mod state;
