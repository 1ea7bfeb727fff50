//! How far an interrupted step got: the data types of tears.
//!
//! A tear is a rule, not a list of bits. It means the same for any data, so it is small and can be
//! printed and replayed.

use serde::{Deserialize, Serialize};

use crate::part::coin::Coin;

/// How far an interrupted step got. `Display` is a short phrase for reports.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Tear(pub(in super::super) Kind);

#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Kind {
    /// The cut came before the step had any effect.
    Nothing,
    /// The step was complete but not acknowledged.
    Everything,
    Program(TornProgram),
    Erase(TornErase),
    Collateral(Collateral),
}

/// The torn program of one page. The *bits to clear* are the bits commanded 0 that are not solid 0
/// yet. They are numbered from 0 in order of address and, within a byte, from bit 0 up. All other
/// bits are left as they are.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) struct TornProgram {
    /// The bits to clear that now store a 0; the others store what they did.
    pub(in super::super) done: Done,
    /// The bits to clear that are marginal now. Of the rest, those in `done` are solid 0.
    pub(in super::super) marginal: Pick,
}

/// A choice among the bits to clear.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Done {
    First(u32),
    Last(u32),
    /// Bits `from..from + len`.
    Only {
        from: u32,
        len: u32,
    },
    /// All but bits `from..from + len`.
    AllBut {
        from: u32,
        len: u32,
    },
    /// Bits whose number is even, or odd.
    EveryOther {
        odd: bool,
    },
    /// Bits in bytes of the step whose number is even, or odd.
    EveryOtherByte {
        odd: bool,
    },
    /// Each bit whose coin toss lands.
    Toss(Coin),
    /// The first `whole` bits, and of the `mixed` bits after them those whose coin toss lands.
    Front {
        whole: u32,
        mixed: u32,
        coin: Coin,
    },
    /// All but the bits with these numbers, in ascending order.
    AllButThese(Box<[u32]>),
    /// All but the bits in the mask `undone` of byte number `byte` of the step.
    AllButInByte {
        byte: u32,
        undone: u8,
    },
    /// Bit n if bit n of the mask is set. For at most 64 bits to clear.
    Mask(u64),
}

/// The torn erase of a sector: one state in bytes `from..to` of the sector, another outside.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) struct TornErase {
    pub(in super::super) from: u32,
    pub(in super::super) to: u32,
    pub(in super::super) inside: Fill,
    pub(in super::super) outside: Fill,
    /// Bits of the sector that are marginal now, whatever they store.
    pub(in super::super) marginal: Pick,
}

/// What an interrupted erase leaves of a bit. Coin tosses are by the bit's number in the sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Fill {
    /// What was there, marginal bits included.
    Old,
    /// Solid 0.
    Zero,
    /// Solid 1.
    Ones,
    /// Solid 0 where the coin lands, otherwise old: programming to zero was under way.
    Zeroing(Coin),
    /// Solid 1 where the coin lands, otherwise solid 0: erase pulses were under way.
    Mixed(Coin),
    /// Solid 1 where the coin lands, otherwise old: erase pulses without zeroing first.
    Rising(Coin),
}

/// A choice of marginal bits among the bits to clear of a program or the bits of a sector. Numbers
/// are in order of address, from bit 0 up.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Pick {
    Nothing,
    All,
    /// Those that store 0 after the tear.
    Zeros,
    /// Those that store 1 after the tear.
    Ones,
    /// Bits `from..from + len`.
    Window {
        from: u32,
        len: u32,
    },
    /// The bits with number `nth(seed, j) % total` for j in `0..count`.
    Few {
        count: u32,
        seed: u64,
    },
    /// Each bit whose coin toss lands.
    Toss(Coin),
}

/// A torn program and its damage to the bytes around it. The bits of those bytes are numbered from
/// 0 in order of address and, within a byte, from bit 0 up, skipping the bytes of the program.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) struct Collateral {
    pub(in super::super) program: TornProgram,
    pub(in super::super) reach: Reach,
    /// Bits that are solid now and store what `to` says.
    pub(in super::super) changed: Pick,
    pub(in super::super) to: BitChange,
    /// Bits that are marginal now.
    pub(in super::super) marginal: Pick,
}

/// How far from the program other bytes can be damaged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Reach {
    Page,
    Sector,
}

/// What happens to a damaged bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum BitChange {
    Zero,
    One,
    Other,
}

/// The class of faults that a tear belongs to. Each class can be switched off to show that the rig
/// needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultClass {
    /// The step had no effect or its whole effect.
    Whole,
    /// A program that stopped in unit order.
    ProgramOrder,
    /// An erase that stopped in unit order.
    EraseOrder,
    /// A program that cleared any subset of its bits.
    ProgramSubset,
    /// An erase that stopped in any of its phases.
    ErasePhase,
    /// Marginal bits after a program.
    MarginalProgram,
    /// Marginal bits after an erase, above all one that looks complete.
    WeakErase,
    /// A tear chosen to fool checks.
    Adversarial,
    /// Damage to other bytes of the page or sector that is being programmed.
    Collateral,
}

impl Tear {
    /// The cut came before the step had any effect.
    pub const NOTHING: Self = Self(Kind::Nothing);
    /// The step was complete but not acknowledged.
    pub const EVERYTHING: Self = Self(Kind::Everything);

    /// Whether it damaged bytes that the step does not work on.
    pub(crate) const fn is_collateral(&self) -> bool {
        matches!(self.0, Kind::Collateral(_))
    }

    /// The same tear without the damage to other bytes; `None` if it did none.
    pub(crate) fn without_collateral(&self) -> Option<Self> {
        match &self.0 {
            Kind::Collateral(damage) => Some(Self(Kind::Program(damage.program.clone()))),
            _ => None,
        }
    }

    /// A program that cleared all its bits but those with these numbers, in ascending order.
    /// Numbers are indices into the list that [`Tear::places_to_clear`] returns.
    pub(crate) const fn all_but(undone: Box<[u32]>) -> Self {
        Self(Kind::Program(TornProgram {
            done: Done::AllButThese(undone),
            marginal: Pick::Nothing,
        }))
    }
}

impl From<TornProgram> for Tear {
    fn from(torn: TornProgram) -> Self {
        Self(Kind::Program(torn))
    }
}

impl From<TornErase> for Tear {
    fn from(torn: TornErase) -> Self {
        Self(Kind::Erase(torn))
    }
}
