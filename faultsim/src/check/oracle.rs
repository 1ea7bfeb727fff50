//! Every state of the settings that the history so far allows.
//!
//! One client, one operation at a time. An acknowledged operation leaves exactly its result, a
//! refused one leaves what was there, and for an operation in flight at a power cut both are
//! possible. Every read is itself an acknowledged operation: it strikes out the states it
//! contradicts, so what one power-up has reported binds all later ones. When nothing is left, the
//! storage code has broken a promise.

use rapidhash::{RapidHashMap, RapidHashSet};

use crate::subject::{Change, Op};

/// A value known to the oracle, or [`ABSENT`].
pub type ValueId = u32;

/// Stands for a setting that is absent.
pub const ABSENT: ValueId = 0;

/// Every value a workload writes, each under a number, so that states are small and cheap to
/// compare.
#[derive(Clone, Debug, Default)]
pub struct Values {
    bytes: Vec<Vec<u8>>,
    ids: RapidHashMap<Vec<u8>, ValueId>,
    /// What operations write to which setting.
    written: RapidHashSet<(u16, ValueId)>,
}

impl Values {
    /// No values yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The number of a value, new or known.
    ///
    /// # Panics
    ///
    /// If there are more than 2^32 - 2 values; memory runs out earlier.
    pub fn intern(&mut self, value: &[u8]) -> ValueId {
        if let Some(&id) = self.ids.get(value) {
            return id;
        }
        self.bytes.push(value.to_vec());
        let id = ValueId::try_from(self.bytes.len()).expect("fewer than 2^32 values");
        self.ids.insert(value.to_vec(), id);
        id
    }

    /// The bytes of a value; `None` for [`ABSENT`] and for a number never given out.
    pub fn get(&self, id: ValueId) -> Option<&[u8]> {
        let index = (id as usize).checked_sub(1)?;
        self.bytes.get(index).map(Vec::as_slice)
    }

    /// The number of a value that some operation writes to this setting.
    fn write(&mut self, key: u16, value: &[u8]) -> ValueId {
        let id = self.intern(value);
        self.written.insert((key, id));
        id
    }

    /// Whether some operation writes these bytes to this setting.
    pub fn is_written(&self, key: u16, value: &[u8]) -> bool {
        self.find(value).is_some_and(|id| self.written.contains(&(key, id)))
    }

    /// The number of these bytes, if some operation writes them.
    pub fn find(&self, value: &[u8]) -> Option<ValueId> {
        self.ids.get(value).copied()
    }
}

/// What an operation does to the settings if it happens.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Effect {
    clear: bool,
    changes: Vec<(u16, ValueId)>,
}

impl Effect {
    /// The effect of `op`, its values entered into `values`.
    pub fn of(op: &Op, values: &mut Values) -> Self {
        let mut effect = Self::default();
        match op {
            Op::Put { key, value } => effect.changes.push((*key, values.write(*key, value))),
            Op::Delete { key } => effect.changes.push((*key, ABSENT)),
            Op::Batch(changes) => {
                for change in changes {
                    effect.changes.push(match change {
                        Change::Put { key, value } => (*key, values.write(*key, value)),
                        Change::Delete { key } => (*key, ABSENT),
                    });
                }
            }
            Op::Clear => effect.clear = true,
            Op::Tidy | Op::Reopen => {}
        }
        effect
    }

    fn apply(&self, state: &mut [ValueId]) {
        if self.clear {
            state.fill(ABSENT);
        }
        for &(key, value) in &self.changes {
            if let Some(slot) = state.get_mut(usize::from(key)) {
                *slot = value;
            }
        }
    }
}

/// A read that no allowed state explains.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contradiction {
    /// The setting read.
    pub key: u16,
    /// What the allowed states hold for it, without repetition.
    pub allowed: Vec<ValueId>,
    /// Whether the value belongs to a state that an earlier read in the same power-up struck out.
    /// What is impossible then is the combination of the two reads.
    pub struck_now: bool,
    /// Whether the value belongs to a state that an earlier power-up's reads struck out.
    pub struck_before: bool,
}

/// The set of allowed states. See the module's description.
#[derive(Clone, Debug, Default)]
pub struct Oracle {
    keys: usize,
    /// The states one after the other, `keys` values each.
    states: Vec<ValueId>,
    /// While an operation runs: how many of the states are without its effect.
    before: Option<usize>,
    /// States that reads of this power-up struck out, and of earlier ones: for wording only.
    struck_now: Vec<ValueId>,
    struck_before: Vec<ValueId>,
}

/// Two oracles are equal if they allow the same, whatever led there.
impl PartialEq for Oracle {
    fn eq(&self, other: &Self) -> bool {
        self.keys == other.keys && self.states == other.states && self.before == other.before
    }
}

impl Eq for Oracle {}

impl std::hash::Hash for Oracle {
    fn hash<H: std::hash::Hasher>(&self, hasher: &mut H) {
        self.states.hash(hasher);
        self.before.hash(hasher);
    }
}

impl Oracle {
    /// `keys` settings, all absent.
    pub fn new(keys: usize) -> Self {
        Self { keys, states: vec![ABSENT; keys], ..Self::default() }
    }

    /// Becomes what `other` is, and keeps its own allocations.
    pub(crate) fn copy_from(&mut self, other: &Self) {
        self.keys = other.keys;
        self.states.clone_from(&other.states);
        self.before = other.before;
        self.struck_now.clone_from(&other.struck_now);
        self.struck_before.clone_from(&other.struck_before);
    }

    /// The allowed states, each one value per key.
    pub fn states(&self) -> impl Iterator<Item = &[ValueId]> {
        self.states.chunks_exact(self.keys.max(1))
    }

    /// How many states are allowed.
    pub fn len(&self) -> usize {
        self.states.len() / self.keys.max(1)
    }

    /// Never true of a set that was only changed through the methods of this type.
    pub fn is_empty(&self) -> bool {
        self.states.is_empty()
    }

    /// An operation starts. Until it ends, its effect may be there or not.
    pub fn invoke(&mut self, effect: &Effect) {
        self.cut();
        self.struck_now.clear();
        self.struck_before.clear();
        let states = self.len();
        self.before = Some(states);
        for state in 0..states {
            let from = self.states.len();
            self.states.extend_from_within(state * self.keys..(state + 1) * self.keys);
            effect.apply(&mut self.states[from..]);
        }
    }

    /// The operation reported success: only states with its effect remain.
    pub fn ok(&mut self) {
        if let Some(before) = self.before.take() {
            self.states.drain(..before * self.keys);
            self.forget_repetitions();
        }
    }

    /// The operation reported that it changed nothing: only states without its effect remain.
    pub fn refused(&mut self) {
        if let Some(before) = self.before.take() {
            self.states.truncate(before * self.keys);
        }
    }

    /// The power went: the operation in flight, if any, may or may not have happened.
    pub fn cut(&mut self) {
        if self.before.take().is_some() {
            self.forget_repetitions();
        }
        self.struck_before.append(&mut self.struck_now);
    }

    /// A read of one setting returned: `None` is absent. Strikes out what contradicts it.
    ///
    /// # Errors
    ///
    /// If nothing would be left; the set then stays as it was.
    pub fn read(
        &mut self,
        key: u16,
        seen: Option<&[u8]>,
        values: &Values,
    ) -> Result<(), Contradiction> {
        if self.before.is_some() {
            // While an operation runs, a read does not decide whether it has happened.
            self.cut();
        }
        let at = usize::from(key);
        // A setting that the oracle does not know was never written.
        let value = |state: &[ValueId]| state.get(at).copied().unwrap_or(ABSENT);
        let fits = |state: &[ValueId]| values.get(value(state)) == seen;
        let keys = self.keys.max(1);
        let fitting = self.states().filter(|state| fits(state)).count();
        if fitting == 0 {
            let mut allowed: Vec<ValueId> = self.states().map(value).collect();
            allowed.sort_unstable();
            allowed.dedup();
            let among = |struck: &[ValueId]| struck.chunks_exact(keys).any(fits);
            return Err(Contradiction {
                key,
                allowed,
                struck_now: among(&self.struck_now),
                struck_before: among(&self.struck_before),
            });
        }
        if fitting < self.len() {
            let struck = &mut self.struck_now;
            retain(&mut self.states, keys, |_, state| {
                let fits = fits(state);
                if !fits {
                    struck.extend_from_slice(state);
                }
                fits
            });
        }
        Ok(())
    }

    /// Whether some allowed state explains what was read of a setting.
    pub(crate) fn allows(&self, key: u16, seen: Option<&[u8]>, values: &Values) -> bool {
        let value = |state: &[ValueId]| state.get(usize::from(key)).copied().unwrap_or(ABSENT);
        self.states().any(|state| values.get(value(state)) == seen)
    }

    /// Keeps those of the allowed states that fit.
    pub(crate) fn keep(&mut self, mut fits: impl FnMut(&[ValueId]) -> bool) {
        retain(&mut self.states, self.keys, |_, state| fits(state));
    }

    /// Keeps only the first allowed states. For histories in which what is read need not be among
    /// them.
    pub(crate) fn shorten(&mut self, most: usize) {
        self.states.truncate(most * self.keys.max(1));
    }

    /// What a setting may have held before the operation in flight, or may hold if there is none.
    pub fn before(&self, key: u16) -> impl Iterator<Item = ValueId> {
        let states = self.before.unwrap_or(usize::MAX);
        let value = move |state: &[ValueId]| state.get(usize::from(key)).copied();
        self.states().take(states).map(move |state| value(state).unwrap_or(ABSENT))
    }

    /// The value of a setting if all allowed states agree on it.
    pub fn known(&self, key: u16) -> Option<ValueId> {
        let mut values = self.states().map(|state| state.get(usize::from(key)).copied());
        let first = values.next()??;
        values.all(|value| value == Some(first)).then_some(first)
    }

    /// Keeps the first of equal states; their order stays.
    fn forget_repetitions(&mut self) {
        let keys = self.keys.max(1);
        retain(&mut self.states, keys, |kept, state| {
            !kept.chunks_exact(keys).any(|known| known == state)
        });
    }
}

/// Keeps the states for which `stays` returns true, in their order. `stays` gets the states kept so
/// far, and the one in question.
fn retain(
    states: &mut Vec<ValueId>,
    keys: usize,
    mut stays: impl FnMut(&[ValueId], &[ValueId]) -> bool,
) {
    let keys = keys.max(1);
    let mut kept = 0;
    for from in (0..states.len()).step_by(keys) {
        let (earlier, rest) = states.split_at(from);
        let (state, _) = rest.split_at(keys.min(rest.len()));
        if stays(&earlier[..kept], state) {
            let len = state.len();
            states.copy_within(from..from + len, kept);
            kept += len;
        }
    }
    states.truncate(kept);
}

#[cfg(test)]
mod litmus;
