//! One sentence about each state of a record and each finding.

use outlast_image::names;
use outlast_image::record::Address;
use outlast_image::survey::{Entry, Finding, Kind, Role, State, Survey, Void};
use outlast_kvstore::inspect::RecordKind;

/// Whether a record counts, and if not, why.
pub(super) fn state(survey: &Survey<'_>, entry: &Entry<'_>) -> String {
    let at = |address| Address::new(&survey.region, address);
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
        State::Void(Void::NotAccepted(settle)) if is_copied(survey, entry, settle) => {
            format!("void: the settle record at {} holds a copy", at(settle))
        }
        State::Void(why) => format!("void: {}", void(survey, why)),
    }
}

/// Whether the settle record at this address carries a copy of the record.
pub(super) fn is_copied(survey: &Survey<'_>, entry: &Entry<'_>, settle: u32) -> bool {
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
        Void::NoRoom => {
            "never acknowledged, and the next mount drops it because there is no room".to_owned()
        }
    }
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
        Role::Blank => "erased",
        Role::Unused => {
            "sound, but not in use: its opening is zeroed or was never written; it is erased before \
             it is used"
        }
        Role::Stray => "has an opening, but there is no log",
        Role::Missing => "not in the dump",
    }
}

/// The state in one word.
pub(super) const fn state_word(entry: &Entry<'_>) -> &'static str {
    match entry.state {
        State::Live if entry.passes => "live",
        State::Live => "damaged",
        State::InForce => "in force",
        State::Replaced(_) => "replaced",
        State::Void(_) => "void",
    }
}

/// What a finding means.
pub(super) fn finding(survey: &Survey<'_>, finding: &Finding<'_>) -> String {
    let at = Address::new(&survey.region, finding.address);
    let keys: Vec<String> = finding.keys.iter().map(|key| names::show(key)).collect();
    let keys = keys.join(", ");
    match finding.kind {
        Kind::Torn => {
            format!("{at}: writing the last record was interrupted; it was never acknowledged")
        }
        Kind::Begun => format!("{at}: a program was interrupted here"),
        Kind::TickCut => {
            format!("{at}: a tick of {keys} was interrupted; it was never acknowledged")
        }
        Kind::NoCommit => format!("{at}: the last batch has no commit; it was never acknowledged"),
        Kind::MountCut => {
            format!("{at}: a mount was interrupted while it settled the end of the log")
        }
        Kind::CompactionCut => {
            format!("{at}: a compaction into this sector was interrupted")
        }
        Kind::Missing => format!("{at}: the dump ends before this sector does"),
        Kind::LiveDamaged => format!("{at}: the value of {keys} fails its checks"),
        Kind::OldDamaged => {
            format!("{at}: a record that is no longer in use fails its checks")
        }
        Kind::Hidden if keys.is_empty() => {
            format!("{at}: no record can be read here; what followed it in the sector is lost")
        }
        Kind::Hidden => format!(
            "{at}: no record can be read here, and a mount does not reach the records after it: \
             {keys}; 'outlast image salvage' does"
        ),
        Kind::OpeningLost => format!("{at}: the opening of this sector cannot be read"),
        Kind::NewerLost => format!(
            "{at}: this sector is newer than the log, but its opening or mark is destroyed, and a \
             mount ignores it: {keys}; 'outlast image salvage' reads it"
        ),
        Kind::NewerDoubtful => format!(
            "{at}: this sector is newer than the log and changes more values than one call usually \
             does; unless a large batch was interrupted here, its opening or mark is lost: {keys}"
        ),
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

/// The kind of a finding in JSON.
pub(super) const fn finding_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Torn => "torn-record",
        Kind::Begun => "begun-program",
        Kind::TickCut => "tick-cut",
        Kind::NoCommit => "no-commit",
        Kind::MountCut => "mount-cut",
        Kind::CompactionCut => "compaction-cut",
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
