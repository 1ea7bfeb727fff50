//! One sentence about each state of a record and each finding.

use outlast_image::names;
use outlast_image::record::Address;
use outlast_image::survey::{Entry, Finding, Kind, Role, State, Survey, Void};
use outlast_kvstore::inspect::{Decision, RecordKind, Repair, Slot};

/// Whether a record counts, and if not, why.
pub(super) fn state(survey: &Survey<'_>, entry: &Entry) -> String {
    let at = |address| Address::new(&survey.region, address);
    match entry.state {
        State::Live if entry.has_value() => "live".to_owned(),
        State::Live if entry.passes => {
            "live, but the value was lost before: reading it reports Corrupt".to_owned()
        }
        State::Live => "live, but damaged: reading it reports Corrupt".to_owned(),
        State::InForce => "in force".to_owned(),
        State::Replaced(by) => survey.records.get(by).map_or_else(String::new, |by| {
            let what = match by.record.kind {
                RecordKind::Delete | RecordKind::PendingDelete => "deleted",
                _ => "replaced",
            };
            format!("{what} by the record at {}", at(by.record.address))
        }),
        State::Void(Void::NotAccepted(settle)) if is_copied(survey, entry, settle) => {
            format!("void: the settle record at {} holds a copy", at(settle))
        }
        State::Void(why) => format!("void: {}", void(survey, why)),
    }
}

/// Whether the settle record at this address carries a copy of the record.
pub(super) fn is_copied(survey: &Survey<'_>, entry: &Entry, settle: u32) -> bool {
    survey.carried_at(settle).is_some_and(|copy| {
        copy.record.key == entry.record.key && copy.record.value == entry.record.value
    })
}

fn void(survey: &Survey<'_>, why: Void) -> String {
    let at = |address| Address::new(&survey.region, address);
    match why {
        Void::Torn => "writing it was interrupted".to_owned(),
        Void::NotAccepted(settle) => {
            format!("the mount that wrote the settle record at {} did not accept it", at(settle))
        }
        Void::PastEnd => "after the end of this sector, as the next sector records it".to_owned(),
        Void::NoCommit => "a batch without its commit".to_owned(),
        Void::HandedOn(settle) => format!("copied by the settle record at {}", at(settle)),
        Void::Retired => {
            "the sector has left the log; its live records were copied before that".to_owned()
        }
        Void::BeforeReset => "from before a factory reset".to_owned(),
        Void::Unfinished => "in a sector that never became part of the log".to_owned(),
        Void::NoLog => "there is no log".to_owned(),
        Void::Damaged => {
            "it fails its checks, and no older record has its key, so a device ignores it"
                .to_owned()
        }
        Void::NoRoom => {
            "never acknowledged, and the next mount drops it because there is no room".to_owned()
        }
    }
}

/// What a mount of a log that rests does to the flash.
pub(super) const NO_STEPS: &str = "program nothing, since the log rests";

/// What a slot in use says.
pub(super) fn slot(slot: &Slot) -> String {
    let what = match slot.decision {
        Some(Decision::In) => "the next sector counts",
        Some(Decision::Out) => "the next sector does not count",
        Some(Decision::Own) => "this sector counts",
        Some(Decision::Over) => "the sector after the next one counts",
        Some(Decision::Retired) => "the oldest sector is no longer part of the log",
        None => "cannot be read",
    };
    format!("slot {}: {what}", slot.number)
}

/// A wrong bit that reading corrects.
pub(super) fn repaired(survey: &Survey<'_>, repair: &Repair) -> String {
    let at = Address::new(&survey.region, repair.address);
    format!("  repaired at address 0x{:x} ({at}), bit {}", repair.address, repair.bit)
}

/// What a role means for a sector.
pub(super) const fn role(role: Role) -> &'static str {
    match role {
        Role::Head => "the newest sector of the log, which takes new records",
        Role::Log => "part of the log",
        Role::Tail => "the oldest sector of the log",
        Role::Retired => "no longer part of the log; it is erased before it is used again",
        Role::Unfinished => {
            "a compaction into it was interrupted, so it never became part of the log"
        }
        Role::PassedOver => {
            "passed over: when its turn came last, it could not be erased or took no programs; the \
             log goes on without it, and it is tried again the next time"
        }
        Role::Blank => "erased",
        Role::Unused => {
            "sound, but not in use: its opening was never written, or its erase was interrupted; it \
             is erased before it is used"
        }
        Role::Stray => "has an opening, but there is no log",
        Role::Missing => "not in the dump",
    }
}

/// The state in one word.
pub(super) fn state_word(entry: &Entry) -> &'static str {
    match entry.state {
        State::Live if entry.has_value() => "live",
        State::Live => "damaged",
        State::InForce => "in force",
        State::Replaced(_) => "replaced",
        State::Void(_) => "void",
    }
}

/// What a finding means.
pub(super) fn finding(survey: &Survey<'_>, finding: &Finding) -> String {
    let at = Address::new(&survey.region, finding.address);
    let keys: Vec<String> = finding.keys.iter().map(|key| names::show(key)).collect();
    let keys = keys.join(", ");
    match finding.kind {
        Kind::Torn => {
            format!(
                "{at}: the last record is incomplete; if its program was interrupted, it was never \
                 acknowledged"
            )
        }
        Kind::Begun => {
            format!("{at}: something was begun here and not finished, or is damaged")
        }
        Kind::TickCut => {
            format!("{at}: a tick of {keys} was interrupted; it was never acknowledged")
        }
        Kind::NoCommit => format!("{at}: the last batch has no commit; it was never acknowledged"),
        Kind::MountCut => {
            format!("{at}: a mount was interrupted while it settled the end of the log")
        }
        Kind::CompactionCut => format!("{at}: a compaction into this sector was interrupted"),
        Kind::Missing => format!("{at}: the dump ends before this sector does"),
        Kind::Completed => format!(
            "{at}: the program of a record was interrupted and lacks one bit; a mount completes it"
        ),
        Kind::Repaired if keys.is_empty() => {
            format!("{at}: one bit of a record is wrong; reading corrects it")
        }
        Kind::Repaired => {
            format!("{at}: one bit of the record of {keys} is wrong; reading corrects it")
        }
        Kind::NameDamaged if keys.is_empty() => {
            format!("{at}: a record without a key fails its checks")
        }
        Kind::NameDamaged => format!(
            "{at}: a record of {keys} fails its checks, and no older record has that key, so that \
             the key may be wrong too; a device ignores it"
        ),
        Kind::ValueLost => {
            format!("{at}: the value of {keys} was damaged when it was to be moved, and is gone")
        }
        Kind::LiveDamaged => format!("{at}: the value of {keys} fails its checks"),
        Kind::OldDamaged => {
            format!("{at}: a record that is no longer in use fails its checks")
        }
        Kind::Unreadable => format!(
            "{at}: no record can be read here; the log goes on after it, and a setting written \
             before it, or one that is missing, may have had a newer value; 'outlast image salvage' \
             may find older values"
        ),
        Kind::Hidden => format!(
            "{at}: no record can be read here, and a mount does not reach the records after it: \
             {keys}; 'outlast image salvage' does"
        ),
        Kind::OpeningLost => format!("{at}: neither opening of this sector can be read"),
        Kind::OpeningCopyLost => {
            format!("{at}: this copy of the sector's opening cannot be read; the other one can")
        }
        Kind::NewerLost => newer_lost(&at, &keys),
        Kind::NewerDoubtful => newer_doubtful(&at, &keys),
        Kind::Gap => {
            format!("{at}: bytes of a page that holds data are not in the file; FF is assumed")
        }
        Kind::FileCut => "the file has no end record, so it is cut short".to_owned(),
        Kind::BlocksMissing => {
            "the file has fewer blocks than it claims; FF is assumed for the missing ones"
                .to_owned()
        }
    }
}

fn newer_lost(at: &Address, keys: &str) -> String {
    if keys.is_empty() {
        return format!(
            "{at}: this sector was decided to be the newest, but nothing in it can be read; its \
             changes are lost"
        );
    }
    format!(
        "{at}: this sector is newer than the log, but its openings or the decision about it are \
         destroyed, and a mount ignores it: {keys}; 'outlast image salvage' reads it; the device \
         erases it sooner or later, so keep this dump"
    )
}

fn newer_doubtful(at: &Address, keys: &str) -> String {
    format!(
        "{at}: this sector is newer than the log and changes more values than one call usually \
         does; unless a large batch was interrupted here, its openings and the decision about it \
         are lost: {keys}"
    )
}

/// The kind of a finding in JSON.
pub(super) const fn finding_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Torn => "torn-record",
        Kind::Begun => "begun-program",
        Kind::TickCut => "tick-cut",
        Kind::NoCommit => "no-commit",
        Kind::MountCut => "mount-cut",
        Kind::CompactionCut => "compaction-cut",
        Kind::Completed => "record-completed",
        Kind::Repaired => "bit-repaired",
        Kind::NameDamaged => "record-without-name-damaged",
        Kind::ValueLost => "value-lost",
        Kind::Unreadable => "records-unreadable",
        Kind::OpeningCopyLost => "opening-copy-lost",
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
