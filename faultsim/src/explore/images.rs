//! Recognises images that were seen before. They are compared by content, page by page, never by a
//! hash alone.
//!
//! Where the part refuses second programs, what decides about later programs belongs to the content
//! of a page; see [`SecondPrograms::Refused`].

use core::hash::Hash;
use core::ops::Range;

use rapidhash::RapidHashMap;
use rapidhash::v3::{RapidSecrets, rapidhash_v3_seeded};
use rayon::prelude::*;

use crate::part::{Image, Marginal, SecondPrograms};

/// Number of an image within one [`Interner`].
pub(crate) type ImageId = u32;

/// 128-bit digest of an image, for counting distinct images over the whole run (plans over edges
/// keep half of it). Two different images share one with a probability of about 2^-128. It also
/// shows whether another history left the same image.
pub(crate) type Fingerprint = u128;

/// Keeps one of each value, and at most `most` of them.
fn keep_distinct<T: Ord + Send>(values: &mut Vec<T>, most: usize) {
    values.par_sort_unstable();
    values.dedup();
    values.truncate(most);
}

/// Counts distinct values up to a limit. New values are sorted in now and then, so that memory is
/// bounded.
#[derive(Debug)]
pub(crate) struct Distinct<T> {
    values: Vec<T>,
    /// How many of them are sorted and distinct.
    sorted: usize,
    most: usize,
}

impl<T: Ord + Send> Distinct<T> {
    pub(crate) const fn new(most: usize) -> Self {
        Self { values: Vec::new(), sorted: 0, most }
    }

    pub(crate) fn extend(&mut self, values: impl IntoIterator<Item = T>) {
        self.values.extend(values);
    }

    /// Sorts in the new values if there are enough of them, given how many are sorted already.
    pub(crate) fn sort_in(&mut self, enough: impl FnOnce(usize) -> usize) {
        if self.values.len() - self.sorted >= enough(self.sorted) {
            keep_distinct(&mut self.values, self.most);
            self.sorted = self.values.len();
        }
    }

    /// How many there are, and whether the limit was reached.
    pub(crate) fn count(mut self) -> (u64, bool) {
        keep_distinct(&mut self.values, self.most);
        (self.values.len() as u64, self.values.len() == self.most)
    }
}

/// Gives equal images equal numbers. An image is kept as its differences to a base image, so
/// that the many images around one cut cost a page or two each.
#[derive(Debug)]
pub(crate) struct Interner {
    base: Image,
    base_digests: Vec<Fingerprint>,
    base_sum: Fingerprint,
    pages: Pages,
    marginal: RapidHashMap<Vec<Marginal>, u32>,
    images: RapidHashMap<Box<[(u32, u32)]>, ImageId>,
    /// What the images that are entered next have in common.
    around: Around,
    /// Differences of the image being entered, and the content of a page; kept for their
    /// allocations.
    differences: Vec<(u32, u32)>,
    content: Vec<u8>,
}

/// All page contents that were met.
#[derive(Debug, Default)]
struct Pages {
    list: Vec<Page>,
    /// Their bytes, one page after the other.
    bytes: Vec<u8>,
    /// The newest one with this hash.
    newest: RapidHashMap<u64, u32>,
}

/// Content of a page, somewhere in an image.
#[derive(Debug)]
struct Page {
    bytes: Range<usize>,
    content: Content,
    /// One with the same hash that was there before.
    same_hash: Option<u32>,
}

/// Images that differ only within a range of pages.
#[derive(Debug, Default)]
struct Around {
    within: Range<u32>,
    /// Differences to the base before and after these pages.
    before: Vec<(u32, u32)>,
    after: Vec<(u32, u32)>,
    /// Sum of the digests, with the base's own digests for these pages.
    sum: Fingerprint,
}

/// Stands for the list of marginal cells among the differences.
const MARGINAL: u32 = u32::MAX;
/// Stands for the bad sector among the differences.
const BAD: u32 = u32::MAX - 1;

impl Interner {
    pub(crate) fn new(base: &Image) -> Self {
        let mut interner = Self {
            base: base.clone(),
            base_digests: Vec::new(),
            base_sum: 0,
            pages: Pages::default(),
            marginal: RapidHashMap::default(),
            images: RapidHashMap::default(),
            around: Around::default(),
            differences: Vec::new(),
            content: Vec::new(),
        };
        for (index, page) in (0..).zip(base.pages()) {
            let digest = digest(index, content(base, index, page, &mut interner.content));
            interner.base_digests.push(digest);
            interner.base_sum = interner.base_sum.wrapping_add(digest);
        }
        interner.around.within = 0..number(interner.base_digests.len());
        interner.around.sum = interner.base_sum;
        interner
    }

    /// The images that are entered from here on, about `count` of them, differ from `image` only in
    /// marginal cells and in the pages of these bytes.
    pub(crate) fn around(&mut self, image: &Image, bytes: Range<usize>, count: usize) {
        let mut around = std::mem::take(&mut self.around);
        around.within = image.pages_of(bytes);
        around.before.clear();
        around.after.clear();
        around.sum = self.base_sum;
        for (index, page, of_base) in image.differing(&self.base) {
            let is_same = page == of_base && image.has_program_states_of(&self.base, index);
            if is_same || around.within.contains(&index) {
                continue;
            }
            let id = self.pages.number(content(image, index, page, &mut self.content));
            around.sum = around.sum.wrapping_add(self.change(index, id));
            let place =
                if index < around.within.start { &mut around.before } else { &mut around.after };
            place.push((index, id));
        }
        self.around = around;
        self.images.reserve(count);
    }

    /// The number of the image, and its fingerprint if it is new here.
    pub(crate) fn enter(&mut self, image: &Image) -> (ImageId, Option<Fingerprint>) {
        let mut differences = std::mem::take(&mut self.differences);
        differences.clear();
        differences.extend_from_slice(&self.around.before);
        for (index, page, of_base) in image.differing_within(&self.base, self.around.within.clone())
        {
            if page != of_base || !image.has_program_states_of(&self.base, index) {
                let content = content(image, index, page, &mut self.content);
                differences.push((index, self.pages.number(content)));
            }
        }
        let own = self.around.before.len()..differences.len();
        differences.extend_from_slice(&self.around.after);
        if image.marginal() != self.base.marginal() {
            differences.push((MARGINAL, number_of(&mut self.marginal, image.marginal())));
        }
        if let Some(bad) = image.bad() {
            differences.push((BAD, bad.number()));
        }
        let known = self.images.get(differences.as_slice()).copied();
        let answer = match known {
            Some(id) => (id, None),
            None => {
                let id = number(self.images.len());
                self.images.insert(differences.as_slice().into(), id);
                let changes = differences.get(own).unwrap_or_default().iter();
                let sum = changes.fold(self.around.sum, |sum, &(index, id)| {
                    sum.wrapping_add(self.change(index, id))
                });
                let rest = marginal_digest(image).wrapping_add(bad_digest(image));
                (id, Some(sum.wrapping_add(rest)))
            }
        };
        self.differences = differences;
        answer
    }

    /// How the fingerprint changes if the page at `index` has the content `id` instead of the
    /// base's.
    fn change(&self, index: u32, id: u32) -> Fingerprint {
        let old = self.base_digests.get(index as usize).copied().unwrap_or(0);
        let page = self.pages.list.get(id as usize);
        page.map_or(0, |page| placed(index, page.content)).wrapping_sub(old)
    }
}

impl Pages {
    /// The number of a page's content.
    fn number(&mut self, page: &[u8]) -> u32 {
        let first = rapidhash_v3_seeded(page, &SECRETS[0]);
        let newest = self.newest.get(&first).copied();
        let mut same_hash = newest;
        while let Some(id) = same_hash {
            let Some(known) = self.list.get(id as usize) else { break };
            if self.bytes.get(known.bytes.clone()) == Some(page) {
                return id;
            }
            same_hash = known.same_hash;
        }
        let id = number(self.list.len());
        let content = [first, rapidhash_v3_seeded(page, &SECRETS[1])];
        let from = self.bytes.len();
        self.bytes.extend_from_slice(page);
        self.list.push(Page { bytes: from..self.bytes.len(), content, same_hash: newest });
        self.newest.insert(first, id);
        id
    }
}

/// The content of a page: its bytes, and what decides about later programs in it.
fn content<'page>(
    image: &Image,
    index: u32,
    page: &'page [u8],
    buffer: &'page mut Vec<u8>,
) -> &'page [u8] {
    if image.second_programs() != SecondPrograms::Refused {
        return page;
    }
    buffer.clear();
    buffer.extend_from_slice(page);
    image.append_program_states(index, buffer);
    buffer
}

static SECRETS: [RapidSecrets; 2] = [RapidSecrets::seed(1), RapidSecrets::seed(2)];

/// The fingerprint of one image, the same as an [`Interner`] gives.
pub(crate) fn fingerprint(image: &Image) -> Fingerprint {
    let mut buffer = Vec::new();
    let pages = (0..).zip(image.pages());
    let sum = pages.fold(0, |sum: u128, (index, page)| {
        sum.wrapping_add(digest(index, content(image, index, page, &mut buffer)))
    });
    sum.wrapping_add(marginal_digest(image)).wrapping_add(bad_digest(image))
}

/// Hashes of a page's content.
type Content = [u64; 2];

/// Digest of a page at its place.
fn digest(index: u32, page: &[u8]) -> Fingerprint {
    let hash = |secrets: &RapidSecrets| rapidhash_v3_seeded(page, secrets);
    placed(index, [hash(&SECRETS[0]), hash(&SECRETS[1])])
}

/// The digest of a page's content at an index. Digests are added up, so each must depend on its
/// place.
fn placed(index: u32, content: Content) -> Fingerprint {
    let half = |content: u64, secrets: &RapidSecrets| {
        let mut placed = [0; 12];
        placed[..8].copy_from_slice(&content.to_le_bytes());
        placed[8..].copy_from_slice(&index.to_le_bytes());
        rapidhash_v3_seeded(&placed, secrets)
    };
    let [first, second] = content;
    u128::from(half(first, &SECRETS[0])) << 64 | u128::from(half(second, &SECRETS[1]))
}

fn bad_digest(image: &Image) -> Fingerprint {
    image.bad().map_or(0, |bad| digest(BAD, &bad.number().to_le_bytes()))
}

fn marginal_digest(image: &Image) -> Fingerprint {
    if !image.has_marginal() {
        return 0;
    }
    let mut bytes = Vec::with_capacity(image.marginal().len() * 5);
    for marginal in image.marginal() {
        bytes.extend(marginal.at.to_le_bytes());
        bytes.push(marginal.mask);
    }
    digest(MARGINAL, &bytes)
}

/// The number of a thing: how many different ones were met before it.
pub(crate) fn number_of<T: ToOwned + Hash + Eq + ?Sized>(
    known: &mut RapidHashMap<T::Owned, u32>,
    thing: &T,
) -> u32
where
    T::Owned: Hash + Eq,
{
    let next = number(known.len());
    match known.get(thing) {
        Some(&number) => number,
        None => *known.entry(thing.to_owned()).or_insert(next),
    }
}

fn number(len: usize) -> u32 {
    // Memory runs out before the numbers do: each entry takes more than a byte.
    u32::try_from(len).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::{Geometry, Step, Tear};

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
        let mut fingerprints = Vec::new();
        let images = [blank.clone(), with(0, 0x7F), with(256, 0x7F), with(0, 0x3F)];
        for (id, image) in (0..).zip(&images) {
            if id > 1 {
                interner.around(&images[1], 0..257, 2);
            }
            let (got, print) = interner.enter(image);
            assert_eq!(got, id);
            assert_eq!(print, Some(fingerprint(image)));
            fingerprints.push(print);
        }
        for (id, image) in (0..).zip(&images) {
            assert_eq!(interner.enter(image), (id, None));
            interner.around(image, 0..0, 1);
            assert_eq!(interner.enter(image), (id, None));
            interner.around(image, 300..512, 1);
            assert_eq!(interner.enter(image), (id, None));
            interner.around(&blank, 0..1024, 1);
        }
        fingerprints.sort_unstable();
        fingerprints.dedup();
        assert_eq!(fingerprints.len(), images.len());
    }

    /// Images with equal cells are different if the part accepts different programs from then on.
    #[test]
    fn numbers_follow_what_may_be_programmed() {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let mut images = Vec::new();
        for rule in [SecondPrograms::Refused, SecondPrograms::Counted] {
            let mut blank = Image::blank(&geometry);
            blank.set_second_programs(&geometry, rule);
            let after = |step: Step| {
                let mut image = blank.clone();
                image.apply_torn(&geometry, &step, &Tear::NOTHING);
                image
            };
            let program = |at, byte| after(Step::Program { at, data: vec![byte] });
            let changed = [
                program(300, 0),
                program(300, 1),
                program(301, 0),
                program(44, 0),
                after(Step::Erase { sector: 0 }),
                after(Step::Erase { sector: 1 }),
            ];
            let mut interner = Interner::new(&blank);
            let refused = rule == SecondPrograms::Refused;
            assert_eq!(interner.enter(&blank), (0, Some(fingerprint(&blank))));
            for (id, image) in (1..).zip(&changed) {
                let expected = if refused { (id, Some(fingerprint(image))) } else { (0, None) };
                assert_eq!(interner.enter(image), expected);
                interner.around(image, 256..512, 1);
                assert_eq!(interner.enter(image), (expected.0, None));
                interner.around(&blank, 0..1024, 1);
            }
            images.extend(changed);
        }
        let mut fingerprints: Vec<_> = images.iter().map(fingerprint).collect();
        fingerprints.sort_unstable();
        fingerprints.dedup();
        assert_eq!(fingerprints.len(), 6 + 1);
    }
}
