//! "Seen before?" answered exactly: images are compared by content, page by page, never by a
//! hash alone.

use rapidhash::RapidHashMap;
use rapidhash::v3::{RapidSecrets, rapidhash_v3_seeded};
use rayon::prelude::*;

use crate::device::{Image, Weak};

/// Number of an image within one [`Interner`].
pub(crate) type ImageId = u32;

/// 128-bit digest of an image, for counting distinct images over the whole run. Two different
/// images share one with a chance of about 2^-128; nothing is skipped because of it.
pub(crate) type Fingerprint = u128;

/// Keeps one of each, and at most so many.
pub(crate) fn keep_distinct<T: Ord + Send>(prints: &mut Vec<T>, most: usize) {
    prints.par_sort_unstable();
    prints.dedup();
    prints.truncate(most);
}

/// Gives equal images equal numbers. An image is kept as its differences to a base image, so
/// that the many images around one cut cost a page or two each.
#[derive(Debug)]
pub(crate) struct Interner {
    base: Image,
    base_digests: Vec<Fingerprint>,
    base_sum: Fingerprint,
    pages: RapidHashMap<Box<[u8]>, u32>,
    weak: RapidHashMap<Box<[Weak]>, u32>,
    images: RapidHashMap<Box<[(u32, u32)]>, ImageId>,
    /// Differences of the image in hand; kept for its allocation.
    differences: Vec<(u32, u32)>,
    secrets: [RapidSecrets; 2],
}

/// Stands for the list of marginal cells among the differences.
const WEAK: u32 = u32::MAX;

impl Interner {
    pub(crate) fn new(base: &Image) -> Self {
        let mut interner = Self {
            base: base.clone(),
            base_digests: Vec::new(),
            base_sum: 0,
            pages: RapidHashMap::default(),
            weak: RapidHashMap::default(),
            images: RapidHashMap::default(),
            differences: Vec::new(),
            secrets: [RapidSecrets::seed(1), RapidSecrets::seed(2)],
        };
        for (index, page) in (0..).zip(base.pages()) {
            let digest = interner.digest(index, page);
            interner.base_digests.push(digest);
            interner.base_sum = interner.base_sum.wrapping_add(digest);
        }
        interner
    }

    /// The number of the image, and its fingerprint if it is new here.
    pub(crate) fn enter(&mut self, image: &Image) -> (ImageId, Option<Fingerprint>) {
        let mut differences = std::mem::take(&mut self.differences);
        differences.clear();
        for (index, page, base) in image.differing(&self.base) {
            if page != base {
                let next = number(self.pages.len());
                let id = match self.pages.get(page) {
                    Some(&id) => id,
                    None => *self.pages.entry(page.into()).or_insert(next),
                };
                differences.push((index, id));
            }
        }
        if image.weak() != self.base.weak() {
            let next = number(self.weak.len());
            let id = match self.weak.get(image.weak()) {
                Some(&id) => id,
                None => *self.weak.entry(image.weak().into()).or_insert(next),
            };
            differences.push((WEAK, id));
        }
        let known = self.images.get(differences.as_slice()).copied();
        let answer = match known {
            Some(id) => (id, None),
            None => {
                let id = number(self.images.len());
                self.images.insert(differences.as_slice().into(), id);
                (id, Some(self.fingerprint(image, &differences)))
            }
        };
        self.differences = differences;
        answer
    }

    fn fingerprint(&self, image: &Image, differences: &[(u32, u32)]) -> Fingerprint {
        let mut sum = self.base_sum;
        let mut changed = differences.iter().map(|difference| difference.0).peekable();
        for (index, page, _) in image.differing(&self.base) {
            if changed.next_if_eq(&index).is_some() {
                let old = self.base_digests.get(index as usize).copied().unwrap_or(0);
                sum = sum.wrapping_sub(old).wrapping_add(self.digest(index, page));
            }
        }
        sum.wrapping_add(self.weak_digest(image))
    }

    fn digest(&self, index: u32, page: &[u8]) -> Fingerprint {
        digest(&self.secrets, index, page)
    }

    fn weak_digest(&self, image: &Image) -> Fingerprint {
        weak_digest(&self.secrets, image)
    }
}

/// The fingerprint of one image, the same as an [`Interner`] gives.
pub(crate) fn fingerprint(image: &Image) -> Fingerprint {
    const SECRETS: [RapidSecrets; 2] = [RapidSecrets::seed(1), RapidSecrets::seed(2)];
    let pages = (0..).zip(image.pages());
    let sum =
        pages.fold(0, |sum: u128, (index, page)| sum.wrapping_add(digest(&SECRETS, index, page)));
    sum.wrapping_add(weak_digest(&SECRETS, image))
}

/// Digest of a page at its place. Digests are added up, so the place must be part of each, and
/// the second half must depend on all of the first.
fn digest(secrets: &[RapidSecrets; 2], index: u32, page: &[u8]) -> Fingerprint {
    let half = |secrets: &RapidSecrets| {
        let content = rapidhash_v3_seeded(page, secrets);
        let mut placed = [0; 12];
        placed[..8].copy_from_slice(&content.to_le_bytes());
        placed[8..].copy_from_slice(&index.to_le_bytes());
        rapidhash_v3_seeded(&placed, secrets)
    };
    u128::from(half(&secrets[0])) << 64 | u128::from(half(&secrets[1]))
}

fn weak_digest(secrets: &[RapidSecrets; 2], image: &Image) -> Fingerprint {
    if !image.has_weak() {
        return 0;
    }
    let mut bytes = Vec::with_capacity(image.weak().len() * 5);
    for weak in image.weak() {
        bytes.extend(weak.at.to_le_bytes());
        bytes.push(weak.mask);
    }
    digest(secrets, WEAK, &bytes)
}

fn number(len: usize) -> u32 {
    // Memory ends before the numbers do: each entry takes more than a byte.
    u32::try_from(len).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::{Geometry, Step};

    #[test]
    fn numbers_follow_the_content() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let blank = Image::blank(&geometry);
        let with = |at: u32, byte: u8| {
            let mut image = blank.clone();
            image.apply(&geometry, &Step::Program { at, data: vec![byte] });
            image
        };
        let mut interner = Interner::new(&blank);
        let mut prints = Vec::new();
        let images = [blank.clone(), with(0, 0x7F), with(256, 0x7F), with(0, 0x3F)];
        for (id, image) in (0..).zip(&images) {
            let (got, print) = interner.enter(image);
            assert_eq!(got, id);
            assert_eq!(print, Some(fingerprint(image)));
            prints.push(print);
        }
        for (id, image) in (0..).zip(&images) {
            assert_eq!(interner.enter(image), (id, None));
        }
        prints.sort_unstable();
        prints.dedup();
        assert_eq!(prints.len(), images.len());
    }
}
