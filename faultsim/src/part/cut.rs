//! How a power cut to come ends the run.

use rand::rngs::ChaCha8Rng;

use super::geometry::Level;
use super::tears::tear::Tear;

/// How the step at a power cut is torn.
#[derive(Debug)]
pub enum CutTear {
    /// In this way.
    Given(Tear),
    /// By [`Tear::draw`], once the step is known.
    Drawn {
        /// How nasty the tear may be.
        level: Level,
        /// Where the choice comes from.
        rng: Box<ChaCha8Rng>,
    },
}

impl From<Tear> for CutTear {
    fn from(tear: Tear) -> Self {
        Self::Given(tear)
    }
}

/// A cut at a moment of the bus rather than at a step. Moments are counted from power-up: each byte
/// on the bus is one, and each pause between transactions.
#[derive(Debug)]
pub enum BusCut {
    /// The supply fails. What the part is busy with is torn so.
    Power(CutTear),
    /// The microcontroller is reset; the part keeps its power and goes on with what it does.
    Reset,
}
