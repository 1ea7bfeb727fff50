//! Numbers, lists and geometries as the bytes of a token.

use super::token::{Longer, MOST_BYTES, MOST_OPS};
use crate::part::Geometry;

/// Index of an element of a short list.
pub(super) fn place<T: PartialEq>(list: &[T], wanted: &T) -> u64 {
    list.iter().position(|known| known == wanted).unwrap_or(0) as u64
}

#[derive(Default)]
pub(super) struct Writer(pub(super) Vec<u8>);

impl Writer {
    pub(super) fn number(&mut self, mut number: u64) {
        loop {
            let [low, ..] = number.to_le_bytes();
            number >>= 7;
            if number == 0 {
                self.0.push(low & 0x7F);
                return;
            }
            self.0.push(low | 0x80);
        }
    }

    pub(super) fn geometry(&mut self, geometry: &Geometry) {
        let Geometry { sectors, sector_bytes, unit, page } = *geometry;
        [sectors, sector_bytes, unit, page].iter().for_each(|&size| self.number(size.into()));
    }

    pub(super) fn list<T>(&mut self, list: &[T], mut each: impl FnMut(&mut Self, &T)) {
        self.number(list.len() as u64);
        list.iter().for_each(|item| each(self, item));
    }

    /// Ascending numbers as runs: how many are skipped, how many follow.
    pub(super) fn runs(&mut self, ascending: &[u32]) {
        let mut runs: Vec<(u32, u32)> = Vec::new();
        let mut next = 0;
        for &number in ascending {
            match runs.last_mut() {
                Some(run) if number == next => run.1 += 1,
                _ => runs.push((number - next, 1)),
            }
            next = number + 1;
        }
        self.list(&runs, |writer, &(gap, len)| {
            writer.number(gap.into());
            writer.number(len.into());
        });
    }
}

pub(super) struct Reader<'bytes>(pub(super) &'bytes [u8]);

impl Reader<'_> {
    pub(super) fn number(&mut self) -> Option<u64> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let (&byte, rest) = self.0.split_first()?;
            self.0 = rest;
            let digit = u64::from(byte & 0x7F);
            if shift == 63 && digit > 1 {
                return None;
            }
            number |= digit << shift;
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }

    pub(super) fn small(&mut self) -> Option<u32> {
        u32::try_from(self.number()?).ok()
    }

    pub(super) fn geometry(&mut self) -> Option<Geometry> {
        let (sectors, sector_bytes) = (self.small()?, self.small()?);
        let geometry = Geometry::new(sectors, sector_bytes, self.small()?, self.small()?).ok()?;
        (geometry.bytes() <= MOST_BYTES).then_some(geometry)
    }

    pub(super) fn longer(&mut self) -> Option<Longer> {
        let (key, bytes) = (u16::try_from(self.number()?).ok()?, self.small()?);
        Some(Longer { key, bytes })
    }

    pub(super) fn pick<T: Copy>(&mut self, list: &[T]) -> Option<T> {
        list.get(usize::try_from(self.number()?).ok()?).copied()
    }

    pub(super) fn list<T>(
        &mut self,
        mut each: impl FnMut(&mut Self) -> Option<T>,
    ) -> Option<Vec<T>> {
        let len = self.number()?;
        (0..len).map(|_| each(self)).collect()
    }

    /// A number of operations.
    pub(super) fn ops(&mut self) -> Option<u32> {
        self.small().filter(|&ops| ops <= MOST_OPS)
    }

    pub(super) fn runs(&mut self) -> Option<Vec<u32>> {
        let mut numbers = Vec::new();
        let mut next = 0_u32;
        for (gap, len) in self.list(|reader| Some((reader.small()?, reader.small()?)))? {
            let start = next.checked_add(gap)?;
            next = start.checked_add(len)?;
            if numbers.len() + len as usize > MOST_OPS as usize {
                return None;
            }
            numbers.extend(start..next);
        }
        Some(numbers)
    }
}
