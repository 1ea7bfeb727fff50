//! How far an interrupted step came.
//!
//! A tear is a rule, not a list of bits: it says the same for any data, so it is small and can
//! be printed and replayed.

use serde::{Deserialize, Serialize};

use crate::part::coin::Coin;

/// How far an interrupted step came. `Display` is a short phrase for reports.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Tear(pub(in super::super) Kind);

#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Kind {
    /// The cut came before the step had any effect.
    Nothing,
    /// The step was complete, only nobody heard of it.
    Everything,
    Program(TornProgram),
    Erase(TornErase),
    Collateral(Collateral),
}

/// Bits to clear are the bits commanded 0 that are not solid 0 yet, numbered from 0 in order of
/// address and, within a byte, from bit 0 up. All others are left as they are.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) struct TornProgram {
    /// Bits to clear that came to store a 0; the others store what they did.
    pub(in super::super) done: Done,
    /// Bits to clear that are marginal now; of the rest the done ones are solid 0.
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
    /// Each bit for which the coin lands.
    Toss(Coin),
    /// The first `whole` bits, and of the `mixed` bits behind them those for which the coin
    /// lands.
    Front {
        whole: u32,
        mixed: u32,
        coin: Coin,
    },
    /// All but the bits with these numbers, which ascend.
    AllButThese(Box<[u32]>),
    /// All but the bits `undone` of the step's byte number `byte`.
    AllButInByte {
        byte: u32,
        undone: u8,
    },
    /// Bit n if bit n of the mask is set. For at most 64 bits to clear.
    Mask(u64),
}

/// The erase of a sector: one state in bytes `from..to` of the sector, another outside.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) struct TornErase {
    pub(in super::super) from: u32,
    pub(in super::super) to: u32,
    pub(in super::super) inside: Fill,
    pub(in super::super) outside: Fill,
    /// Bits of the sector that are marginal now, whatever they store.
    pub(in super::super) marginal: Pick,
}

/// What an interrupted erase leaves of a bit. Coins are those of the bit's number in the sector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Fill {
    /// What was there, marginal bits included.
    Old,
    /// Solid 0.
    Zero,
    /// Solid 1.
    Ones,
    /// Solid 0 where the coin lands, else old: programming to zero under way.
    Zeroing(Coin),
    /// Solid 1 where the coin lands, else solid 0: erase pulses under way.
    Mixed(Coin),
    /// Solid 1 where the coin lands, else old: erase pulses without zeroing before.
    Rising(Coin),
}

/// A choice of marginal bits, among the bits to clear of a program or the bits of a sector.
/// Numbers are in order of address, from bit 0 up.
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
    /// Each bit for which the coin lands.
    Toss(Coin),
}

/// A torn program, and what it did to bytes beside it. The bits of these are numbered from 0 in
/// order of address and, within a byte, from bit 0 up; those of the program are passed over.
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

/// Where a program can hurt other bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum Reach {
    Page,
    Sector,
}

/// What becomes of a bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(in super::super) enum BitChange {
    Zero,
    One,
    Other,
}

/// The class of faults that a tear belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultClass {
    /// Nothing or everything happened.
    Whole,
    /// A program that stopped in unit order.
    ProgramOrder,
    /// An erase that stopped in unit order.
    EraseOrder,
    /// Any subset of the bits of a program.
    ProgramSubset,
    /// Any phase of an erase.
    ErasePhase,
    /// Marginal bits behind a program.
    MarginalProgram,
    /// Marginal bits behind an erase, most of all one that looks done.
    WeakErase,
    /// A subset chosen to fool checks.
    Adversarial,
    /// Damage to other bytes of the page or sector under a program.
    Collateral,
}

impl Tear {
    /// The cut came before the step had any effect.
    pub const NOTHING: Self = Self(Kind::Nothing);
    /// The step was complete, but the caller was never told.
    pub const EVERYTHING: Self = Self(Kind::Everything);

    /// Whether it hurt bytes that the step does not work on.
    pub(crate) const fn is_collateral(&self) -> bool {
        matches!(self.0, Kind::Collateral(_))
    }

    /// The same tear without what it did to other bytes, if it did.
    pub(crate) fn without_collateral(&self) -> Option<Self> {
        match &self.0 {
            Kind::Collateral(damage) => Some(Self(Kind::Program(damage.program.clone()))),
            _ => None,
        }
    }

    /// A program of which all bits were done but those with these numbers, which ascend. Numbers
    /// are places in the list of [`Tear::places_to_clear`].
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
