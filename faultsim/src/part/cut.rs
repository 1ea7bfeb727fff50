//! How a planned power cut ends the run.

use rand::rngs::ChaCha8Rng;

use super::geometry::Level;
use super::tears::tear::Tear;

/// How the step at a power cut is torn.
#[derive(Debug)]
pub enum CutTear {
    /// As given.
    Given(Tear),
    /// Drawn by [`Tear::draw`] once the step is known.
    Drawn {
        /// How severe the tear may be.
        level: Level,
        /// The source of randomness.
        rng: Box<ChaCha8Rng>,
    },
}

impl From<Tear> for CutTear {
    fn from(tear: Tear) -> Self {
        Self::Given(tear)
    }
}

/// A cut at a moment of the bus instead of at a step. Moments are counted from power-up: each byte
/// on the bus is one, and so is each pause between transactions.
#[derive(Debug)]
pub enum BusCut {
    /// The supply fails, and whatever the part is busy with is torn this way.
    Power(CutTear),
    /// The supply of the part alone fails for a moment, while the microcontroller runs on: whatever
    /// the part is busy with is torn this way, and then its status reads as if it had finished.
    Dip(CutTear),
    /// The microcontroller is reset; the part keeps its power and continues what it is doing.
    Reset,
}
