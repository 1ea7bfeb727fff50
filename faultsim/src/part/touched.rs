//! Which pages of an image may differ from the image it was copied from, so that images with the
//! same origin are copied and compared page by page.

use core::ops::Range;
use core::sync::atomic::{AtomicU64, Ordering};

/// Size of the pages that are tracked, in bytes.
pub(super) const PAGE: usize = 256;

/// A set of pages. Two images with the same origin have equal content in all pages that are in
/// neither of their sets.
#[derive(Clone, Debug)]
pub(super) struct Touched {
    origin: u64,
    /// One bit per page.
    pages: Vec<u64>,
}

impl Touched {
    /// The empty set of an image of `bytes` bytes that is its own origin.
    pub(super) fn none(bytes: usize) -> Self {
        Self { origin: new_origin(), pages: vec![0; bytes.div_ceil(PAGE).div_ceil(64)] }
    }

    /// Makes the image a new origin, with an empty set.
    pub(super) fn forget(&mut self) {
        self.origin = new_origin();
        self.pages.fill(0);
    }

    /// Adds the pages of bytes `from..to`.
    pub(super) fn add(&mut self, from: usize, to: usize) {
        if from < to {
            for page in from / PAGE..=(to - 1) / PAGE {
                if let Some(word) = self.pages.get_mut(page / 64) {
                    *word |= 1 << (page % 64);
                }
            }
        }
    }

    /// Whether the two images have the same origin, so that it is known in which pages they may
    /// differ.
    pub(super) fn has_origin_of(&self, other: &Self) -> bool {
        self.origin == other.origin && self.pages.len() == other.pages.len()
    }

    /// Whether the page is in the set.
    pub(super) fn holds(&self, page: usize) -> bool {
        self.pages.get(page / 64).is_none_or(|word| word >> (page % 64) & 1 == 1)
    }

    /// The pages in which two images may differ; `None` if they have no common origin.
    pub(super) fn differing<'set>(
        &'set self,
        other: &'set Self,
    ) -> Option<impl Iterator<Item = usize> + 'set> {
        if !self.has_origin_of(other) {
            return None;
        }
        let words = (0..).zip(self.pages.iter().zip(&other.pages));
        Some(words.flat_map(|(index, (mine, theirs)): (usize, _)| {
            let mut rest = mine | theirs;
            core::iter::from_fn(move || {
                let page = (rest != 0).then(|| index * 64 + rest.trailing_zeros() as usize)?;
                rest &= rest - 1;
                Some(page)
            })
        }))
    }

    /// Becomes equal to `other`.
    pub(super) fn copy_from(&mut self, other: &Self) {
        self.origin = other.origin;
        self.pages.clone_from(&other.pages);
    }
}

/// Bytes of a page within an image of `len` bytes.
pub(super) fn page_range(page: usize, len: usize) -> Range<usize> {
    page * PAGE..((page + 1) * PAGE).min(len)
}

fn new_origin() -> u64 {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    NEXT.fetch_add(1, Ordering::Relaxed)
}
