//! A mount of a copy of an image: what a device would see, and what it would do to the flash.

use std::collections::BTreeMap;
use std::fmt;

use outlast_kvstore::inspect::{Decision, Record, RecordKind, Region, Slot, Tag};
use outlast_kvstore::{Error, Usage};

use crate::flash::Step;
use crate::record::{Address, title};
use crate::shape::Shape;
use crate::store::{Mounted, StoreError};
use crate::survey::Survey;

/// Key to value; `None` where the record is damaged.
pub type Values = BTreeMap<Vec<u8>, Option<Vec<u8>>>;

/// What a mount of a copy made of an image.
#[derive(Clone, Debug)]
pub struct MountedCopy {
    /// Each key and its value.
    pub values: Values,
    /// How full and how worn the store is.
    pub usage: Usage,
    /// What the mount did to the flash.
    pub steps: Vec<MountStep>,
}

/// Something that a mount did to the flash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MountStep {
    /// Erased a sector.
    Erase {
        /// Its number.
        sector: u32,
    },
    /// Programmed one unit of a sector that it had erased, to see whether the sector takes it.
    Try {
        /// Its number.
        sector: u32,
    },
    /// Passed over a sector, which could not be used when its turn came last.
    PassOver {
        /// Its number.
        sector: u32,
    },
    /// Wrote one of the two copies of the opening of a sector.
    Opening {
        /// Its number.
        sector: u32,
        /// Whether it was the second copy, at the end of the sector.
        is_second: bool,
    },
    /// Wrote a settle record.
    Settle {
        /// Its address.
        at: Address,
        /// Where the log ends, according to this record.
        log_end: Address,
        /// The copy of the last record that it carries.
        carried: Option<Written>,
    },
    /// Wrote another record.
    Record {
        /// Its address.
        at: Address,
        /// What was written.
        record: Written,
    },
    /// Wrote bytes that are not known to be a record.
    Bytes {
        /// The address of the first byte.
        at: Address,
        /// How many bytes.
        len: u32,
    },
    /// Took a page: programmed its tag, so that nothing in it is mistaken for a value.
    TakePage {
        /// The start of the page.
        at: Address,
    },
    /// Decided, in a slot of a sector, about the sector that follows or about itself.
    Decide {
        /// The sector with the slot.
        sector: u32,
        /// Number of the slot.
        slot: u32,
        /// What was decided.
        decision: Decision,
    },
    /// Programmed the flag of a rest record: the log no longer rests.
    Wake {
        /// The address of the flag.
        at: Address,
    },
    /// Programmed other zeros.
    Zeros {
        /// The address of the first byte.
        at: Address,
        /// How many bytes.
        len: u32,
    },
}

/// A record that a mount wrote.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// What it is: `put gauge.datum`.
    pub title: String,
    /// The count with which it closes a tally.
    pub closes_at: Option<u64>,
}

impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.title)?;
        match self.closes_at {
            Some(count) => write!(f, ", which closes its tally at a count of {count}"),
            None => Ok(()),
        }
    }
}

impl fmt::Display for MountStep {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Erase { sector } => write!(f, "erase sector {sector}"),
            Self::Try { sector } => {
                write!(f, "zero a unit of sector {sector}, to see whether it takes programs")
            }
            Self::PassOver { sector } => {
                write!(f, "pass over sector {sector}, if it still cannot be used")
            }
            Self::Opening { sector, is_second: false } => {
                write!(f, "write the opening of sector {sector}")
            }
            Self::Opening { sector, is_second: true } => {
                write!(f, "write the second copy of the opening of sector {sector}")
            }
            Self::Settle { at, log_end, carried } => {
                write!(f, "write a settle record at {at}: the log ends at {log_end}")?;
                match carried {
                    Some(record) => write!(f, ", with a copy of the last record: {record}"),
                    None => Ok(()),
                }
            }
            Self::Record { at, record: Written { title, closes_at: None } } => {
                write!(f, "write {title} at {at}")
            }
            Self::Record { at, record: Written { title, closes_at: Some(count) } } => {
                write!(f, "write {title} at {at}, which closes its tally at a count of {count}")
            }
            Self::Bytes { at, len } => write!(f, "write {len} bytes at {at}"),
            Self::TakePage { at } => write!(f, "take the page at {at}: zero its tag"),
            Self::Decide { sector, slot, decision } => {
                let what = match decision {
                    Decision::In => "the next sector counts",
                    Decision::Out => "the next sector does not count",
                    Decision::Own => "this sector counts",
                    Decision::Over => "the sector after the next one counts",
                    Decision::Retired => "the oldest sector is no longer part of the log",
                };
                write!(f, "decide in slot {slot} of sector {sector} that {what}")
            }
            Self::Wake { at } => write!(f, "program the flag at {at}: the log no longer rests"),
            Self::Zeros { at, len } => write!(f, "zero {len} bytes at {at}"),
        }
    }
}

/// Mounts a copy and reads everything. Sectors that were passed over count as unusable.
///
/// # Errors
/// Those of a mount.
pub fn mount(bytes: &[u8], shape: &Shape) -> Result<MountedCopy, StoreError> {
    mount_surveyed(bytes, shape, shape.region(bytes).map(Survey::new).as_ref())
}

/// The same, with the survey of the image.
pub(crate) fn mount_surveyed(
    bytes: &[u8],
    shape: &Shape,
    survey: Option<&Survey<'_>>,
) -> Result<MountedCopy, StoreError> {
    let passed_over = survey.map(Survey::passed_over).unwrap_or_default();
    let mut store = Mounted::open_worn(bytes.to_vec(), shape, &passed_over)?;
    let mut values = Values::new();
    // A key that cannot be read stops the list; the survey knows the others.
    let keys = match store.keys() {
        Ok(keys) => keys,
        Err(Error::Corrupt) => survey
            .map(|survey| survey.live.keys().map(|key| key.to_vec()).collect())
            .unwrap_or_default(),
        Err(error) => return Err(error),
    };
    for key in keys {
        match store.get(&key) {
            Ok(Some(value)) => {
                values.insert(key, Some(value));
            }
            Ok(None) => {}
            Err(Error::Corrupt) => {
                values.insert(key, None);
            }
            Err(error) => return Err(error),
        }
    }
    let usage = store.usage();
    let (after, steps) = store.into_parts();
    let steps = shape.region(&after).map(|after| Steps { survey, after }.all(&steps));
    Ok(MountedCopy { values, usage, steps: steps.unwrap_or_default() })
}

/// What the operations on the flash mean.
struct Steps<'a> {
    /// The image before the mount.
    survey: Option<&'a Survey<'a>>,
    /// The region after it.
    after: Region<'a>,
}

impl Steps<'_> {
    fn all(&self, steps: &[Step]) -> Vec<MountStep> {
        let size = self.after.shape().sector_bytes;
        let mut out = Vec::new();
        // The record that was last begun. It may take several programs.
        let mut record = 0..0;
        for step in steps {
            match step {
                Step::Erase { from, to } => {
                    out.extend((from / size..to / size).map(|sector| MountStep::Erase { sector }));
                }
                Step::Refused { from } => {
                    let step = MountStep::PassOver { sector: from / size };
                    // It was tried more than once.
                    if out.last() != Some(&step) {
                        out.push(step);
                    }
                }
                Step::Program { at, .. } if record.contains(at) => {}
                Step::Program { at, bytes } => {
                    record = 0..0;
                    let len = bytes.len() as u32;
                    match self.slot(*at) {
                        // The program of its word follows.
                        Some(slot) if *at == slot.address => {}
                        Some(Slot { number: slot, decision: Some(decision), .. }) => {
                            out.push(MountStep::Decide { sector: at / size, slot, decision });
                        }
                        _ if bytes.iter().all(|byte| *byte == 0) => {
                            out.push(self.zeros(*at, len));
                        }
                        _ => {
                            let (step, end) = self.written(*at, len);
                            out.push(step);
                            record = at + len..end.unwrap_or(0);
                        }
                    }
                }
            }
        }
        out
    }

    /// The slot that holds an address.
    fn slot(&self, at: u32) -> Option<Slot> {
        let sector = at / self.after.shape().sector_bytes;
        let sequence = self.after.opening(sector).map_or(sector, |info| info.sequence);
        let slots = self.after.slots(sector, sequence);
        slots.into_iter().find(|slot| (slot.address..slot.end).contains(&at))
    }

    /// What was written at an address, and if it is a record, the end of that.
    fn written(&self, at: u32, len: u32) -> (MountStep, Option<u32>) {
        let here = Address::new(&self.after, at);
        let sector = here.sector;
        if here.offset == 0 || here.offset == self.after.records_end_offset() {
            return (MountStep::Opening { sector, is_second: here.offset != 0 }, None);
        }
        let end = (sector + 1) * self.after.shape().sector_bytes;
        let Some(record) = self.after.record(at, end) else {
            return (MountStep::Bytes { at: here, len }, None);
        };
        let settle = self.after.settle(&record).filter(|_| record.kind == RecordKind::Settle);
        let step = match settle {
            Some(settle) => MountStep::Settle {
                at: here,
                log_end: Address::new(&self.after, settle.accepted_end),
                carried: settle.carried.map(|carried| self.record(&carried)),
            },
            None => MountStep::Record { at: here, record: self.record(&record) },
        };
        (step, Some(record.end))
    }

    fn record(&self, record: &Record) -> Written {
        let was_tally = self.survey.is_some_and(|survey| survey.is_open_tally(&record.key));
        let count = record.value.first_chunk().filter(|_| was_tally);
        Written { title: title(record), closes_at: count.map(|count| u64::from_le_bytes(*count)) }
    }

    fn zeros(&self, at: u32, len: u32) -> MountStep {
        let here = Address::new(&self.after, at);
        let unit = self.after.shape().unit;
        let tag = self.after.page_tag(at).filter(|tag| *tag == Tag::Taken);
        if self.after.trial(here.sector) == (at..at + len) {
            MountStep::Try { sector: here.sector }
        } else if here.offset.is_multiple_of(self.after.shape().page_bytes)
            && len == unit
            && tag.is_some()
        {
            MountStep::TakePage { at: here }
        } else if len == unit && self.is_flag(at) {
            MountStep::Wake { at: here }
        } else {
            MountStep::Zeros { at: here, len }
        }
    }

    /// Whether a rest record of the image, or one that the mount wrote, ends at an address.
    fn is_flag(&self, at: u32) -> bool {
        let surveyed = self.survey.into_iter().flat_map(|survey| &survey.records);
        let is_rest = |record: &Record| record.kind == RecordKind::Rest && record.end == at;
        let (unit, page) = (self.after.shape().unit, self.after.shape().page_bytes);
        let start = at / page * page;
        let places = (start..at).step_by(unit as usize);
        surveyed.map(|entry| &entry.record).any(is_rest)
            || places.filter_map(|place| self.after.record(place, at)).any(|it| is_rest(&it))
    }
}
