//! What the benchmark measures.

use crate::load::Load;
use outlast_faultsim::part::{Geometry, Timing};

/// What to measure.
#[derive(Clone, Debug)]
pub struct Bench {
    /// The part on which the schemes are compared.
    pub geometry: Geometry,
    /// Its times.
    pub timing: Timing,
    /// Bytes of a key.
    pub key_bytes: u32,
    /// Bytes of a value.
    pub value_bytes: u32,
    /// Share of the room for live records that is in use, in the comparison.
    pub utilisation: f64,
    /// Loads of the comparison; the skewed ones among them are also compared with theory.
    pub loads: Vec<Load>,
    /// Numbers of sectors that are compared with theory.
    pub sectors: Vec<u32>,
    /// Utilisations that are compared with theory.
    pub utilisations: Vec<f64>,
    /// How often the log goes round in each run, not counting the warm-up.
    pub rounds: u32,
    /// Whether to measure the growth with sectors and keys.
    pub growth: bool,
    /// Seed of all random numbers.
    pub seed: u64,
}

impl Bench {
    /// The default: 16-byte values under 2-byte keys on four sectors, half full.
    pub fn usual(geometry: Geometry, timing: Timing) -> Self {
        Self {
            geometry,
            timing,
            key_bytes: 2,
            value_bytes: 16,
            utilisation: 0.5,
            loads: Load::ALL.to_vec(),
            sectors: vec![2, 3, 4, 8, 16],
            utilisations: vec![0.25, 0.5, 0.8],
            rounds: 200,
            growth: true,
            seed: 1,
        }
    }
}
