//! What storage code has to implement to be tested by the rig, and the plain data it exchanges with
//! the rig: operations, names, work and errors.

use core::ops::Range;

use crate::part::{Geometry, Part, PartError, SecondPrograms};

/// Called with the number of each setting, and with its value or why it cannot be read.
pub type EachSetting<'a> = dyn FnMut(u16, Result<Option<&[u8]>, Trouble>) + 'a;

/// Storage code under test. A type with four short methods is enough for a first run;
/// `examples/own_store.rs` is a complete program around a small store with a bug that the rig
/// finds.
///
/// The rig calls [`Subject::open`] for every power-up, runs operations, reads settings back with
/// [`Subject::get`], and cuts the power during programs and erases. What to know:
///
/// - One value of the type is shared by all worker threads; each power-up gets a new store.
///   Everything that has to survive a cut must be in the [`Part`]: dropping the store is the loss
///   of RAM. Keep nothing in static variables.
/// - Access the part with [`Chip::read`](crate::part::Chip::read), `program` and `erase` of
///   [`Part::chip_mut`], or through the `embedded-storage` traits of [`Part::nor`].
/// - Once the power is off, every call of the part fails with [`PartError::PowerOff`]. Pass it on
///   as [`Trouble::PowerOff`]; `?` does that.
/// - An operation that returns `Ok` is acknowledged: every later power-up must show it. If the code
///   does not support an operation, for example because of its kind, its name or the length of its
///   value, return [`Trouble::Refused`]. The rig then leaves it out.
/// - Behave the same each time: no clock, no addresses, no randomly seeded maps. Otherwise a token
///   cannot repeat what was found.
/// - Panics, endless loops and calls that violate the contract of the part are violations too. An
///   endless loop is detected by its calls of the part, whether they fail or not. A loop without
///   such calls cannot be stopped from within the process, and the run hangs: if your code may have
///   one, run it as a separate program.
///
/// The command `outlast` cannot run a subject of yours. Call [`crate::run::run`] with each of the
/// stages of [`crate::default_plan::Usual`], which are those of `outlast torture`, or with a plan
/// of your own.
///
/// Code in another language runs as a separate program, see [`crate::subjects::program`].
pub trait Subject: Sync {
    /// The running store, which lives during one power-up.
    type Store;

    /// A short name for reports, for example `two-copies`.
    fn name(&self) -> &'static str;

    /// One power-up: everything the code does before its settings can be read, including the
    /// formatting of a blank part.
    ///
    /// # Errors
    ///
    /// [`Trouble::PowerOff`] if the part reported it. Anything else counts as a device that no
    /// longer starts.
    fn open(&self, part: &Part) -> Result<Self::Store, Trouble>;

    /// Runs one operation to completion. [`Op::Reopen`] is never passed to it.
    ///
    /// # Errors
    ///
    /// See [`Trouble`]. [`Trouble::Full`] and [`Trouble::Refused`] promise that nothing changed.
    fn apply(&self, store: &mut Self::Store, op: &Op, keys: &KeyNames) -> Result<(), Trouble>;

    /// Reads one setting into `out`, replacing its content; `false` if the setting is absent.
    ///
    /// # Errors
    ///
    /// See [`Trouble`].
    fn get(&self, store: &mut Self::Store, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble>;

    /// Calls `each` with the name of every setting that is present, in any order; `None` if the
    /// code cannot list its settings.
    fn list(
        &self,
        store: &mut Self::Store,
        each: &mut dyn FnMut(&[u8]),
    ) -> Option<Result<(), Trouble>> {
        let _ = (store, each);
        None
    }

    /// Reads all settings of a part on which [`Subject::open`] fails, without writing anything, and
    /// calls `each` with every key; `None` if the code cannot do that. Asked for only if a sector
    /// of the part is bad.
    fn view(
        &self,
        part: &Part,
        keys: &KeyNames,
        each: &mut EachSetting<'_>,
    ) -> Option<Result<(), Trouble>> {
        let _ = (part, keys, each);
        None
    }

    /// Whether the code uses the part through [`crate::part::spi`], so that random lives can end a
    /// power-up at any moment of the bus, and can reset the microcontroller alone.
    fn is_on_bus(&self) -> bool {
        false
    }

    /// Whether workloads for it include counters: settings named `count.` and a number, of 8 bytes,
    /// that grow by one each time.
    fn has_counters(&self) -> bool {
        false
    }

    /// Whether the code promises that deletes, and puts that replace a value by one that is no
    /// longer, also work on a full part. If so, the rig checks it. Otherwise [`Trouble::Full`] is a
    /// valid answer wherever a workload fills the part.
    fn works_when_full(&self) -> bool {
        false
    }

    /// What the part does about second programs of a unit. Code that promises to program each unit
    /// once between two erases asks for [`SecondPrograms::Refused`].
    fn second_programs(&self) -> SecondPrograms {
        SecondPrograms::default()
    }

    /// For code that relies on a linear check, such as a CRC or a parity, within the same program
    /// as the data. If these bytes, programmed in one call, are such a record, returns the range of
    /// bytes that may change without making it a different kind of record. At F4 the rig then works
    /// out torn programs that pass the check.
    fn linear_check(&self, data: &[u8]) -> Option<Range<usize>> {
        let _ = data;
        None
    }

    /// For the same code: the exclusive-or of the check computed over the record and the check
    /// stored in it, for any record. It is zero if the check holds. A start value that is not known
    /// may be left out.
    fn residue(&self, data: &[u8]) -> u64 {
        let _ = data;
        0
    }

    /// The worst case that the code claims for itself on this geometry. The rig checks it if it is
    /// given.
    fn bounds(&self, geometry: &Geometry) -> Option<Bounds> {
        let _ = geometry;
        None
    }
}

/// Why a call of a [`Subject`] failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The part reported that the power is off.
    PowerOff,
    /// There is no room; nothing changed.
    Full,
    /// The requested value is damaged and was not returned.
    Corrupt,
    /// The operation was refused for the reason given; nothing changed.
    Refused(String),
    /// Anything else: the code gave up.
    Broken(String),
    /// The program that runs the code died, or violated the protocol.
    Crashed(String),
    /// The program that runs the code did not answer in time.
    TimedOut(String),
}

/// Converts the errors of the part, so that `?` is enough in a [`Subject`].
impl From<PartError> for Trouble {
    fn from(error: PartError) -> Self {
        match error {
            PartError::PowerOff => Self::PowerOff,
            other => Self::Broken(other.to_string()),
        }
    }
}

/// One operation of a workload. Keys are indices into [`KeyNames`].
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Op {
    /// Store a value.
    Put {
        /// Which setting.
        key: u16,
        /// Its new value.
        value: Vec<u8>,
    },
    /// Remove a setting. It is not an error if the setting is absent.
    Delete {
        /// Which setting.
        key: u16,
    },
    /// Several changes, all or none.
    Batch(Vec<Change>),
    /// Factory reset: remove everything, all or nothing.
    Clear,
    /// Housekeeping in idle time; it changes no setting.
    Tidy,
    /// An orderly restart: drop the store, cycle the power, open again.
    Reopen,
}

/// One change in an [`Op::Batch`].
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Change {
    /// Store a value.
    Put {
        /// Which setting.
        key: u16,
        /// Its new value.
        value: Vec<u8>,
    },
    /// Remove a setting.
    Delete {
        /// Which setting.
        key: u16,
    },
}

/// The kinds of [`Op`], for counting and for grouping violations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OpKind {
    /// [`Op::Put`].
    Put,
    /// [`Op::Delete`].
    Delete,
    /// [`Op::Batch`].
    Batch,
    /// [`Op::Clear`].
    Clear,
    /// [`Op::Tidy`].
    Tidy,
    /// [`Op::Reopen`].
    Reopen,
}

impl Op {
    /// The kind of this operation.
    pub const fn kind(&self) -> OpKind {
        match self {
            Self::Put { .. } => OpKind::Put,
            Self::Delete { .. } => OpKind::Delete,
            Self::Batch(_) => OpKind::Batch,
            Self::Clear => OpKind::Clear,
            Self::Tidy => OpKind::Tidy,
            Self::Reopen => OpKind::Reopen,
        }
    }

    /// The length of the longest value in it.
    pub(crate) fn longest_value(&self) -> usize {
        let len = |change: &Change| match change {
            Change::Put { value, .. } => value.len(),
            Change::Delete { .. } => 0,
        };
        match self {
            Self::Put { value, .. } => value.len(),
            Self::Batch(changes) => changes.iter().map(len).max().unwrap_or(0),
            Self::Delete { .. } | Self::Clear | Self::Tidy | Self::Reopen => 0,
        }
    }

    /// Whether it changes this setting by name.
    pub(crate) fn names(&self, wanted: u16) -> bool {
        match self {
            Self::Put { key, .. } | Self::Delete { key } => *key == wanted,
            Self::Batch(changes) => changes.iter().any(|change| match change {
                Change::Put { key, .. } | Change::Delete { key } => *key == wanted,
            }),
            Self::Clear | Self::Tidy | Self::Reopen => false,
        }
    }

    /// One line for a report, with the settings' names: `put radio.channel = 0b`.
    pub fn describe(&self, keys: &KeyNames) -> String {
        match self {
            Self::Put { key, value } => format!("put {} = {}", keys.name(*key), hex(value)),
            Self::Delete { key } => format!("delete {}", keys.name(*key)),
            Self::Batch(changes) => {
                let parts: Vec<String> = changes
                    .iter()
                    .map(|change| match change {
                        Change::Put { key, value } => {
                            format!("{} = {}", keys.name(*key), hex(value))
                        }
                        Change::Delete { key } => format!("delete {}", keys.name(*key)),
                    })
                    .collect();
                format!("batch {{ {} }}", parts.join(", "))
            }
            Self::Clear => "clear".to_owned(),
            Self::Tidy => "tidy".to_owned(),
            Self::Reopen => "reopen".to_owned(),
        }
    }
}

impl std::fmt::Display for OpKind {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Put => "put",
            Self::Delete => "delete",
            Self::Batch => "batch",
            Self::Clear => "clear",
            Self::Tidy => "tidy",
            Self::Reopen => "reopen",
        })
    }
}

/// Bytes as text for a report: all of a short value, the beginning and the length of a longer one.
pub(crate) fn hex(bytes: &[u8]) -> String {
    const SHOWN: usize = 8;
    if bytes.is_empty() {
        return "(empty)".to_owned();
    }
    let mut text: String = bytes.iter().take(SHOWN).map(|byte| format!("{byte:02x}")).collect();
    if bytes.len() > SHOWN {
        text.push_str(&format!(".. ({} bytes)", bytes.len()));
    }
    text
}

/// Work done on the part, in calls, not bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Work {
    /// Read calls.
    pub reads: u64,
    /// Program calls.
    pub programs: u64,
    /// Sectors erased.
    pub erases: u64,
}

impl Work {
    /// The larger of the two, number by number.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self {
            reads: self.reads.max(other.reads),
            programs: self.programs.max(other.programs),
            erases: self.erases.max(other.erases),
        }
    }

    /// Whether every number stays within `limit`.
    pub fn within(self, limit: Self) -> bool {
        self.reads <= limit.reads && self.programs <= limit.programs && self.erases <= limit.erases
    }
}

impl std::fmt::Display for Work {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let [reads, programs, erases] =
            [(self.reads, "read"), (self.programs, "program"), (self.erases, "erase")]
                .map(|(number, what)| counted(number, what));
        write!(formatter, "{reads}, {programs}, {erases}")
    }
}

/// A number of things in words, with the plural where it belongs: `1 erase`, `2 erases`.
pub(crate) fn counted(number: u64, what: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{number} {what}{plural}")
}

/// The worst case that a subject states for itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Bounds {
    /// One [`Subject::open`], whatever the part holds.
    pub open: Work,
    /// One operation of any kind.
    pub op: Work,
}

/// The names of the settings, by the index that operations use.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct KeyNames {
    names: Vec<String>,
    /// The indices, sorted by name.
    sorted: Vec<u16>,
}

impl KeyNames {
    /// Names in the order of their indices. All but the first 65 536 are dropped.
    pub fn new(names: impl IntoIterator<Item = impl Into<String>>) -> Self {
        let limit = usize::from(u16::MAX) + 1;
        let names: Vec<String> = names.into_iter().map(Into::into).take(limit).collect();
        let mut sorted: Vec<u16> = (0..=u16::MAX).take(names.len()).collect();
        sorted.sort_by(|&a, &b| names[usize::from(a)].cmp(&names[usize::from(b)]));
        Self { names, sorted }
    }

    /// The name of a setting; an empty string for an index without a name.
    pub fn name(&self, key: u16) -> &str {
        self.names.get(usize::from(key)).map_or("", String::as_str)
    }

    /// The index of a name.
    pub fn find(&self, name: &[u8]) -> Option<u16> {
        let at = self
            .sorted
            .binary_search_by(|&key| self.names[usize::from(key)].as_bytes().cmp(name))
            .ok()?;
        Some(self.sorted[at])
    }

    /// How many settings there are.
    pub fn len(&self) -> usize {
        self.names.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.names.is_empty()
    }

    /// Index and name of each setting.
    pub fn iter(&self) -> impl Iterator<Item = (u16, &str)> {
        (0..=u16::MAX).zip(self.names.iter().map(String::as_str))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_and_others_are_not() {
        let keys = KeyNames::new(["radio.channel", "boots", "a"]);
        for (key, name) in keys.iter() {
            assert_eq!(keys.find(name.as_bytes()), Some(key));
            assert_eq!(keys.name(key), name);
        }
        assert_eq!((keys.find(b"b"), keys.name(3), keys.len()), (None, "", 3));
    }
}
