//! What the code refused in the uncut run, so that it is not asked for again.

use std::collections::BTreeMap;

use crate::subject::{Change, Op, OpKind};

/// A store may refuse a kind of operation, values above a size, or certain names. Smaller values
/// and other names are still asked for.
#[derive(Clone, Debug, Default)]
pub(crate) struct Refusals {
    refused: Vec<Asked>,
    /// The longest value that worked, by kind.
    worked: BTreeMap<OpKind, usize>,
}

/// The properties of an operation that a refusal may depend on.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Asked {
    kind: OpKind,
    keys: Vec<u16>,
    /// Bytes of the longest value.
    longest: usize,
}

impl Asked {
    fn of(op: &Op) -> Self {
        let keys = match op {
            Op::Put { key, .. } | Op::Delete { key } => vec![*key],
            Op::Batch(changes) => changes
                .iter()
                .map(|change| match change {
                    Change::Put { key, .. } | Change::Delete { key } => *key,
                })
                .collect(),
            Op::Clear | Op::Tidy | Op::Reopen => Vec::new(),
        };
        Self { kind: op.kind(), keys, longest: op.longest_value() }
    }
}

impl Refusals {
    pub(crate) fn refused(&mut self, op: &Op) {
        let asked = Asked::of(op);
        if !self.refused.contains(&asked) {
            self.refused.push(asked);
        }
    }

    pub(crate) fn worked(&mut self, op: &Op) {
        let known = self.worked.entry(op.kind()).or_default();
        *known = op.longest_value().max(*known);
    }

    /// Whether nothing was refused.
    pub(crate) fn is_empty(&self) -> bool {
        self.refused.is_empty()
    }

    /// Whether every operation of this kind was refused, and there was one.
    pub(crate) fn all(&self, kind: OpKind) -> bool {
        self.refused.iter().any(|asked| asked.kind == kind) && !self.worked.contains_key(&kind)
    }

    /// Whether the code may refuse this, judging by what it refused before.
    pub(crate) fn covers(&self, op: &Op) -> bool {
        if self.is_empty() {
            return false;
        }
        let asked = Asked::of(op);
        if self.all(asked.kind) {
            return true;
        }
        let alike = |known: &Asked| {
            known.kind == asked.kind || known.kind == OpKind::Put && asked.kind == OpKind::Batch
        };
        let mut refused = self.refused.iter().filter(|known| alike(known));
        refused.any(|known| {
            // Refused for its size, if no value of that length ever worked; or for its name.
            let worked = self.worked.get(&known.kind);
            let for_size = worked.is_none_or(|longest| *longest < known.longest);
            let same_key = known.keys.iter().any(|key| asked.keys.contains(key));
            asked.longest >= known.longest && (for_size || same_key)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(key: u16, len: usize) -> Op {
        Op::Put { key, value: vec![0; len] }
    }

    fn batch(lens: &[(u16, usize)]) -> Op {
        let put = |&(key, len): &(u16, usize)| Change::Put { key, value: vec![0; len] };
        Op::Batch(lens.iter().map(put).collect())
    }

    #[test]
    fn what_is_longer_than_what_was_refused_is_not_asked_for() {
        let mut refusals = Refusals::default();
        assert!(!refusals.covers(&put(0, 100)));
        refusals.worked(&put(0, 64));
        refusals.worked(&batch(&[(0, 4)]));
        refusals.refused(&put(0, 65));
        assert!(!refusals.covers(&put(0, 64)) && !refusals.covers(&put(1, 20)));
        assert!(refusals.covers(&put(1, 65)) && refusals.covers(&batch(&[(1, 4), (2, 80)])));
        assert!(!refusals.covers(&batch(&[(1, 64)])) && !refusals.covers(&Op::Delete { key: 0 }));
    }

    #[test]
    fn names_and_kinds_may_be_refused_too() {
        let mut refusals = Refusals::default();
        refusals.worked(&put(0, 64));
        refusals.refused(&put(1, 4));
        assert!(refusals.covers(&put(1, 5)) && !refusals.covers(&put(1, 3)));
        assert!(!refusals.covers(&put(0, 5)));
        refusals.refused(&batch(&[(0, 8)]));
        assert!(refusals.all(OpKind::Batch) && refusals.covers(&batch(&[(0, 1)])));
        assert!(!refusals.all(OpKind::Put) && !refusals.all(OpKind::Clear));
    }
}
