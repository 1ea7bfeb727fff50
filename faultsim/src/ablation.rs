//! The parts of the rig that can be switched off, to see what each is good for.

use serde::{Deserialize, Serialize};

use crate::part::{FaultClass, Level};

/// One part of the rig: a class of faults, or a thing the judge does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mechanism {
    /// Cuts between two steps; cannot be switched off.
    Between,
    /// A further cut in a recovery.
    Nested,
    /// A further cut in the operations behind a recovery.
    Later,
    /// Programs that stop half-way in unit order.
    ProgramOrder,
    /// Erases that stop half-way in unit order.
    EraseOrder,
    /// Programs of which any subset of bits is done.
    ProgramSubset,
    /// Erases cut in any phase: old, zeroing, zero, mixed, blank.
    ErasePhase,
    /// Bits that an interrupted program leaves marginal.
    MarginalProgram,
    /// Sectors that an interrupted erase leaves weak, most of all such as look blank.
    WeakErase,
    /// Marginal bits that read the same throughout one power-up and otherwise in the next.
    PerBoot,
    /// Marginal bits that read otherwise from one read to the next.
    PerRead,
    /// Subsets chosen to fool the checks of records.
    Adversarial,
    /// Damage to other bytes of the page under an interrupted program.
    Collateral,
    /// Comes up a second time without anything written in between.
    SecondLook,
    /// Goes on writing and comes up again.
    GoOn,
    /// Writes more than the part holds.
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

    /// Whether it is a class of faults, not something the judge does.
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
    /// No part.
    pub const NONE: Self = Self(0);

    /// The same with this part.
    #[must_use]
    pub const fn with(self, mechanism: Mechanism) -> Self {
        Self(self.0 | 1 << mechanism as u32)
    }

    /// Whether the part is in it.
    pub const fn has(self, mechanism: Mechanism) -> bool {
        self.0 >> mechanism as u32 & 1 == 1
    }

    /// What is in one or the other.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// What is in both.
    #[must_use]
    pub const fn common(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// The parts, in order.
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
