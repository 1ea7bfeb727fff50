//! The simulated part: memory cells, what a power cut leaves in them, and the handle a store sees.
