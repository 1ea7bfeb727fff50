//! Workloads: the operations that a device carries out while its power is cut.
//!
//! A [`WorkloadSource`](source::WorkloadSource) names a workload in a few bytes, so that a token
//! can hold it: the life of a tide gauge ([`tide_gauge`]), random operations ([`mix`]), or a short
//! sequence of operations from a chosen start state ([`edge`]).
//!
//! Workloads are made for a geometry, and for no store in particular. The same arguments always
//! give the same workload: tokens depend on it.

mod definition;
pub mod edge;
pub mod mix;
mod rotation;
pub mod source;
pub mod tide_gauge;
mod value;

pub use definition::Workload;
pub(crate) use value::mixed;
pub use value::stamped;
