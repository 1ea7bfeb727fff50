//! The mechanisms of the rig that can be switched off, to see what each contributes.

use serde::{Deserialize, Serialize};

use crate::part::{FaultClass, Level};

/// One mechanism of the rig: a class of faults, or a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mechanism {
    /// Cuts between two steps; cannot be switched off.
    Between,
    /// A further cut in a recovery.
    Nested,
    /// A further cut in the operations after a recovery.
    Later,
    /// Programs that stop half-way in unit order.
    ProgramOrder,
    /// Erases that stop half-way in unit order.
    EraseOrder,
    /// Programs in which any subset of the bits is done.
    ProgramSubset,
    /// Erases cut in any phase: old, zeroing, zero, mixed, blank.
    ErasePhase,
    /// Bits that an interrupted program leaves marginal.
    MarginalProgram,
    /// Sectors that an interrupted erase leaves weak, that is incompletely erased; above all those
    /// that look blank.
    WeakErase,
    /// Marginal bits that read the same throughout one power-up and differently in the next.
    PerBoot,
    /// Marginal bits that read differently from one read to the next.
    PerRead,
    /// Subsets chosen to fool the checks of records.
    Adversarial,
    /// Damage to other bytes of the page under an interrupted program.
    Collateral,
    /// The code comes up a second time with nothing written in between.
    SecondLook,
    /// More is written, and the code comes up again.
    GoOn,
    /// More is written than the part holds.
    #[serde(rename = "turn-over")]
    RewriteAll,
}

impl Mechanism {
    /// All of them, the classes of faults first, mildest level first.
    pub const ALL: [Self; 16] = [
        Self::Between,
        Self::Nested,
        Self::Later,
        Self::ProgramOrder,
        Self::EraseOrder,
        Self::ProgramSubset,
        Self::ErasePhase,
        Self::MarginalProgram,
        Self::WeakErase,
        Self::PerBoot,
        Self::PerRead,
        Self::Adversarial,
        Self::Collateral,
        Self::SecondLook,
        Self::GoOn,
        Self::RewriteAll,
    ];

    /// The mildest fault level that has it.
    pub const fn level(self) -> Level {
        match self {
            Self::ProgramOrder | Self::EraseOrder => Level::F1,
            Self::ProgramSubset | Self::ErasePhase => Level::F2,
            Self::MarginalProgram | Self::WeakErase | Self::PerBoot | Self::PerRead => Level::F3,
            Self::Adversarial => Level::F4,
            Self::Collateral => Level::F5,
            _ => Level::F0,
        }
    }

    /// Whether it is a class of faults, not a check.
    pub const fn is_fault(self) -> bool {
        !matches!(self, Self::SecondLook | Self::GoOn | Self::RewriteAll)
    }

    /// Its name, as in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Between => "between",
            Self::Nested => "nested",
            Self::Later => "later",
            Self::ProgramOrder => "program-order",
            Self::EraseOrder => "erase-order",
            Self::ProgramSubset => "program-subset",
            Self::ErasePhase => "erase-phase",
            Self::MarginalProgram => "marginal-program",
            Self::WeakErase => "weak-erase",
            Self::PerBoot => "per-boot",
            Self::PerRead => "per-read",
            Self::Adversarial => "adversarial",
            Self::Collateral => "collateral",
            Self::SecondLook => "second-look",
            Self::GoOn => "go-on",
            Self::RewriteAll => "turn-over",
        }
    }
}

impl From<FaultClass> for Mechanism {
    fn from(class: FaultClass) -> Self {
        match class {
            FaultClass::Whole => Self::Between,
            FaultClass::ProgramOrder => Self::ProgramOrder,
            FaultClass::EraseOrder => Self::EraseOrder,
            FaultClass::ProgramSubset => Self::ProgramSubset,
            FaultClass::ErasePhase => Self::ErasePhase,
            FaultClass::MarginalProgram => Self::MarginalProgram,
            FaultClass::WeakErase => Self::WeakErase,
            FaultClass::Adversarial => Self::Adversarial,
            FaultClass::Collateral => Self::Collateral,
        }
    }
}

/// A set of [`Mechanism`]s.
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mechanisms(u32);

impl Mechanisms {
    /// No mechanism.
    pub const NONE: Self = Self(0);

    /// The same with this mechanism.
    #[must_use]
    pub const fn with(self, mechanism: Mechanism) -> Self {
        Self(self.0 | 1 << mechanism as u32)
    }

    /// Whether the mechanism is in it.
    pub const fn has(self, mechanism: Mechanism) -> bool {
        self.0 >> mechanism as u32 & 1 == 1
    }

    /// What is in either.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// What is in both.
    #[must_use]
    pub const fn common(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// The mechanisms, in order.
    pub fn iter(self) -> impl Iterator<Item = Mechanism> {
        Mechanism::ALL.into_iter().filter(move |&mechanism| self.has(mechanism))
    }

    /// The mildest fault level that has all of them.
    pub fn level(self) -> Level {
        self.iter().map(Mechanism::level).max().unwrap_or(Level::F0)
    }
}

impl From<Mechanism> for Mechanisms {
    fn from(mechanism: Mechanism) -> Self {
        Self::NONE.with(mechanism)
    }
}

impl std::fmt::Debug for Mechanisms {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_set().entries(self.iter()).finish()
    }
}

impl std::fmt::Display for Mechanisms {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let names: Vec<&str> = self.iter().map(Mechanism::name).collect();
        formatter.write_str(&names.join("+"))
    }
}
