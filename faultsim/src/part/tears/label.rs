//! Kinds of tear as reports count them. The `Display` texts are also the keys of the JSON result.

use core::fmt;

use super::tear::{Done, Fill, Kind, Pick, Tear};
use crate::part::cells::Step;

/// What kind of tear a cut left. The coverage of a run counts by these.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TearLabel {
    /// The cut fell between two steps.
    Between,
    /// A program that had no effect.
    ProgramNothing,
    /// A complete program that was not acknowledged.
    ProgramEverything,
    /// The first bits of a program, in order of address.
    ProgramFirst,
    /// The last bits of a program.
    ProgramLast,
    /// One run of bits in the middle.
    ProgramOnly,
    /// All but a few bits.
    ProgramAllBut,
    /// Every other bit or byte.
    ProgramEveryOther,
    /// A random subset of the bits.
    ProgramRandom,
    /// A subset chosen to fool checks.
    ProgramChosen,
    /// Any program that leaves marginal bits.
    ProgramMarginal,
    /// A program that damaged other bytes of its page or sector.
    ProgramCollateral,
    /// An erase that had no effect.
    EraseNothing,
    /// A complete erase that was not acknowledged.
    EraseEverything,
    /// An erase that was programming the sector to zero.
    EraseZeroing,
    /// A sector all zero.
    EraseZero,
    /// A sector cut during its erase pulses: zeros and ones mixed, or some old zeros lost.
    EraseMixed,
    /// A sector in two phases, one at its front or in its middle and another in the rest.
    EraseTwoPhases,
    /// Any erase that leaves marginal bits, including one after which the sector looks blank.
    EraseMarginal,
}

impl TearLabel {
    /// All kinds, in the order of a report.
    pub const ALL: [Self; 19] = [
        Self::Between,
        Self::ProgramNothing,
        Self::ProgramEverything,
        Self::ProgramFirst,
        Self::ProgramLast,
        Self::ProgramOnly,
        Self::ProgramAllBut,
        Self::ProgramEveryOther,
        Self::ProgramRandom,
        Self::ProgramChosen,
        Self::ProgramMarginal,
        Self::ProgramCollateral,
        Self::EraseNothing,
        Self::EraseEverything,
        Self::EraseZeroing,
        Self::EraseZero,
        Self::EraseMixed,
        Self::EraseTwoPhases,
        Self::EraseMarginal,
    ];

    /// The kind of a tear of `step`; without a step, that of a cut between steps.
    pub fn of(step: Option<&Step>, tear: &Tear) -> Self {
        let erases = match step {
            None => return Self::Between,
            Some(Step::Erase { .. }) => true,
            Some(Step::Program { .. }) => false,
        };
        match &tear.0 {
            Kind::Nothing if erases => Self::EraseNothing,
            Kind::Nothing => Self::ProgramNothing,
            Kind::Everything if erases => Self::EraseEverything,
            Kind::Everything => Self::ProgramEverything,
            Kind::Collateral(_) => Self::ProgramCollateral,
            Kind::Program(torn) if torn.marginal != Pick::Nothing => Self::ProgramMarginal,
            Kind::Program(torn) => match torn.done {
                Done::First(_) => Self::ProgramFirst,
                Done::Last(_) => Self::ProgramLast,
                Done::Only { .. } => Self::ProgramOnly,
                Done::AllBut { .. } | Done::AllButInByte { .. } => Self::ProgramAllBut,
                Done::EveryOther { .. } | Done::EveryOtherByte { .. } => Self::ProgramEveryOther,
                Done::Toss(_) | Done::Front { .. } => Self::ProgramRandom,
                Done::Mask(_) | Done::AllButThese(_) => Self::ProgramChosen,
            },
            Kind::Erase(torn) if torn.marginal != Pick::Nothing => Self::EraseMarginal,
            Kind::Erase(torn) if torn.inside != torn.outside && torn.from < torn.to => {
                Self::EraseTwoPhases
            }
            Kind::Erase(torn) => match torn.outside {
                Fill::Old => Self::EraseNothing,
                Fill::Zeroing(_) => Self::EraseZeroing,
                Fill::Zero => Self::EraseZero,
                Fill::Ones => Self::EraseEverything,
                Fill::Mixed(_) | Fill::Rising(_) => Self::EraseMixed,
            },
        }
    }
}

impl fmt::Display for TearLabel {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(match self {
            Self::Between => "between two steps",
            Self::ProgramNothing => "program: nothing done",
            Self::ProgramEverything => "program: all done, not acknowledged",
            Self::ProgramFirst => "program: first bits",
            Self::ProgramLast => "program: last bits",
            Self::ProgramOnly => "program: bits in the middle",
            Self::ProgramAllBut => "program: all but a few bits",
            Self::ProgramEveryOther => "program: every other bit or byte",
            Self::ProgramRandom => "program: random subset",
            Self::ProgramChosen => "program: chosen subset",
            Self::ProgramMarginal => "program: with marginal bits",
            Self::ProgramCollateral => "program: with damage beside it",
            Self::EraseNothing => "erase: nothing done",
            Self::EraseEverything => "erase: all done, not acknowledged",
            Self::EraseZeroing => "erase: programming to zero",
            Self::EraseZero => "erase: all zero",
            Self::EraseMixed => "erase: pulses under way",
            Self::EraseTwoPhases => "erase: two phases in one sector",
            Self::EraseMarginal => "erase: with marginal bits",
        })
    }
}
