//! A mount of a copy of an image: what a device would see, and what it would do to the flash.

use std::collections::BTreeMap;
use std::fmt;

use outlast_kvstore::inspect::{Record, RecordKind, Region};
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
    /// Wrote the opening of a sector.
    Opening {
        /// Its number.
        sector: u32,
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
    /// Programmed zeros over an opening.
    ZeroOpening {
        /// Number of the sector.
        sector: u32,
    },
    /// Programmed a mark.
    Mark {
        /// Number of the sector.
        sector: u32,
    },
    /// Left a trace at the start of a page.
    Trace {
        /// The start of the page.
        at: Address,
    },
    /// Programmed zeros where the header of a record could be.
    ZeroHeader {
        /// The address of the first byte.
        at: Address,
        /// How many bytes.
        len: u32,
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
            Self::Opening { sector } => write!(f, "write the opening of sector {sector}"),
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
            Self::ZeroOpening { sector } => {
                write!(f, "zero the opening of sector {sector}, so that it can never count")
            }
            Self::Mark { sector } => write!(f, "program the mark of sector {sector}: it counts"),
            Self::Trace { at } => write!(f, "leave a trace at {at}: this page is passed over"),
            Self::ZeroHeader { at, len } => {
                write!(f, "zero {len} bytes at {at}, so that no record can be read there")
            }
            Self::Zeros { at, len } => write!(f, "zero {len} bytes at {at}"),
        }
    }
}

/// Mounts a copy and reads everything.
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
    let mut store = Mounted::open(bytes.to_vec(), shape)?;
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
        // The end of the last program, if that wrote only a part of its record.
        let mut continues = None;
        for step in steps {
            match step {
                Step::Erase { from, to } => {
                    out.extend((from / size..to / size).map(|sector| MountStep::Erase { sector }));
                }
                Step::Program { at, bytes } if continues == Some(*at) => {
                    continues = Some(at + bytes.len() as u32);
                }
                Step::Program { at, bytes } if bytes.iter().all(|b| *b == 0) => {
                    out.push(self.zeros(*at, bytes.len() as u32));
                }
                Step::Program { at, bytes } => {
                    let (step, end) = self.written(*at, bytes.len() as u32);
                    out.push(step);
                    if let Some(end) = end {
                        let done = at + bytes.len() as u32;
                        continues = (end > done).then_some(done);
                    }
                }
            }
        }
        out
    }

    /// What was written at an address, and if it is a record, the end of that.
    fn written(&self, at: u32, len: u32) -> (MountStep, Option<u32>) {
        let here = Address::new(&self.after, at);
        if here.offset == 0 {
            return (MountStep::Opening { sector: here.sector }, None);
        }
        let end = (here.sector + 1) * self.after.shape().sector_bytes;
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

    fn record(&self, record: &Record<'_>) -> Written {
        let was_tally = self.survey.is_some_and(|survey| survey.is_open_tally(record.key));
        let count = record.value.first_chunk().filter(|_| was_tally);
        Written { title: title(record), closes_at: count.map(|count| u64::from_le_bytes(*count)) }
    }

    fn zeros(&self, at: u32, len: u32) -> MountStep {
        let shape = self.after.shape();
        let (trace, header_area) = self.after.passed_bytes();
        let here = Address::new(&self.after, at);
        if here.offset == 0 && len >= self.after.mark_offset() {
            MountStep::ZeroOpening { sector: here.sector }
        } else if here.offset == self.after.mark_offset() && len == shape.unit {
            MountStep::Mark { sector: here.sector }
        } else if here.offset.is_multiple_of(shape.page_bytes) && len == trace {
            MountStep::Trace { at: here }
        } else if len == header_area {
            MountStep::ZeroHeader { at: here, len }
        } else {
            MountStep::Zeros { at: here, len }
        }
    }
}
