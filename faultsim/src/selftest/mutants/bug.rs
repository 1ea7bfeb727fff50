//! The mutants: one planted mistake each, as real storage code makes them.
//!
//! The names, and the levels at which the rig has to see the mistakes, are part of the kill matrix.

use crate::part::Level;

/// A mistake that can be planted into the reference store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Planted {
    /// Which mistake it is.
    pub bug: Bug,
    /// Short name: `no-record-check`.
    pub name: &'static str,
    /// Name of the store with this mistake: `planted:no-record-check`.
    pub subject: &'static str,
    /// What is left out or done wrong.
    pub about: &'static str,
    /// The lowest fault level at which the rig has to see it.
    pub level: Level,
}

/// Makes from one list the enum with its docs, and the table that programs use.
macro_rules! planted {
    ($($(#[doc = $about:literal])+ $bug:ident $name:literal $level:ident,)+) => {
        /// One planted mistake.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Bug {
            $($(#[doc = $about])+ $bug,)+
        }

        /// All planted mistakes.
        pub const ALL: &[Planted] = &[
            $(Planted {
                bug: Bug::$bug,
                name: $name,
                subject: concat!("planted:", $name),
                about: concat!($($about),+),
                level: Level::$level,
            },)+
        ];
    };
}

planted! {
    // Records.
    /// A record counts without any check of its content.
    NoRecordCheck "no-record-check" F1,
    /// The lengths in a header are used before the header is checked.
    LengthUnchecked "length-unchecked" F1,
    /// The check of a record omits the key.
    CheckOmitsKey "check-omits-key" F2,
    /// The check of a record omits the last byte of the value.
    CheckOmitsLastByte "check-omits-last-byte" F2,
    /// The check is only a CRC-32, in the same program as what it protects.
    CrcAlone "crc-alone" F4,
    /// The last record counts if its CRC-32 holds; a count of zeros that is too high is put right.
    RepairsCount "repairs-count" F4,
    /// A torn record that lacks up to two bits is completed if its CRC-32 then holds.
    RepairsTwoBits "repairs-two-bits" F4,
    /// A record counts if its last byte was programmed to zero, in the same program as the data.
    CommitByteInside "commit-byte-inside" F2,
    /// The byte that makes a record count is programmed before the record.
    CommitByteFirst "commit-byte-first" F1,
    /// The kind of a record is assumed to be valid before it is checked.
    UnknownKindPanics "unknown-kind-panics" F2,
    /// The length by which a damaged record is skipped comes from the record itself.
    SkipsByItsLength "passes-over-by-its-length" F1,
    /// After a damaged record the next intact one is searched for byte by byte, even in its value.
    SeeksInsideValue "seeks-inside-value" F1,
    /// Only the last record of a page is checked; the others were checked when they were the last.
    OnlyLastChecked "only-last-checked" F5,
    /// Keys are distinguished only by a one-byte hash.
    HashForKey "hash-for-key" F0,
    /// The length of a value is stored in four bits.
    LengthTruncated "length-truncated" F0,
    /// An empty value is taken for a deletion.
    EmptyIsDeleted "empty-is-deleted" F0,
    /// A deletion changes RAM only.
    DeleteNotWritten "delete-not-written" F0,
    /// The first of several records of a key counts.
    FirstRecordCounts "first-record-counts" F0,
    /// A gap at the end of a page is taken for the end of the log.
    GapEndsLog "gap-ends-log" F0,

    // The end of the log after a cut.
    /// After the last intact record the log continues, whatever is there.
    AppendsAfterTorn "appends-behind-torn" F0,
    /// The end of the log is considered blank if the first byte there is.
    BlankByFirstByte "blank-by-first-byte" F0,
    /// The end of the log is used again if all of it reads blank.
    BlankByReading "blank-by-reading" F0,
    /// Torn records are filled up with zeros, and a record may end in zeros.
    ZeroFill "zero-fill" F0,
    /// Pages are passed over, but nothing says what counts before them.
    NoSettle "no-settle" F3,
    /// The log is settled when something is written, not before it is read.
    LateSettle "late-settle" F3,
    /// The settle record omits the last record, which it makes void.
    SettleWithoutCopy "settle-without-copy" F0,
    /// The settle record is placed after what reads intact, not after what the cut can have
    /// reached.
    SettleTooNear "settle-too-near" F0,
    /// The page of a settle record gets no tag.
    NoTag "no-tag" F0,
    /// The page of a settle record gets its tag after the record.
    TagAfterSettle "tag-after-settle" F0,
    /// All pages up to that of the settle record get a tag, even those that have one.
    TagsPassedPages "tags-passed-pages" F0,
    /// The settle record is placed in the first blank page, even before pages that earlier mounts
    /// used.
    SettleInGap "settle-in-gap" F3,
    /// If there are several settle records, the first one counts.
    FirstSettleCounts "first-settle-counts" F0,
    /// A settle record is accepted wherever its bytes are found, even in a value.
    SettleAnywhere "settle-anywhere" F0,
    /// The last record before a mount is always dropped.
    DropsSuspect "drops-suspect" F0,
    /// The settle record contains changes of a batch that was never committed.
    SettleAdoptsPending "settle-adopts-pending" F0,
    /// The settle record omits settings whose value is empty.
    SettleDropsEmpty "settle-drops-empty" F0,
    /// After a settle record the log continues where it ended before.
    AppendsBeforeSettle "appends-before-settle" F0,
    /// A settle record that does not fit is truncated.
    SettleCutShort "settle-cut-short" F0,
    /// The log is read again until two readings are equal.
    ReadsUntilEqual "reads-until-equal" F3,
    /// A record is checked in one reading and used from another.
    CheckedThenRead "checked-then-read" F3,
    /// Mount looks for the head twice, once to read and once to write.
    HeadSoughtTwice "head-sought-twice" F3,
    /// A settle record with nothing after it is taken for an interrupted one and skipped.
    LoneSettleIgnored "lone-settle-ignored" F0,
    /// Settings that are only in a settle record are not listed.
    SettledNotListed "settled-not-listed" F0,

    // Rest: a power-up that only reads writes nothing.
    /// The flag of a rest record is not programmed before something is written.
    FlagNotProgrammed "flag-not-programmed" F3,
    /// The flag of a rest record is programmed after the change, not before it.
    FlagAfterChange "flag-after-change" F3,
    /// The first change after a rest is appended to the rest record, and the log is not settled.
    ContinuesAfterRest "continues-after-rest" F3,
    /// A rest record counts although later records follow it.
    OlderRestCounts "older-rest-counts" F3,
    /// The log is read a second time to see whether it rests.
    RestJudgedAgain "rest-judged-again" F3,

    // Decisions about the next sector.
    /// The new head is decided on before the settings are copied.
    InBeforeCopies "in-before-copies" F0,
    /// A new head counts as soon as its opening is intact.
    OpeningSuffices "opening-suffices" F0,
    /// A decision for the new head is trusted and not repeated.
    InNotRepeated "in-not-repeated" F3,
    /// A decision for the new head is repeated after something was written there.
    InRepeatedLate "in-repeated-late" F0,
    /// A decision counts although a settle record denied it.
    DeniedTrusted "denied-decision-trusted" F3,
    /// The first decision of a sector counts, not the last one.
    FirstDecisionCounts "first-decision-counts" F3,
    /// A mount that cannot settle does not deny the spare before it erases it.
    OutMissing "erases-undenied" F0,
    /// A mount denies the spare only if there is a readable decision for it at that moment.
    OutIfInReads "denies-if-it-reads" F0,
    /// A mount that cannot settle denies the spare, but does not count that as proof of the head:
    /// it erases the sector with the only one.
    OwnMissing "erases-its-proof" F0,
    /// A new head gets no seal, although the sector that decided about it is erased next.
    NoSeal "no-seal" F0,
    /// A new head gets its seal before it is decided on.
    SealBeforeDecision "seal-before-decision" F3,
    /// Anything in the later pages of a new head proves it.
    GarbageIsProof "garbage-is-proof" F1,
    /// A decision is programmed into the slot after the last readable one.
    SlotReused "slot-reused" F3,
    /// A slot gets no tag before the decision.
    SlotWithoutTag "slot-without-tag" F0,
    /// A decision counts in one place if it is intact, and in another if it is not blank.
    DecisionTestedTwoWays "decision-tested-two-ways" F2,
    /// The old head is erased before the new one is decided on.
    ErasesOldFirst "erases-old-first" F0,
    /// The first format does not deny an earlier attempt before it repeats it.
    FormatUndenied "format-undenied" F3,

    // Sectors.
    /// Sequence numbers have three bits and are compared without regard to wrapping.
    SequenceWraps "sequence-wraps" F0,
    /// A new head has the number of the old one, and the lower sector wins.
    EqualSequence "equal-sequence" F0,
    /// An opening of zeros passes its check and is the newest.
    ZeroOpening "zero-opening" F2,
    /// A blank opening passes its check and is the newest.
    BlankOpening "blank-opening" F0,
    /// A sector that reads blank is not erased before it is used.
    BlankTrusted "blank-trusted" F0,
    /// A note says that a factory reset began an erase; if the sector reads blank, the erase is
    /// taken for done.
    BlankAfterNote "blank-behind-note" F3,
    /// The same, and only the first page is looked at.
    SampledAfterNote "sampled-after-note" F1,
    /// A sector is taken for blank if its first page reads blank.
    BlankSampled "blank-sampled" F0,
    /// The half-filled target of an interrupted copy is used again.
    TargetResumed "target-resumed" F0,
    /// The first format is not repeated after a cut.
    FormatRefuses "format-refuses" F0,
    /// The first format does not erase what reads blank.
    FormatTrustsBlank "format-trusts-blank" F0,
    /// A mount that has to move to a new sector does not decide on it.
    CarryUndecided "carry-undecided" F0,
    /// A mount that has to move to a new sector does not copy the last record.
    CarryDropsLast "carry-drops-last" F0,
    /// A mount that has to move to a new sector copies damaged records and gives them a new check.
    CarryLaunders "carry-launders" F1,
    /// The oldest record of each key is copied to the new head.
    CopiesOldest "copies-oldest" F0,
    /// The change that made a new head necessary is not written to it.
    CompactionForgetsChange "turn-forgets-change" F0,
    /// Every mount keeps its settle record as live data that never goes away.
    SpaceLeaks "space-leaks" F0,
    /// After a mount, the room of replaced records is not counted as free again.
    ReplacedNotFreed "replaced-not-freed" F0,

    // Batches, factory reset, lack of room.
    /// Records of a batch count without its commit record.
    PendingCounts "pending-counts" F0,
    /// A batch is written as single changes.
    BatchAsSingles "batch-as-singles" F0,
    /// A batch continues in the next sector without its first part.
    BatchSplit "batch-split" F0,
    /// A compaction in the middle of a batch carries the part written so far.
    CompactionCommitsBatch "turn-commits-batch" F0,
    /// A commit record adopts the records of batches that an earlier cut left open.
    OrphansAdopted "orphans-adopted" F0,
    /// Deletions in a batch are not written.
    BatchDropsDeletes "batch-drops-deletes" F0,
    /// A batch that does not fit leaves records that the next commit record adopts.
    FullLeavesBatch "full-leaves-batch" F0,
    /// A change that does not fit is written before that is noticed.
    FullLeavesRecord "full-leaves-record" F0,
    /// A factory reset deletes one setting after the other.
    ClearsOneByOne "clears-one-by-one" F0,
    /// An interrupted factory reset takes effect at a later compaction.
    ClearsLater "clears-later" F0,

    // Behaviour after a cut.
    /// A torn record makes the store refuse to start.
    RefusesTorn "refuses-torn" F1,
    /// A torn record makes its key unreadable although it was never acknowledged.
    TornIsCorrupt "torn-is-corrupt" F1,
    /// A torn record makes the store read-only.
    TornIsReadOnly "torn-is-read-only" F1,
    /// A torn log is read byte by byte, far beyond the stated work.
    ReadsByteByByte "reads-byte-by-byte" F1,
}

/// The planted mistake of this name, if there is one.
pub fn by_name(name: &str) -> Option<&'static Planted> {
    ALL.iter().find(|planted| planted.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn there_are_at_least_sixty_and_names_are_unique() {
        let names: BTreeSet<_> = ALL.iter().map(|planted| planted.name).collect();
        assert!(ALL.len() >= 60 && names.len() == ALL.len());
        for planted in ALL {
            assert_eq!(by_name(planted.name), Some(planted));
            assert!(planted.about.trim().len() > 20, "{planted:?}");
        }
    }
}
