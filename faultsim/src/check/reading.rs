//! How marginal cells read in a power-up of a systematic run.

use crate::ablation::Mechanism;
use crate::part::Bias;
use crate::workload::mixed;

/// How marginal cells read in one power-up of a systematic run: one of a short list, whose
/// seeds depend on the place of the cut before it.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
pub(crate) enum BiasPick {
    /// There are no marginal cells, or each reads as the value it is nearer to.
    Stored,
    Zeros,
    Ones,
    Fixed,
    Flicker,
    /// At most one change within the power-up; `TwoFlips`: at most two.
    OneFlip,
    TwoFlips,
}

impl BiasPick {
    /// What is tried on an image: one power-up if nothing is marginal, else several; after a second
    /// or later cut two of them, alternating with the number of the tear.
    pub(crate) const fn list(has_marginal: bool, cuts: usize, tear: u32) -> &'static [Self] {
        match (has_marginal, cuts, tear % 2) {
            (false, ..) => &[Self::Stored],
            (true, 0 | 1, 0) => {
                &[Self::Zeros, Self::Ones, Self::Fixed, Self::Flicker, Self::OneFlip]
            }
            (true, 0 | 1, _) => {
                &[Self::Zeros, Self::Ones, Self::Fixed, Self::Flicker, Self::TwoFlips]
            }
            (true, _, 0) => &[Self::Ones, Self::Fixed],
            (true, ..) => &[Self::Zeros, Self::Flicker],
        }
    }

    /// A different reading, for a later power-up of the same image.
    pub(crate) const fn other(self) -> Self {
        match self {
            Self::Zeros | Self::Stored => Self::Ones,
            Self::Ones => Self::Zeros,
            // The caller passes another seed.
            Self::Fixed | Self::Flicker | Self::OneFlip | Self::TwoFlips => self,
        }
    }

    pub(crate) fn bias(self, seed: u64) -> Bias {
        match self {
            Self::Stored => Bias::stored(),
            Self::Zeros => Bias::ZEROS,
            Self::Ones => Bias::ONES,
            Self::Fixed => Bias::seeded(mixed(seed)),
            Self::Flicker => Bias::flicker(mixed(seed)),
            Self::OneFlip => Bias::flipping(mixed(seed), false),
            Self::TwoFlips => Bias::flipping(mixed(seed), true),
        }
    }

    /// The mechanism of the rig that it needs.
    pub(crate) const fn mechanism(self) -> Option<Mechanism> {
        match self {
            Self::Stored => None,
            Self::Zeros | Self::Ones | Self::Fixed => Some(Mechanism::PerBoot),
            Self::Flicker | Self::OneFlip | Self::TwoFlips => Some(Mechanism::PerRead),
        }
    }

    pub(crate) const ALL: [Self; 7] = [
        Self::Stored,
        Self::Zeros,
        Self::Ones,
        Self::Fixed,
        Self::Flicker,
        Self::OneFlip,
        Self::TwoFlips,
    ];
}
