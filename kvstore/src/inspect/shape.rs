//! The shape of a store: how its region is divided.

use crate::format::geometry::Geometry;

/// How a region is divided, as an opening gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Shape {
    /// Number of sectors.
    pub sectors: u32,
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes of a page, rounded up as the store does it.
    pub page_bytes: u32,
    /// The larger of the driver's program and read unit.
    pub unit: u32,
}

/// The geometry of a shape, if a store can have it.
pub(super) fn geometry(shape: &Shape) -> Option<Geometry> {
    let Shape { sectors, sector_bytes, page_bytes, unit } = *shape;
    let page = page_bytes.max(unit.saturating_mul(8)).max(64);
    let possible = unit.is_power_of_two()
        && unit <= 32
        && page.is_power_of_two()
        && page <= 32 * 1024
        && sector_bytes.is_power_of_two()
        && (512..=128 * 1024).contains(&sector_bytes)
        && page <= sector_bytes / 4
        && (2..=4096).contains(&sectors);
    possible.then_some(Geometry::new(0, sector_bytes, sectors, page, unit))
}
