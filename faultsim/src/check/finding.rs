//! What can be wrong with storage code after a power cut, and the sentences that say so.

use serde::{Deserialize, Serialize};

use super::oracle::{ABSENT, Contradiction, ValueId, Values};
use crate::subject::{KeyNames, OpKind, hex};

/// The kinds of broken promise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Breach {
    /// An acknowledged value reads as absent.
    Lost,
    /// A setting reads as a value it had earlier.
    Outdated,
    /// A deleted setting is back.
    Returned,
    /// A setting reads as bytes that were never written to it.
    Invented,
    /// A part of an all-or-nothing operation is visible.
    Half,
    /// What an earlier power-up reported has changed although nothing was written.
    Unsettled,
    /// A setting that must be readable is reported as damaged.
    Damaged,
    /// The names listed are not those that can be read.
    Listing,
    /// The code does not come up any more.
    NotOpening,
    /// The code came up but an operation that worked without cuts does not work.
    NotWritable,
    /// The code panicked.
    Panicked,
    /// The code kept calling the part without end.
    Endless,
    /// The code violated the contract of the part: it asked for what NOR flash cannot do.
    Contract,
    /// The code did more work than the worst case that it states.
    OverBounds,
    /// Collateral damage in one sector cost a setting that is stored in another one.
    #[serde(rename = "spread")]
    Escaped,
}

impl Breach {
    /// All of them. Their number in this list is part of the tokens: a new one comes last.
    pub const ALL: [Self; 15] = [
        Self::Lost,
        Self::Outdated,
        Self::Returned,
        Self::Invented,
        Self::Half,
        Self::Unsettled,
        Self::Damaged,
        Self::Listing,
        Self::NotOpening,
        Self::NotWritable,
        Self::Panicked,
        Self::Endless,
        Self::Contract,
        Self::OverBounds,
        Self::Escaped,
    ];

    /// A few words for a headline.
    pub const fn headline(self) -> &'static str {
        match self {
            Self::Lost => "acknowledged value lost",
            Self::Outdated => "older value in place of the acknowledged one",
            Self::Returned => "deleted setting is back",
            Self::Invented => "data that was never written",
            Self::Half => "all-or-nothing operation visible in part",
            Self::Unsettled => "reported value changed without a write",
            Self::Damaged => "setting reported as damaged",
            Self::Listing => "names listed differ from what can be read",
            Self::NotOpening => "fails to mount",
            Self::NotWritable => "cannot be written any more",
            Self::Panicked => "panic or crash",
            Self::Endless => "endless loop",
            Self::Contract => "violates the flash contract",
            Self::OverBounds => "more work than the stated worst case",
            Self::Escaped => "damage in one sector lost a setting in another",
        }
    }
}

/// One thing found wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What kind of promise is broken.
    pub breach: Breach,
    /// The same in a plain sentence with names and values.
    pub sentence: String,
    /// Whether the code did not return in time. Each such image costs seconds.
    pub(crate) timed_out: bool,
    /// Whether this is no violation: the code did not come up because of a bad sector, but all
    /// settings could be read.
    pub(crate) read_only: bool,
}

impl Finding {
    pub(crate) fn new(breach: Breach, sentence: impl Into<String>) -> Self {
        Self { breach, sentence: sentence.into(), timed_out: false, read_only: false }
    }

    /// A read that the oracle cannot explain.
    pub(crate) fn contradiction(
        contradiction: &Contradiction,
        seen: Option<&[u8]>,
        keys: &KeyNames,
        values: &Values,
        when: &When,
    ) -> Self {
        let name = keys.name(contradiction.key);
        let shown = |id: ValueId| values.get(id).map_or_else(|| "absent".to_owned(), hex);
        let reads = seen.map_or_else(|| "absent".to_owned(), hex);
        if contradiction.struck_now {
            let sentence = format!(
                "the {} is visible in part: {name} reads as {reads}, which contradicts what other \
                 settings read in the same power-up",
                when.in_flight.map_or_else(|| "operation".to_owned(), |kind| kind.to_string()),
            );
            return Self::new(Breach::Half, sentence);
        }
        if let (true, [allowed]) = (contradiction.struck_before, contradiction.allowed.as_slice()) {
            let sentence = format!(
                "{name} was reported as {} by an earlier power-up; now it reads as {reads}, \
                 although nothing was written to it",
                shown(*allowed)
            );
            return Self::new(Breach::Unsettled, sentence);
        }
        let known = seen.is_some_and(|value| values.find(value).is_some());
        let breach = match (seen, contradiction.allowed.as_slice()) {
            (None, _) => Breach::Lost,
            (Some(_), _) if !known => Breach::Invented,
            (Some(_), [ABSENT]) => Breach::Returned,
            (Some(_), _) => Breach::Outdated,
        };
        let after = when.cuts_in_words();
        let sentence = match contradiction.allowed.as_slice() {
            [ABSENT] => {
                format!(
                    "{name} was acknowledged as deleted or never set; {after} it reads as {reads}"
                )
            }
            [only] => {
                format!("{name} was acknowledged as {}; {after} it reads as {reads}", shown(*only))
            }
            several => {
                let list: Vec<String> = several.iter().map(|&id| shown(id)).collect();
                format!("{name}: expected {}; {after} it reads as {reads}", list.join(" or "))
            }
        };
        Self::new(breach, sentence)
    }
}

/// The circumstances of a judgement, for the sentence of a finding.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct When {
    /// Power cuts so far.
    pub(crate) cuts: u32,
    /// The operation the first cut interrupted, if any.
    pub(crate) in_flight: Option<OpKind>,
}

impl When {
    pub(crate) fn cuts_in_words(&self) -> String {
        match self.cuts {
            0 => "without any cut".to_owned(),
            1 => "after one cut".to_owned(),
            2 => "after two cuts".to_owned(),
            3 => "after three cuts".to_owned(),
            more => format!("after {more} cuts"),
        }
    }
}

/// What findings are grouped by. Findings with the same signature are taken for one bug.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Signature {
    /// What was found wrong.
    pub breach: Breach,
    /// The operation that the first cut interrupted; empty if it fell between operations.
    pub operation: String,
    /// What the last cut interrupted: program or erase, and in which phase.
    pub interrupted: String,
}

impl Signature {
    /// The signature of a finding, given the operation that the first cut interrupted and what the
    /// last cut interrupted.
    pub(crate) fn of(finding: &Finding, in_flight: Option<OpKind>, interrupted: String) -> Self {
        let operation = in_flight.map(|kind| kind.to_string()).unwrap_or_default();
        Self { breach: finding.breach, operation, interrupted }
    }
}

impl std::fmt::Display for Signature {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{}; cut in {}", self.breach.headline(), self.interrupted)?;
        if !self.operation.is_empty() {
            write!(formatter, " of {}", self.operation)?;
        }
        Ok(())
    }
}
