//! Sentences about records and findings.

use outlast_image::names;
use outlast_image::record::Address;
use outlast_image::survey::{Entry, Finding, Kind, State, Survey, Void};
use outlast_kvstore::inspect::RecordKind;

/// Whether a record counts, and why not.
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
        State::Void(why) => format!("void: {}", void(survey, why)),
    }
}

fn void(survey: &Survey<'_>, why: Void) -> String {
    let at = |address| Address::new(&survey.region, address);
    match why {
        Void::Torn => "cut off while it was written".to_owned(),
        Void::NotAccepted(settle) => {
            format!(
                "the mount that wrote the settle record at {} did not accept it here",
                at(settle)
            )
        }
        Void::PastEnd => "behind the end of the sector that the next sector names".to_owned(),
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
        Kind::Torn => format!("{at}: the last record was cut off; it was never acknowledged"),
        Kind::Begun => format!("{at}: a program was begun here and cut off"),
        Kind::TickCut => format!("{at}: a tick of {keys} was cut off; it was never acknowledged"),
        Kind::NoCommit => format!("{at}: the last batch has no commit; it was never acknowledged"),
        Kind::MountCut => format!("{at}: a mount was cut off while it settled the log's end"),
        Kind::CompactionCut => {
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
