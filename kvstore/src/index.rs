//! The index in RAM: hash and address of each live key, sorted by hash.

use heapless::VecView;

/// One live key. Eight bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Entry {
    pub(crate) hash: u32,
    /// Address of the record, from the start of the store's range.
    pub(crate) address: u32,
}

/// Access to the index that does not depend on its capacity, so that the code exists once.
pub(crate) type Index = VecView<Entry>;

/// Position of the first entry with this hash, or where it would stand.
#[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
pub(crate) fn lower_bound(index: &Index, hash: u32) -> usize {
    index.partition_point(|e| e.hash < hash)
}

/// Adds an entry; `false` if the index is full.
pub(crate) fn insert(index: &mut Index, hash: u32, address: u32) -> bool {
    let at = lower_bound(index, hash);
    let mut carried = Entry { hash, address };
    if index.is_full() {
        return false;
    }
    // Entry by entry: a few instructions instead of a general routine to move memory.
    for entry in index.iter_mut().skip(at) {
        core::mem::swap(entry, &mut carried);
    }
    index.push(carried).is_ok()
}

/// Removes the entry at `position`.
pub(crate) fn remove(index: &mut Index, position: usize) {
    if position < index.len()
        && let Some(mut carried) = index.pop()
    {
        for entry in index.iter_mut().skip(position).rev() {
            core::mem::swap(entry, &mut carried);
        }
    }
}
