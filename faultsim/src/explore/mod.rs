//! Chooses cuts, makes the images they leave, and has them judged.

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
