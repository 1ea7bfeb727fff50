//! Sizes of the simulated part, and the fault levels. Both are plain data that the whole rig uses.

use core::fmt;
use core::str::FromStr;

use serde::{Deserialize, Serialize};

/// Fault level: how severe the damage of a simulated power cut may be. Each level up to F5 includes
/// those below it; see the table in [`crate::part`].
///
/// Up to F4, storage code must keep every promise. What it acknowledged is there at every later
/// power-up. An operation in flight at the cut is there completely or not at all. What one power-up
/// reported, later ones report too. The code starts up, stays writable and keeps to its stated
/// work; and however often a recovery is cut, the next one completes.
///
/// After collateral damage, at F5, it owes less. It does not panic or loop, keeps to its stated
/// work, reports no value that was never written to that setting, stays writable, and loses nothing
/// that is stored in other sectors.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Level {
    /// Cuts between steps only: a step has not begun, or it is complete.
    F0,
    /// Also programs and erases that stop half-way, in unit order.
    F1,
    /// Also any subset of the bits of a program, and any phase of an erase.
    F2,
    /// Also marginal bits, and sectors that look blank but are incompletely erased.
    F3,
    /// Also subsets chosen to fool the checks of a record format.
    F4,
    /// Also damage to other bytes of the page or sector that an interrupted program works in.
    F5,
    /// Cuts as at F3, in a part in which one sector at a time goes bad: it does not erase, or takes
    /// no programs. There is no damage of F4 and F5.
    F7,
}

impl Level {
    /// All levels, mildest first.
    pub const ALL: [Self; 7] =
        [Self::F0, Self::F1, Self::F2, Self::F3, Self::F4, Self::F5, Self::F7];

    /// The level that says how steps are torn.
    pub const fn of_tears(self) -> Self {
        match self {
            Self::F7 => Self::F3,
            level => level,
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(match self {
            Self::F0 => "F0",
            Self::F1 => "F1",
            Self::F2 => "F2",
            Self::F3 => "F3",
            Self::F4 => "F4",
            Self::F5 => "F5",
            Self::F7 => "F7",
        })
    }
}

/// The error for a text that is not the name of a fault level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LevelError;

impl fmt::Display for LevelError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a fault level is one of F0, F1, F2, F3, F4, F5, F7")
    }
}

impl core::error::Error for LevelError {}

impl FromStr for Level {
    type Err = LevelError;

    fn from_str(text: &str) -> Result<Self, LevelError> {
        Self::ALL
            .into_iter()
            .find(|level| level.to_string().eq_ignore_ascii_case(text))
            .ok_or(LevelError)
    }
}

/// Sizes of the part, in bytes. [`Geometry::new`] checks that they fit together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Geometry {
    /// Number of sectors.
    pub sectors: u32,
    /// Bytes that one erase sets to `0xFF`.
    pub sector_bytes: u32,
    /// Smallest number of bytes that can be programmed; programs are aligned to it.
    pub unit: u32,
    /// Largest number of bytes that one program operation can write; pages are aligned to it.
    pub page: u32,
}

/// Why sizes do not describe a valid part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum GeometryError {
    /// One of the sizes is zero.
    Zero,
    /// The page is not a multiple of the unit.
    PageNotUnits,
    /// The sector is not a multiple of the page.
    SectorNotPages,
    /// The part is larger than 256 MiB.
    TooLarge,
    /// The number of bytes given is not the size of the part.
    WrongLength,
}

impl fmt::Display for GeometryError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Zero => "sectors, sector bytes, unit and page must not be zero",
            Self::PageNotUnits => "the page must be a multiple of the program unit",
            Self::SectorNotPages => "the sector must be a multiple of the page",
            Self::TooLarge => "the part must not be larger than 256 MiB",
            Self::WrongLength => "the image must be exactly as long as the part",
        })
    }
}

impl core::error::Error for GeometryError {}

impl Geometry {
    /// Sizes in bytes.
    ///
    /// # Errors
    /// [`GeometryError`] if a size is zero, if the sizes do not divide each other, or if the part
    /// would be larger than 256 MiB.
    pub fn new(
        sectors: u32,
        sector_bytes: u32,
        unit: u32,
        page: u32,
    ) -> Result<Self, GeometryError> {
        let geometry = Self { sectors, sector_bytes, unit, page };
        if sectors == 0 || sector_bytes == 0 || unit == 0 || page == 0 {
            return Err(GeometryError::Zero);
        }
        if !page.is_multiple_of(unit) {
            return Err(GeometryError::PageNotUnits);
        }
        if !sector_bytes.is_multiple_of(page) {
            return Err(GeometryError::SectorNotPages);
        }
        if u64::from(sectors) * u64::from(sector_bytes) > 1 << 28 {
            return Err(GeometryError::TooLarge);
        }
        Ok(geometry)
    }

    /// Size of the whole part in bytes.
    pub fn bytes(&self) -> u32 {
        self.sectors.saturating_mul(self.sector_bytes)
    }

    // The fields are public, so a value may not have come from `new`. These never return zero, so
    // that nothing divides by zero.

    pub(super) fn unit_size(&self) -> u32 {
        self.unit.max(1)
    }

    pub(super) fn page_size(&self) -> u32 {
        self.page.max(1)
    }

    pub(super) fn sector_size(&self) -> u32 {
        self.sector_bytes.max(1)
    }

    /// Number of program units of the part.
    pub(super) fn units(&self) -> usize {
        self.bytes().div_ceil(self.unit_size()) as usize
    }
}

impl fmt::Display for Geometry {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { sectors, sector_bytes, unit, page } = self;
        write!(out, "{sectors} x {sector_bytes} bytes, unit {unit}, page {page}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_that_do_not_fit_together_are_refused() {
        assert_eq!(Geometry::new(0, 4096, 1, 256), Err(GeometryError::Zero));
        assert_eq!(Geometry::new(4, 4096, 0, 256), Err(GeometryError::Zero));
        assert_eq!(Geometry::new(4, 4096, 16, 24), Err(GeometryError::PageNotUnits));
        assert_eq!(Geometry::new(4, 4096, 1, 768), Err(GeometryError::SectorNotPages));
        assert_eq!(Geometry::new((1 << 16) + 1, 4096, 1, 256), Err(GeometryError::TooLarge));
        assert_eq!(Geometry::new(4, 4096, 1, 256).map(|g| g.bytes()), Ok(16384));
        assert_eq!(Geometry::new(1 << 16, 4096, 32, 64).map(|g| g.bytes()), Ok(1 << 28));
    }

    #[test]
    fn levels_read_as_they_print() {
        for level in Level::ALL {
            assert_eq!(level.to_string().parse(), Ok(level));
        }
        assert_eq!("f3".parse(), Ok(Level::F3));
        assert_eq!("F9".parse::<Level>(), Err(LevelError));
        assert_eq!("".parse::<Level>(), Err(LevelError));
        assert!(Level::F0 < Level::F1 && Level::F3 < Level::F4);
    }
}
