//! The size of a store's region, and its division into sectors, pages and units.

use std::fmt;

use outlast_kvstore::Layout;
use outlast_kvstore::inspect::{Region, Shape as StoredShape};

/// How a region is divided: what a device's layout and driver say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    /// Number of sectors, 2 to 4096.
    pub sectors: u32,
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes that one program operation can touch.
    pub page_bytes: u32,
    /// The larger of the driver's program and read unit.
    pub unit: u32,
}

impl Shape {
    /// Four sectors of a serial NOR chip: 4096 bytes, pages of 256 bytes, programmed byte by byte.
    pub const SERIAL_NOR: Self = Self { sectors: 4, sector_bytes: 4096, page_bytes: 256, unit: 1 };

    /// The default page of the store's layouts: 256 bytes on serial NOR, which programs single
    /// bytes, otherwise two units, but at least 16 bytes.
    #[must_use]
    pub const fn default_page(unit: u32) -> u32 {
        match unit.saturating_mul(2) {
            2 => Self::SERIAL_NOR.page_bytes,
            page if page < 16 => 16,
            page => page,
        }
    }

    /// The page that the store uses when it is given this one: a small page is rounded up.
    #[must_use]
    pub fn page_as_stored(page: u32, unit: u32) -> u32 {
        page.max(unit.saturating_mul(8)).max(64)
    }

    /// Bytes of the whole region.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        u64::from(self.sectors) * u64::from(self.sector_bytes)
    }

    /// The region in `bytes`; `None` if no store can have this shape.
    #[must_use]
    pub fn region<'a>(&self, bytes: &'a [u8]) -> Option<Region<'a>> {
        let Self { sectors, sector_bytes, page_bytes, unit } = *self;
        Region::new(bytes, &StoredShape { sectors, sector_bytes, page_bytes, unit })
    }

    /// The layout to open a store on this region with.
    #[must_use]
    pub const fn layout(&self) -> Layout {
        Layout::serial_nor().with_sector_bytes(self.sector_bytes).with_page_bytes(self.page_bytes)
    }
}

impl From<StoredShape> for Shape {
    fn from(stored: StoredShape) -> Self {
        let StoredShape { sectors, sector_bytes, page_bytes, unit } = stored;
        Self { sectors, sector_bytes, page_bytes, unit }
    }
}

impl fmt::Display for Shape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { sectors, sector_bytes, page_bytes, unit } = self;
        write!(f, "{sectors} x {sector_bytes} bytes, unit {unit}, page {page_bytes}")
    }
}
