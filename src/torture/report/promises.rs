//! What a store promises under power cuts, and at which fault level it failed.

use maud::{Markup, html};
use outlast_faultsim::check::finding::Breach;
use outlast_faultsim::part::Level;
use outlast_faultsim::report::{Verdict, Violation};

use crate::torture::outcome::Outcome;
use crate::torture::text::harm;
use crate::words::grouped;

/// The promises: name, meaning, and the breaches that break each of them.
const PROMISES: [(&str, &str, &[Breach]); 9] = [
    (
        "durable",
        "what was acknowledged is there at every later power-up",
        &[Breach::Lost, Breach::Outdated, Breach::Returned],
    ),
    ("atomic", "the change in progress is there completely or not at all", &[Breach::Half]),
    (
        "settled",
        "what one power-up reported stays so until something is written",
        &[Breach::Unsettled],
    ),
    (
        "restartable",
        "it opens and can be written, however often recovery is interrupted",
        &[Breach::NotOpening, Breach::NotWritable],
    ),
    (
        "bounded",
        "no power-up and no operation takes more work than the store states",
        &[Breach::OverBounds],
    ),
    (
        "never wrong",
        "no data that was never written, no damage, no wrong list of names",
        &[Breach::Invented, Breach::Damaged, Breach::Listing],
    ),
    ("within the part's rules", "no operation violates the flash contract", &[Breach::Contract]),
    ("confined", "collateral damage loses nothing in another sector", &[Breach::Escaped]),
    ("no panic", "no panic, crash or endless loop", &[Breach::Panicked, Breach::Endless]),
];

/// What cannot be promised if collateral damage may hit any record.
const NOT_PROMISED: [Breach; 3] = [Breach::Lost, Breach::Half, Breach::Unsettled];

/// What is known about a promise at one level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    Held,
    /// Nothing found, but the plan was not finished.
    HeldSoFar,
    Failed,
    /// It fails at a higher level, and the lowest level was not determined.
    Unknown,
    NotRun,
    NotStated,
    /// Not promised after collateral damage.
    NotPromised,
    /// Not kept after collateral damage. The run counts that and does not fail.
    Counted,
}

impl Standing {
    const fn words(self) -> &'static str {
        match self {
            Self::Held => "held",
            Self::HeldSoFar => "held so far",
            Self::Failed => "fails",
            Self::Unknown => "not known",
            Self::NotRun => "not run",
            Self::NotStated => "none stated",
            Self::NotPromised => "not promised",
            Self::Counted => "not kept, counted",
        }
    }

    /// For the style sheet.
    const fn class(self) -> &'static str {
        match self {
            Self::Held => "good",
            Self::Failed => "bad",
            Self::HeldSoFar | Self::Unknown | Self::Counted => "unsure",
            Self::NotRun | Self::NotStated | Self::NotPromised => "none",
        }
    }
}

fn standing(outcome: &Outcome, breaches: &[Breach], level: Level) -> Standing {
    let begun = outcome.stages.iter().any(|stage| stage.counts.cuts > 0);
    // A plan of a milder level may have a stage with bad sectors.
    let has_failed = |violation: &Violation| {
        violation.level == level && breaches.contains(&violation.signature.breach)
    };
    if level == Level::F7 && outcome.violations.iter().any(has_failed) {
        return Standing::Failed;
    }
    if level > outcome.identity.level || !begun {
        return Standing::NotRun;
    }
    let about = |violation: &&Violation| breaches.contains(&violation.signature.breach);
    let violations: Vec<_> = outcome.violations.iter().filter(about).collect();
    if violations.iter().any(|violation| violation.level <= level) {
        return Standing::Failed;
    }
    if violations.iter().any(|violation| !violation.shrunk) {
        return Standing::Unknown;
    }
    if level == Level::F5 && NOT_PROMISED.iter().any(|breach| breaches.contains(breach)) {
        return Standing::NotPromised;
    }
    if level != Level::F5 && breaches == [Breach::Escaped] {
        return Standing::NotRun;
    }
    let counted = &outcome.totals.harm;
    let is_counted = breaches.contains(&Breach::NotOpening) && counted.unopened > 0
        || breaches.contains(&Breach::Listing) && counted.names > 0
        || breaches.contains(&Breach::Contract) && counted.twice > 0
        || breaches.contains(&Breach::Escaped) && counted.elsewhere > 0;
    if level == Level::F5 && is_counted {
        return Standing::Counted;
    }
    let stated = outcome.stages.iter().any(|stage| stage.bounds.is_some());
    if breaches == [Breach::OverBounds] && !stated {
        return Standing::NotStated;
    }
    let finished = outcome.stages.iter().all(|stage| {
        stage.verdict.is_some_and(|verdict| verdict != Verdict::Incomplete)
            && stage.counts.done == stage.counts.planned
    });
    if finished { Standing::Held } else { Standing::HeldSoFar }
}

/// The promise about older values. Below F5 it is part of being durable.
fn unsaid(outcome: &Outcome, level: Level) -> Standing {
    let harm = &outcome.totals.harm;
    match level {
        Level::F5 if harm.older > 0 => Standing::Counted,
        Level::F5 if !harm.is_none() => Standing::Held,
        Level::F5 => Standing::NotRun,
        _ => standing(outcome, &[Breach::Outdated], level),
    }
}

pub(crate) fn table(outcome: &Outcome) -> Markup {
    html! {
        table.grid {
            caption { "Each level includes the faults of those before it." }
            thead {
                tr {
                    th scope="col" { "promise" }
                    @for level in Level::ALL { th scope="col" { (level) } }
                    th scope="col" { "F6 and above" }
                }
            }
            tbody {
                @for (name, meaning, breaches) in PROMISES {
                    tr {
                        th scope="row" { (name) span.note { (meaning) } }
                        @for level in Level::ALL {
                            @let standing = standing(outcome, breaches, level);
                            td class=(standing.class()) { (standing.words()) }
                        }
                        td.none { "not run" }
                    }
                }
                tr {
                    th scope="row" {
                        "no older value without an error"
                        span.note { "after collateral damage, no older value replaces a damaged one" }
                    }
                    @for level in Level::ALL {
                        @let standing = unsaid(outcome, level);
                        td class=(standing.class()) { (standing.words()) }
                    }
                    td.none { "not run" }
                }
                tr {
                    th scope="row" {
                        "full without damage, even wear"
                        span.note { "not checked by this command, but by the tests of the store" }
                    }
                    @for _ in Level::ALL { td.none { "not run" } }
                    td.none { "not run" }
                }
            }
        }
        @if !outcome.totals.harm.is_none() { (counted(outcome)) }
    }
}

/// What collateral damage cost. No store can undo it, so the run does not fail because of it.
fn counted(outcome: &Outcome) -> Markup {
    let totals = &outcome.totals.harm;
    html! {
        table.grid {
            caption { "Counted after collateral damage (F5)" }
            tbody {
                tr {
                    th scope="row" { "images after it" }
                    td.number { (grouped(totals.images).to_string()) }
                }
                @for (count, what) in harm(totals) {
                    tr { th scope="row" { (what) } td.number { (grouped(count).to_string()) } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_breach_breaks_one_promise() {
        for breach in Breach::ALL {
            let count = PROMISES.iter().filter(|(.., list)| list.contains(&breach)).count();
            assert_eq!(count, 1, "{breach:?}");
        }
    }
}
