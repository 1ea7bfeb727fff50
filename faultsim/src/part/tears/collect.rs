//! Collects the tears of a step. It drops those that thinning leaves out and those with the same
//! effect as an earlier one, and it keeps the effects so that each is computed only once.

use core::hash::Hasher;

use rapidhash::RapidHashSet;
use rapidhash::quality::RapidHasher;

use super::tear::{FaultClass, Kind, Tear};
use crate::part::cells::{Image, Step};
use crate::part::coin::nth;
use crate::part::geometry::{Geometry, Level};
use crate::part::marginal::Marginal;

/// What a step works on, as the code that lists tears sees it.
pub(super) struct Work<'image> {
    /// Stored bytes of the cells the step works on.
    pub(super) cells: &'image [u8],
    /// Address of the first of these cells.
    pub(super) base: usize,
    /// The marginal cells among them.
    pub(super) marginal: &'image [Marginal],
    /// Sizes of the part.
    pub(super) geometry: &'image Geometry,
    /// How severe the tears may be.
    pub(super) level: Level,
}

impl Work<'_> {
    /// A seed for random choices: it differs from step to step and is the same in every run.
    pub(super) fn seed(&self, index: u64) -> u64 {
        nth(0x7465_6172 ^ (self.base as u64) << 32 ^ self.cells.len() as u64, index)
    }
}

/// Tears of a step, each with the class of faults it belongs to.
#[derive(Clone, Debug)]
pub(crate) struct Tears {
    pub(crate) list: Vec<(Tear, FaultClass)>,
    /// What the tears after the first two leave in the cells of the step, one after the other.
    cells: Vec<u8>,
    marginal: Vec<Marginal>,
    /// Where the marginal cells of each tear begin in `marginal`.
    marginal_starts: Vec<usize>,
    /// Number of bytes of the step.
    len: usize,
}

impl Tears {
    /// The tears of no step: only that nothing happened.
    pub(crate) fn none() -> Self {
        let mut tears = Self::whole();
        tears.list.truncate(1);
        tears
    }

    /// The two outcomes of every step: it had no effect, or its whole effect.
    pub(super) fn whole() -> Self {
        let list = vec![(Tear::NOTHING, FaultClass::Whole), (Tear::EVERYTHING, FaultClass::Whole)];
        Self { list, cells: Vec::new(), marginal: Vec::new(), marginal_starts: Vec::new(), len: 0 }
    }

    /// Tears the step with the tear of this number.
    pub(crate) fn apply(&self, number: usize, g: &Geometry, image: &mut Image, step: &Step) {
        let Some((tear, _)) = self.list.get(number) else { return };
        let outcome = number.checked_sub(2).and_then(|kept| {
            let start = *self.marginal_starts.get(kept)?;
            let end = self.marginal_starts.get(kept + 1).copied().unwrap_or(self.marginal.len());
            let cells = self.cells.get(kept * self.len..(kept + 1) * self.len)?;
            Some((cells, self.marginal.get(start..end)?))
        });
        match outcome {
            Some((cells, marginal)) => image.leave(g, step, cells, marginal),
            None => image.apply_torn(g, step, tear),
        }
    }
}

/// Collects tears, without those that thinning leaves out and those with the effect of an earlier
/// one.
pub(super) struct Collect<'work> {
    work: &'work Work<'work>,
    data: Option<&'work [u8]>,
    thin: u64,
    /// Tears offered so far. The count starts at a number that differs from step to step, so that
    /// the thinned lists of many steps together cover all members of a class.
    offered: u64,
    /// Hashes of the effects so far. Among 1000 tears, the chance that one is mistaken for a
    /// duplicate is below 10^-13.
    seen: RapidHashSet<u64>,
    cells: Vec<u8>,
    marginal: Vec<Marginal>,
    tears: &'work mut Tears,
    class: FaultClass,
}

impl<'work> Collect<'work> {
    pub(super) fn new(
        work: &'work Work<'work>,
        data: Option<&'work [u8]>,
        thin: u32,
        tears: &'work mut Tears,
    ) -> Self {
        tears.len = work.cells.len();
        let mut collect = Self {
            work,
            data,
            thin: u64::from(thin.max(1)),
            offered: work.seed(0) % u64::from(thin.max(1)),
            seen: RapidHashSet::default(),
            cells: Vec::new(),
            marginal: Vec::new(),
            tears,
            class: FaultClass::Whole,
        };
        // The two trivial outcomes are already in the list.
        collect.load();
        collect.marginal.extend_from_slice(work.marginal);
        collect.is_new();
        collect.load();
        for (cell, byte) in collect.cells.iter_mut().zip(data.unwrap_or_default()) {
            *cell &= byte;
        }
        match data {
            Some(data) => collect.marginal.extend(work.marginal.iter().filter_map(|entry| {
                let mask = entry.mask & data[entry.at as usize - work.base];
                (mask != 0).then_some(Marginal { mask, ..*entry })
            })),
            None => collect.cells.fill(0xFF),
        }
        collect.is_new();
        collect
    }

    /// Sets the class of the tears that are offered from here on.
    pub(super) const fn class(&mut self, class: FaultClass) {
        self.class = class;
    }

    /// Offers a representative of its class, which thinning never leaves out.
    pub(super) fn always(&mut self, tear: impl Into<Tear>) {
        let tear = tear.into();
        self.load();
        match (&tear.0, self.data) {
            (Kind::Program(torn), Some(data)) => {
                let Work { base, marginal, .. } = *self.work;
                torn.apply(&mut self.cells, base, data, marginal, &mut self.marginal);
            }
            (Kind::Erase(torn), None) => {
                torn.apply(&mut self.cells, self.work.base, self.work.marginal, &mut self.marginal);
            }
            _ => return,
        }
        if self.is_new() {
            let tears = &mut *self.tears;
            tears.list.push((tear, self.class));
            tears.marginal_starts.push(tears.marginal.len());
            tears.cells.extend_from_slice(&self.cells);
            tears.marginal.extend_from_slice(&self.marginal);
        }
    }

    /// Offers one of many of its class, which thinning may leave out.
    pub(super) fn often(&mut self, tear: impl Into<Tear>) {
        self.offered += 1;
        if self.offered.is_multiple_of(self.thin) {
            self.always(tear);
        }
    }

    /// Offers a series of tears. The first, the middle and the last one are representatives.
    pub(super) fn row<T: Into<Tear>>(
        &mut self,
        range: core::ops::Range<u32>,
        tear: impl Fn(u32) -> T,
    ) {
        let (first, end) = (range.start, range.end);
        for index in range {
            if index == first || index + 1 == end || index == first + (end - first) / 2 {
                self.always(tear(index));
            } else {
                self.often(tear(index));
            }
        }
    }

    fn load(&mut self) {
        self.cells.clear();
        self.cells.extend_from_slice(self.work.cells);
        self.marginal.clear();
    }

    fn is_new(&mut self) -> bool {
        let mut hasher = RapidHasher::new(1);
        hasher.write(&self.cells);
        for entry in &self.marginal {
            hasher.write_u64(u64::from(entry.at) << 8 | u64::from(entry.mask));
        }
        self.seen.insert(hasher.finish())
    }
}

/// Up to `count` evenly spaced numbers of `0..total`, including both ends.
pub(super) fn evenly_spaced(total: u32, count: u32) -> impl Iterator<Item = u32> {
    let count = count.min(total);
    let last = u64::from(total.saturating_sub(1));
    (0..count).map(move |index| {
        let gaps = u64::from(count.saturating_sub(1)).max(1);
        (u64::from(index) * last / gaps) as u32
    })
}
