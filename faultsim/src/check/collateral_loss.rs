//! What collateral damage cost. No code can undo it, so it is counted and reported instead of
//! failing the run.

use serde::{Deserialize, Serialize};

use crate::part::Geometry;

/// Images with collateral damage, by what was seen in them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CollateralLoss {
    /// All of them.
    pub images: u64,
    /// With a setting that was there and reads as absent.
    pub lost: u64,
    /// With a setting that reads as a value it had earlier, or that is back although it was
    /// deleted, without an error. Code that never serves a damaged record may still do this.
    pub older: u64,
    /// With a setting, or the list of names, that is reported as damaged.
    pub corrupt: u64,
    /// With a setting reported as damaged although it is stored in a sector that was not hit. This
    /// happens because a damaged name can be the name of another setting.
    pub elsewhere: u64,
    /// With a name in the list that nobody wrote, and that reads as damaged or absent.
    pub names: u64,
    /// In which the code programmed units twice, since damage hid that they were in use.
    pub twice: u64,
    /// On which the code refuses to start, with no setting known to be stored outside the sectors
    /// that were hit.
    pub unopened: u64,
    /// Readings of settings that are stored in sectors that were not hit: each was right.
    pub apart: u64,
}

impl CollateralLoss {
    /// Whether no image has such damage.
    pub fn is_none(&self) -> bool {
        self.images == 0
    }
}

impl core::ops::AddAssign for CollateralLoss {
    fn add_assign(&mut self, other: Self) {
        self.images += other.images;
        self.lost += other.lost;
        self.older += other.older;
        self.corrupt += other.corrupt;
        self.elsewhere += other.elsewhere;
        self.names += other.names;
        self.twice += other.twice;
        self.unopened += other.unopened;
        self.apart += other.apart;
    }
}

/// What was seen in one image.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Seen {
    pub(crate) lost: bool,
    pub(crate) older: bool,
    pub(crate) corrupt: bool,
    pub(crate) elsewhere: bool,
    pub(crate) names: bool,
    pub(crate) twice: bool,
    pub(crate) unopened: bool,
    pub(crate) apart: u64,
}

impl Seen {
    /// What was seen in either image.
    pub(crate) const fn or(self, other: Self) -> Self {
        Self {
            lost: self.lost | other.lost,
            older: self.older | other.older,
            corrupt: self.corrupt | other.corrupt,
            elsewhere: self.elsewhere | other.elsewhere,
            names: self.names | other.names,
            twice: self.twice | other.twice,
            unopened: self.unopened | other.unopened,
            apart: self.apart + other.apart,
        }
    }
}

impl From<Seen> for CollateralLoss {
    fn from(seen: Seen) -> Self {
        Self {
            images: 1,
            lost: seen.lost.into(),
            older: seen.older.into(),
            corrupt: seen.corrupt.into(),
            elsewhere: seen.elsewhere.into(),
            names: seen.names.into(),
            twice: seen.twice.into(),
            unopened: seen.unopened.into(),
            apart: seen.apart,
        }
    }
}

/// The sectors that collateral damage hit in a history.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Hit(u64);

impl Hit {
    pub(crate) const NONE: Self = Self(0);

    /// The same with the sector that holds this byte. The 64th sector and all after it count as
    /// one.
    pub(crate) fn with(self, g: &Geometry, at: u32) -> Self {
        Self(self.0 | Self::bit(g, at))
    }

    pub(crate) const fn is_none(self) -> bool {
        self.0 == 0
    }

    /// Whether the sector that holds this byte is among them.
    pub(crate) fn has(self, g: &Geometry, at: u32) -> bool {
        self.0 & Self::bit(g, at) != 0
    }

    fn bit(g: &Geometry, at: u32) -> u64 {
        1 << at.checked_div(g.sector_bytes).unwrap_or(0).min(63)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hit_sectors_are_known_by_their_bytes() {
        let g = Geometry::new(4, 512, 1, 64).unwrap();
        let hit = Hit::NONE.with(&g, 600);
        assert!(hit.has(&g, 512) && hit.has(&g, 1023) && !hit.has(&g, 511) && !hit.has(&g, 1024));
        assert!(hit.with(&g, 0).has(&g, 511) && Hit::NONE.is_none() && !hit.is_none());
    }
}
