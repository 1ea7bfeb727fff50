//! Where the store lives in the flash.

use core::ops::Range;

use embedded_storage::nor_flash::NorFlash;

use crate::format::geometry::Geometry;

/// Where in the flash the store lives and how it divides it.
///
/// [`Layout::serial_nor`] fits the usual serial NOR chip. [`Layout::of`] takes the sector size from
/// the driver and fits flash inside a microcontroller. A store must always be opened with the
/// layout it was formatted with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    sector_bytes: u32,
    page_bytes: u32,
    range: Option<Range<u32>>,
}

impl Layout {
    /// Sectors of 4096 bytes, pages of 256 bytes, the whole flash.
    #[must_use]
    pub const fn serial_nor() -> Self {
        Self { sector_bytes: 4096, page_bytes: 256, range: None }
    }

    /// Sectors of one erase unit of the driver, pages of eight program units (at least 64 bytes), the
    /// whole flash. For flash inside a microcontroller.
    #[must_use]
    pub const fn of<F: NorFlash>() -> Self {
        let page = if F::WRITE_SIZE * 2 > 16 { F::WRITE_SIZE * 2 } else { 16 };
        Self { sector_bytes: F::ERASE_SIZE as u32, page_bytes: page as u32, range: None }
    }

    /// Sets the sector size in bytes: a power of two from 512 bytes to 128 KiB, a multiple of the
    /// driver's erase size, and at least four pages. A sector may consist of several erase units.
    #[must_use]
    pub const fn with_sector_bytes(mut self, bytes: u32) -> Self {
        self.sector_bytes = bytes;
        self
    }

    /// Sets the page size in bytes: the range that one program operation of the part can touch, a
    /// power of two. The store rounds it up to eight program units and to 64 bytes. A page size
    /// that is too large is safe; one that is too small is not. Take it from the data sheet (256 on
    /// serial NOR).
    #[must_use]
    pub const fn with_page_bytes(mut self, bytes: u32) -> Self {
        self.page_bytes = bytes;
        self
    }

    /// Sets the range of the flash that belongs to the store, in bytes. Both ends must lie on
    /// sector boundaries. Everything in the range will eventually be erased.
    #[must_use]
    pub const fn with_range(mut self, range: Range<u32>) -> Self {
        self.range = Some(range);
        self
    }

    /// Checks the layout against the flash; the error says which rule it breaks.
    pub(crate) fn geometry<F: NorFlash>(&self, flash: &F) -> Result<Geometry, &'static str> {
        let write = u32::try_from(F::WRITE_SIZE).unwrap_or(u32::MAX);
        let read = u32::try_from(F::READ_SIZE).unwrap_or(u32::MAX);
        let erase = u32::try_from(F::ERASE_SIZE).unwrap_or(u32::MAX);
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        let Self { sector_bytes, page_bytes, ref range } = *self;
        if !write.is_power_of_two() || write > 32 {
            return Err("the program unit must be a power of two up to 32 bytes");
        }
        if !read.is_power_of_two() || read > 8 {
            return Err("the read unit must be a power of two up to 8 bytes");
        }
        // Everything starts on a multiple of both units, so that reads need no shifting.
        let unit = write.max(read);
        if !page_bytes.is_power_of_two() || page_bytes > 32 * 1024 {
            return Err("the page must be a power of two up to 32 KiB");
        }
        let page = page_bytes.max(8 * unit).max(64);
        if !(512..=128 * 1024).contains(&sector_bytes) {
            return Err("a sector must have 512 bytes to 128 KiB");
        }
        // A power of two, so that nothing needs a division.
        if !sector_bytes.is_power_of_two() {
            return Err("the sector size must be a power of two");
        }
        if erase == 0 || sector_bytes % erase != 0 {
            return Err("a sector must be a multiple of the erase size");
        }
        // Each interrupted open takes a page, and the choice of the head depends on the last one.
        if sector_bytes & (page - 1) != 0 || sector_bytes < 4 * page {
            return Err("a sector must hold a whole number of pages, at least four");
        }
        let (start, end) = range.as_ref().map_or((0, capacity), |r| (r.start, r.end));
        if start > end || end > capacity {
            return Err("the range does not lie in the flash");
        }
        if (start | end) & (sector_bytes - 1) != 0 {
            return Err("the range must start and end on sector boundaries");
        }
        let sectors = (end - start) >> sector_bytes.trailing_zeros();
        if !(2..=4096).contains(&sectors) {
            return Err("the range must hold 2 to 4096 sectors");
        }
        Ok(Geometry::new(start, sector_bytes, sectors, page, unit))
    }
}
