//! Sentences about records, findings and flash operations.

use outlast_kvstore::inspect::{Record, RecordKind, Region};

use crate::flash::Step;
use crate::names;
use crate::survey::{Entry, Finding, Kind, State, Survey, Void};

/// What a record is: `put gauge.datum`.
#[must_use]
pub fn record(record: &Record<'_>) -> String {
    let name = kind(record.kind);
    if record.key.is_empty() {
        name.to_owned()
    } else {
        format!("{name} {}", names::show(record.key))
    }
}

/// A record's kind.
#[must_use]
pub const fn kind(kind: RecordKind) -> &'static str {
    match kind {
        RecordKind::Tally => "tally",
        RecordKind::Put => "put",
        RecordKind::Delete => "delete",
        RecordKind::PendingPut => "batch put",
        RecordKind::PendingDelete => "batch delete",
        RecordKind::Commit => "commit",
        RecordKind::Settle => "settle",
        RecordKind::Seal => "seal",
    }
}

/// An address with the sector it lies in.
#[must_use]
pub fn place(region: &Region<'_>, address: u32) -> String {
    let size = region.shape().sector_bytes;
    format!("sector {} + 0x{:04x}", address / size, address % size)
}

/// Whether a record counts, and why not.
#[must_use]
pub fn state(survey: &Survey<'_>, entry: &Entry<'_>) -> String {
    let at = |address| place(&survey.region, address);
    match entry.state {
        State::Live if entry.passes => "live".to_owned(),
        State::Live => "live, but damaged: reading it reports Corrupt".to_owned(),
        State::InForce => "in force".to_owned(),
        State::Replaced(by) => survey.records.get(by).map_or_else(String::new, |by| {
            let what = match by.record.kind {
                RecordKind::Delete | RecordKind::PendingDelete => "deleted",
                _ => "replaced",
            };
            format!("{what} by the record at {}", at(by.record.address))
        }),
        State::Void(why) => format!("void: {}", void(survey, why)),
    }
}

fn void(survey: &Survey<'_>, why: Void) -> String {
    let at = |address| place(&survey.region, address);
    match why {
        Void::Torn => "cut off while it was written".to_owned(),
        Void::NotAccepted(settle) => {
            format!(
                "the mount that wrote the settle record at {} did not accept it here",
                at(settle)
            )
        }
        Void::BehindEnd => "behind the end of the sector that the next sector names".to_owned(),
        Void::NoCommit => "a batch without its commit".to_owned(),
        Void::HandedOn(settle) => format!("copied on by the settle record at {}", at(settle)),
        Void::Retired => "the sector has left the log; its live records were moved on".to_owned(),
        Void::BeforeReset => "from before a factory reset".to_owned(),
        Void::Unfinished => "in a sector that never came to count".to_owned(),
        Void::NoLog => "there is no log it could count in".to_owned(),
        Void::NoRoom => {
            "never acknowledged, and the next mount drops it for want of room".to_owned()
        }
    }
}

/// One word for a state.
#[must_use]
pub const fn state_word(entry: &Entry<'_>) -> &'static str {
    match entry.state {
        State::Live if entry.passes => "live",
        State::Live => "damaged",
        State::InForce => "in force",
        State::Replaced(_) => "replaced",
        State::Void(_) => "void",
    }
}

/// What a finding means.
#[must_use]
pub fn finding(survey: &Survey<'_>, finding: &Finding<'_>) -> String {
    let at = place(&survey.region, finding.address);
    let keys: Vec<String> = finding.keys.iter().map(|key| names::show(key)).collect();
    let keys = keys.join(", ");
    match finding.kind {
        Kind::Torn => format!("{at}: the last record was cut off; it was never acknowledged"),
        Kind::Begun => format!("{at}: a program was begun here and cut off"),
        Kind::TickCut => format!("{at}: a tick of {keys} was cut off; it was never acknowledged"),
        Kind::NoCommit => format!("{at}: the last batch has no commit; it was never acknowledged"),
        Kind::MountCut => format!("{at}: a mount was cut off while it settled the log's end"),
        Kind::TurnCut => {
            format!("{at}: the sector behind the head was begun or erased, and cut off")
        }
        Kind::Missing => format!("{at}: the dump ends before this sector does"),
        Kind::LiveDamaged => format!("{at}: the value of {keys} does not pass its checks"),
        Kind::OldDamaged => {
            format!("{at}: a record that no longer gives a value does not pass its checks")
        }
        Kind::Hidden if keys.is_empty() => {
            format!("{at}: no record can be read here; what stood behind it in the sector is lost")
        }
        Kind::Hidden => format!(
            "{at}: no record can be read here, and a mount does not reach what stands behind it: \
             {keys}; 'outlast image salvage' does"
        ),
        Kind::OpeningLost => format!("{at}: the start of this sector does not read"),
        Kind::NewerLost => format!(
            "{at}: this sector is newer than the log, but its start is spoilt, and a mount passes over \
             it: {keys}; 'outlast image salvage' reads it"
        ),
        Kind::NewerDoubtful => format!(
            "{at}: a sector newer than the log, in which more values differ than a call is known to \
             change; if no large batch was cut off here, its start is lost: {keys}"
        ),
        Kind::Gap => {
            format!("{at}: bytes of a page that holds data are not in the file; taken for FF")
        }
        Kind::FileCut => "the file has no end record: it was cut off".to_owned(),
        Kind::BlocksMissing => {
            "the file has fewer blocks than they say: what the others held is taken for FF"
                .to_owned()
        }
    }
}

/// A finding's kind for programs.
#[must_use]
pub const fn finding_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Torn => "torn-record",
        Kind::Begun => "begun-program",
        Kind::TickCut => "tick-cut",
        Kind::NoCommit => "no-commit",
        Kind::MountCut => "mount-cut",
        Kind::TurnCut => "turn-cut",
        Kind::Missing => "missing",
        Kind::LiveDamaged => "live-record-damaged",
        Kind::OldDamaged => "old-record-damaged",
        Kind::Hidden => "records-hidden",
        Kind::OpeningLost => "opening-lost",
        Kind::NewerLost => "newer-sector-lost",
        Kind::NewerDoubtful => "newer-sector-doubtful",
        Kind::Gap => "gap",
        Kind::FileCut => "file-cut",
        Kind::BlocksMissing => "blocks-missing",
    }
}

/// What a mount did to the flash. `after` is the region when it was done.
#[must_use]
pub fn steps(before: Option<&Survey<'_>>, after: &Region<'_>, steps: &[Step]) -> Vec<String> {
    let shape = after.shape();
    let mut out = Vec::new();
    let mut continues = 0;
    for step in steps {
        match step {
            Step::Erase { from, to } => {
                for sector in from / shape.sector_bytes..to / shape.sector_bytes {
                    out.push(format!("erase sector {sector}"));
                }
            }
            Step::Program { at, bytes } if *at == continues && continues != 0 => {
                continues += bytes.len() as u32;
            }
            Step::Program { at, bytes } => {
                out.push(program(before, after, *at, bytes, &mut continues));
            }
        }
    }
    out
}

/// Of a record that says what a tally said.
fn closing(before: Option<&Survey<'_>>, record: &Record<'_>) -> String {
    match record.value.first_chunk() {
        Some(count) if before.is_some_and(|survey| survey.is_open_tally(record.key)) => {
            let count = u64::from_le_bytes(*count);
            format!(", which closes its tally at a count of {count}")
        }
        _ => String::new(),
    }
}

fn program(
    before: Option<&Survey<'_>>,
    after: &Region<'_>,
    at: u32,
    bytes: &[u8],
    continues: &mut u32,
) -> String {
    let shape = after.shape();
    let (sector, offset) = (at / shape.sector_bytes, at % shape.sector_bytes);
    let (trace, header_area) = after.passed_bytes();
    let here = place(after, at);
    let len = bytes.len() as u32;
    if bytes.iter().any(|b| *b != 0) {
        if offset == 0 {
            return format!("write the opening of sector {sector}");
        }
        let end = (sector + 1) * shape.sector_bytes;
        return match after.record(at, end) {
            Some(found) => {
                *continues = if found.end > at + len { at + len } else { 0 };
                match after.settle(&found).filter(|_| found.kind == RecordKind::Settle) {
                    Some(settle) => {
                        let accepted = place(after, settle.accepted_end);
                        let copy = settle.cargo.map_or_else(String::new, |cargo| {
                            let closes = closing(before, &cargo);
                            format!(", with a copy of the last record: {}{closes}", record(&cargo))
                        });
                        format!("write a settle record at {here}: the log ends at {accepted}{copy}")
                    }
                    None => {
                        format!("write {} at {here}{}", record(&found), closing(before, &found))
                    }
                }
            }
            None => format!("write {len} bytes at {here}"),
        };
    }
    if offset == 0 && len >= after.mark_offset() {
        format!("zero the opening of sector {sector}, so that it can never count")
    } else if offset == after.mark_offset() && len == shape.unit {
        format!("program the mark of sector {sector}: it counts")
    } else if offset % shape.page_bytes == 0 && len == trace {
        format!("leave a trace at {here}: this page is passed over")
    } else if len == header_area {
        format!("zero {len} bytes at {here}, so that no record can be read there")
    } else {
        format!("zero {len} bytes at {here}")
    }
}
