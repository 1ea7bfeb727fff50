//! What collateral damage cost: counted, since no code can undo it, and shown, since nobody should
//! take it for nothing.

use serde::{Deserialize, Serialize};

/// Images behind collateral damage, by what was seen in them when they were read first.
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
    }
}

/// What was seen in one image.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Seen {
    pub(crate) lost: bool,
    pub(crate) older: bool,
    pub(crate) corrupt: bool,
}

impl Seen {
    /// What is in one or the other.
    pub(crate) const fn or(self, other: Self) -> Self {
        Self {
            lost: self.lost | other.lost,
            older: self.older | other.older,
            corrupt: self.corrupt | other.corrupt,
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
        }
    }
}
