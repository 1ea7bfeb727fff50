//! Two images compared by their settings and wear.

use std::collections::BTreeSet;

use crate::mount::{MountedCopy, Values};

/// How a setting differs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// The key.
    pub key: Vec<u8>,
    /// Its value in the first image: `None` if there is none, `Some(None)` if it is damaged.
    pub first: Option<Option<Vec<u8>>>,
    /// Its value in the second image.
    pub second: Option<Option<Vec<u8>>>,
}

/// The settings that differ, sorted by key.
#[must_use]
pub fn settings(first: &Values, second: &Values) -> Vec<Difference> {
    let keys: BTreeSet<&Vec<u8>> = first.keys().chain(second.keys()).collect();
    keys.into_iter()
        .filter(|key| first.get(*key) != second.get(*key))
        .map(|key| Difference {
            key: key.clone(),
            first: first.get(key).cloned(),
            second: second.get(key).cloned(),
        })
        .collect()
}

/// Compactions between the two, if the second is a later image of the same store.
#[must_use]
pub const fn compactions_between(first: &MountedCopy, second: &MountedCopy) -> i64 {
    second.usage.compactions as i64 - first.usage.compactions as i64
}
