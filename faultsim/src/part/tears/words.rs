//! Tears as phrases, for reports.

use core::fmt;

use super::tear::{
    BitChange, Collateral, Done, Fill, Kind, Pick, Reach, Tear, TornErase, TornProgram,
};
use crate::part::coin::Coin;

impl fmt::Display for Tear {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.0 {
            Kind::Nothing => out.write_str("nothing"),
            Kind::Everything => out.write_str("everything, unacknowledged"),
            Kind::Program(TornProgram { done, marginal }) => write!(out, "{done}{marginal}"),
            Kind::Collateral(Collateral { program, reach, changed, to, marginal: damage }) => {
                let TornProgram { done, marginal } = program;
                let reach = match reach {
                    Reach::Page => "page",
                    Reach::Sector => "sector",
                };
                let to = match to {
                    BitChange::Zero => "cleared",
                    BitChange::One => "set",
                    BitChange::Other => "flipped",
                };
                write!(out, "{done}{marginal}, and beside it in the {reach}")?;
                match changed {
                    Pick::Nothing => {}
                    Pick::All => write!(out, ", all bits {to}")?,
                    Pick::Ones => write!(out, ", the ones {to}")?,
                    Pick::Zeros => write!(out, ", the zeros {to}")?,
                    Pick::Window { from, len: 1 } => write!(out, ", bit {from} {to}")?,
                    Pick::Window { from, len } => write!(out, ", {len} bits from bit {from} {to}")?,
                    Pick::Few { count: 1, .. } => write!(out, ", 1 bit {to}")?,
                    Pick::Few { count, .. } => write!(out, ", {count} bits {to}")?,
                    Pick::Toss(coin) => write!(out, ", random bits {to} ({coin})")?,
                }
                write!(out, "{damage}")
            }
            Kind::Erase(TornErase { from, to, inside, outside, marginal }) => {
                match (from, inside == outside || from >= to) {
                    (_, true) => write!(out, "{outside}{marginal}"),
                    (0, _) => write!(out, "first {to} bytes {inside}, rest {outside}{marginal}"),
                    _ => write!(out, "bytes {from}..{to} {inside}, rest {outside}{marginal}"),
                }
            }
        }
    }
}

impl fmt::Display for Done {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::First(0) => out.write_str("no bit"),
            Self::First(u32::MAX) => out.write_str("all bits"),
            Self::First(count) => write!(out, "first {count} bits"),
            Self::Last(count) => write!(out, "last {count} bits"),
            Self::Only { from, len: 1 } => write!(out, "only bit {from}"),
            Self::Only { from, len } => write!(out, "only {len} bits from bit {from}"),
            Self::AllBut { from, len: 1 } => write!(out, "all bits but bit {from}"),
            Self::AllBut { from, len } => write!(out, "all but {len} bits from bit {from}"),
            Self::EveryOther { odd } => write!(out, "every other bit, from bit {}", u8::from(odd)),
            Self::EveryOtherByte { odd } => {
                write!(out, "every other byte, from byte {}", u8::from(odd))
            }
            Self::Toss(coin) => write!(out, "random bits ({coin})"),
            Self::Front { whole, mixed, coin } => {
                write!(out, "first {whole} bits, random ones of the next {mixed} ({coin})")
            }
            Self::AllButThese(ref undone) => {
                write!(out, "all but {} bits chosen to fool the check, {undone:?}", undone.len())
            }
            Self::AllButInByte { byte, undone } => {
                write!(out, "all but bits {undone:#010b} of byte {byte}")
            }
            Self::Mask(mask) => write!(out, "bits of set {mask:#b}"),
        }
    }
}

impl fmt::Display for Fill {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Old => out.write_str("old"),
            Self::Zero => out.write_str("zero"),
            Self::Ones => out.write_str("blank"),
            Self::Zeroing(coin) => write!(out, "zeroing ({coin})"),
            Self::Mixed(coin) => write!(out, "random, ones {coin}"),
            Self::Rising(coin) => write!(out, "old with zeros lost ({coin})"),
        }
    }
}

impl fmt::Display for Pick {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Nothing => Ok(()),
            Self::All => out.write_str(", all marginal"),
            Self::Zeros => out.write_str(", the zeros marginal"),
            Self::Ones => out.write_str(", the ones marginal"),
            Self::Window { from, len: 1 } => write!(out, ", bit {from} marginal"),
            Self::Window { from, len } => write!(out, ", {len} bits from bit {from} marginal"),
            Self::Few { count: 1, .. } => out.write_str(", 1 bit marginal"),
            Self::Few { count, .. } => write!(out, ", {count} bits marginal"),
            Self::Toss(coin) => write!(out, ", random bits marginal ({coin})"),
        }
    }
}

impl fmt::Display for Coin {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} of 64", f64::from(self.of_256) / 4.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn phrase(kind: Kind) -> String {
        Tear(kind).to_string()
    }

    #[test]
    fn tears_read_as_short_phrases() {
        let program = |done, marginal| Kind::Program(TornProgram { done, marginal });
        assert_eq!(phrase(program(Done::First(37), Pick::Nothing)), "first 37 bits");
        assert_eq!(
            phrase(program(Done::AllBut { from: 4, len: 1 }, Pick::Zeros)),
            "all bits but bit 4, the zeros marginal"
        );
        let half = Coin { seed: 0, of_256: 128 };
        let erase = |from, to, inside, outside| {
            Kind::Erase(TornErase { from, to, inside, outside, marginal: Pick::Nothing })
        };
        assert_eq!(phrase(erase(0, 0, Fill::Old, Fill::Zeroing(half))), "zeroing (32 of 64)");
        assert_eq!(phrase(erase(0, 12, Fill::Zero, Fill::Old)), "first 12 bytes zero, rest old");
    }
}
