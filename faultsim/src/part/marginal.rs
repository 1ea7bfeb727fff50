//! Sorted lists of marginal bits: cells that an interrupted step left half-way, so that they may
//! read differently each time.

use core::ops::Range;

use serde::{Deserialize, Serialize};

/// The marginal cells of one byte: left half-way by an interrupted operation, they may read
/// either way until they are programmed to 0 or erased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Marginal {
    /// Address of the byte.
    pub at: u32,
    /// Its marginal bits; never 0.
    pub mask: u8,
}

/// The indices of the entries of a sorted list that lie in bytes `from..to`.
pub(super) fn marginal_within(marginal: &[Marginal], from: usize, to: usize) -> Range<usize> {
    // Most ranges lie entirely before the first marginal byte or after the last one.
    if marginal.first().is_none_or(|first| first.at as usize >= to) {
        return 0..0;
    }
    if marginal.last().is_some_and(|last| (last.at as usize) < from) {
        return marginal.len()..marginal.len();
    }
    let start = marginal.partition_point(|entry| (entry.at as usize) < from);
    let len = marginal[start..].partition_point(|entry| (entry.at as usize) < to);
    start..start + len
}

pub(super) fn push_marginal(list: &mut Vec<Marginal>, at: usize, mask: u8) {
    if mask != 0 {
        list.push(Marginal { at: at as u32, mask });
    }
}

/// Looks up marginal bits byte by byte, in ascending order of address.
pub(super) struct MarginalCursor<'list>(pub(super) &'list [Marginal]);

impl MarginalCursor<'_> {
    /// The marginal bits of the byte at `at`, which must lie after the one asked for last time.
    pub(super) fn mask(&mut self, at: usize) -> u8 {
        while let [first, rest @ ..] = self.0 {
            if first.at as usize > at {
                break;
            }
            self.0 = rest;
            if first.at as usize == at {
                return first.mask;
            }
        }
        0
    }
}
