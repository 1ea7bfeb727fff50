//! What a file lacks by the rules of its own format, as findings.

use std::ops::Range;

use crate::container::{Contents, Cut};
use crate::find::Place;
use crate::survey::{Finding, Kind, Survey};

/// What is known to be missing of a region although its bytes seem to be there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Flaws {
    /// Addresses in the region that the file leaves out.
    pub gaps: Vec<Range<u32>>,
    /// How the file shows that it is incomplete, if it does.
    pub cut: Option<Cut>,
}

impl Flaws {
    /// The flaws of a region in a file.
    #[must_use]
    pub fn of(contents: &Contents, place: &Place) -> Self {
        let (base, len) = (u64::from(place.base), place.shape.bytes());
        let inside = |gap: &Range<u64>| {
            let from = gap.start.saturating_sub(base).min(len) as u32;
            let to = gap.end.saturating_sub(base).min(len) as u32;
            (from < to).then_some(from..to)
        };
        Self { gaps: contents.gaps.iter().filter_map(inside).collect(), cut: contents.cut }
    }
}

impl Survey<'_> {
    /// Adds what the file lacks.
    pub fn add_flaws(&mut self, flaws: &Flaws) {
        let mut sectors = std::collections::BTreeSet::new();
        for gap in &flaws.gaps {
            let Some(address) = self.torn_page(gap) else { continue };
            // One finding per sector: a tool that leaves out blank lines makes many gaps.
            if sectors.insert(address / self.region.shape().sector_bytes) {
                self.findings.push(Finding { kind: Kind::Gap, address, keys: Vec::new() });
            }
        }
        let kind = flaws.cut.map(|cut| match cut {
            Cut::NoEnd => Kind::FileCut,
            Cut::NoBlocks => Kind::BlocksMissing,
        });
        let finding = |kind| Finding { kind, address: 0, keys: Vec::new() };
        self.findings.extend(kind.map(finding));
        self.findings.sort_by_key(|finding| finding.address);
    }

    /// Where a gap lies in a page that holds data. Whole blank pages may be left out.
    fn torn_page(&self, gap: &Range<u32>) -> Option<u32> {
        let page = self.region.shape().page_bytes;
        let holds_data = |at: u32| {
            let from = at / page * page;
            let bytes = self.region.bytes(from, from + page);
            bytes.is_none_or(|bytes| bytes.iter().any(|b| *b != 0xFF))
        };
        // The pages between the first and the last one are not in the file at all.
        let last = (gap.end - 1) / page * page;
        [gap.start, last.max(gap.start)].into_iter().find(|at| holds_data(*at))
    }
}
