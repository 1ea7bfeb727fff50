//! The geometries that the tests run on.

use outlast_kvstore::Layout;

/// Units, page and sectors of a flash that belongs wholly to one store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub(crate) unit: usize,
    pub(crate) page: usize,
    pub(crate) sector: usize,
    pub(crate) sectors: usize,
}

impl Shape {
    const fn new(unit: usize, page: usize, sector: usize, sectors: usize) -> Self {
        Self { unit, page, sector, sectors }
    }

    pub(crate) const fn capacity(self) -> usize {
        self.sector * self.sectors
    }

    pub(crate) const fn layout(self) -> Layout {
        Layout::serial_nor().with_sector_bytes(self.sector as u32).with_page_bytes(self.page as u32)
    }
}

/// Every program unit, every number of sectors, and sectors from 512 bytes to 4 KiB.
pub(crate) const SHAPES: [Shape; 12] = [
    Shape::new(1, 64, 512, 2),
    Shape::new(1, 64, 512, 4),
    Shape::new(1, 256, 1024, 3),
    Shape::new(1, 256, 4096, 2),
    Shape::new(4, 64, 512, 3),
    Shape::new(4, 64, 1024, 2),
    Shape::new(4, 64, 512, 8),
    Shape::new(8, 64, 1024, 2),
    Shape::new(8, 64, 1024, 4),
    Shape::new(8, 64, 2048, 3),
    Shape::new(32, 256, 2048, 2),
    Shape::new(32, 256, 2048, 4),
];

/// Each of these with each geometry.
pub(crate) fn with_shapes<T: Copy>(items: impl IntoIterator<Item = T>) -> Vec<(T, Shape)> {
    items.into_iter().flat_map(|item| SHAPES.map(|shape| (item, shape))).collect()
}
