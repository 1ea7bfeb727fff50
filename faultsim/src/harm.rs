//! What collateral damage cost: counted, since no code can undo it, and shown, since nobody should
//! take it for nothing.

use serde::{Deserialize, Serialize};

use crate::device::{Geometry, Image};

/// Images behind collateral damage, by what was seen in them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Harm {
    /// All of them.
    pub images: u64,
    /// With a setting that was there and reads as absent.
    pub lost: u64,
    /// With a setting that reads as a value it had earlier, or is back although it was deleted, and
    /// nothing says so. Code that never serves a damaged record may still do this.
    pub older: u64,
    /// With a setting, or the list of names, that is reported as damaged.
    pub corrupt: u64,
    /// With a setting reported as damaged that stands in another sector than the one hit: a damaged name
    /// can be that of another setting.
    pub elsewhere: u64,
    /// With a name in the list that nobody wrote, and that reads as damaged or absent.
    pub names: u64,
    /// That the code refuses to come up on, with nothing left outside the sectors hit.
    pub unopened: u64,
    /// Readings of settings that stood in other sectors than the one hit: each was right.
    pub apart: u64,
}

impl Harm {
    /// Whether no image is behind such damage.
    pub fn is_none(&self) -> bool {
        self.images == 0
    }
}

impl core::ops::AddAssign for Harm {
    fn add_assign(&mut self, other: Self) {
        self.images += other.images;
        self.lost += other.lost;
        self.older += other.older;
        self.corrupt += other.corrupt;
        self.elsewhere += other.elsewhere;
        self.names += other.names;
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
    pub(crate) unopened: bool,
    pub(crate) apart: u64,
}

impl Seen {
    /// What is in one or the other.
    pub(crate) const fn or(self, other: Self) -> Self {
        Self {
            lost: self.lost | other.lost,
            older: self.older | other.older,
            corrupt: self.corrupt | other.corrupt,
            elsewhere: self.elsewhere | other.elsewhere,
            names: self.names | other.names,
            unopened: self.unopened | other.unopened,
            apart: self.apart + other.apart,
        }
    }
}

impl From<Seen> for Harm {
    fn from(seen: Seen) -> Self {
        Self {
            images: 1,
            lost: seen.lost.into(),
            older: seen.older.into(),
            corrupt: seen.corrupt.into(),
            elsewhere: seen.elsewhere.into(),
            names: seen.names.into(),
            unopened: seen.unopened.into(),
            apart: seen.apart,
        }
    }
}

/// The sectors that collateral damage hit in a history.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Hit {
    sectors: u64,
    /// Whether nothing stood elsewhere when it came, and nothing was acknowledged since.
    was_all: bool,
}

impl Hit {
    pub(crate) const NONE: Self = Self { sectors: 0, was_all: false };

    /// The same with the sector that holds byte `at` of `image`. From the 64th on all count as one.
    pub(crate) fn with(self, g: &Geometry, image: &Image, at: u32) -> Self {
        let mut hit = Self { sectors: self.sectors | Self::bit(g, at), ..self };
        hit.was_all |= hit.is_rest_empty(g, image);
        hit
    }

    /// Something was acknowledged since.
    pub(crate) const fn written_on(self) -> Self {
        Self { was_all: false, ..self }
    }

    pub(crate) const fn is_none(self) -> bool {
        self.sectors == 0
    }

    /// Whether the sector that holds this byte is among them.
    pub(crate) fn has(self, g: &Geometry, at: u32) -> bool {
        self.sectors & Self::bit(g, at) != 0
    }

    /// Whether all there was stood in these sectors.
    pub(crate) fn is_all_of(self, g: &Geometry, image: &Image) -> bool {
        !self.is_none() && (self.was_all || self.is_rest_empty(g, image))
    }

    /// Whether nothing but blank and zeros is outside these sectors.
    fn is_rest_empty(self, g: &Geometry, image: &Image) -> bool {
        let mut used = (0..).zip(image.bytes()).filter(|(_, byte)| !matches!(byte, 0 | 0xFF));
        used.all(|(at, _)| self.has(g, at))
    }

    fn bit(g: &Geometry, at: u32) -> u64 {
        1 << at.checked_div(g.sector_bytes).unwrap_or(0).min(63)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Step;

    #[test]
    fn hit_sectors_are_all_there_is_or_not() {
        let g = Geometry::new(4, 512, 1, 64).unwrap();
        let mut image = Image::blank(&g);
        image.apply(&g, &Step::Program { at: 1600, data: vec![1] });
        let hit = Hit::NONE.with(&g, &image, 600);
        image.apply(&g, &Step::Erase { sector: 3 });
        assert!(hit.has(&g, 512) && hit.has(&g, 1023) && !hit.has(&g, 511) && !hit.has(&g, 1024));
        image.apply(&g, &Step::Program { at: 700, data: vec![7] });
        image.apply(&g, &Step::Program { at: 1600, data: vec![0] });
        assert!(hit.is_all_of(&g, &image) && !Hit::NONE.is_all_of(&g, &image));
        image.apply(&g, &Step::Program { at: 1030, data: vec![0, 1] });
        assert!(!hit.is_all_of(&g, &image));
        let both = hit.with(&g, &image, 1024);
        assert!(both.is_all_of(&g, &image));
        // What recoveries wrote since is no more than what damage left.
        image.apply(&g, &Step::Program { at: 1600, data: vec![0, 1] });
        assert!(both.is_all_of(&g, &image) && !both.written_on().is_all_of(&g, &image));
    }
}
