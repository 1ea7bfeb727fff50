//! How much was done, and the coverage of cut points and kinds of tear.

use maud::{Markup, html};
use outlast_faultsim::check::coverage::{Coverage, Place};
use outlast_faultsim::part::TearLabel;

use super::share::{bar, percent};
use crate::torture::outcome::{Outcome, StageOutcome};
use crate::words::{counted, grouped};

/// From the power cuts down to the images that broke a promise.
pub(crate) fn work(outcome: &Outcome) -> Markup {
    let sum = |of: fn(&StageOutcome) -> u64| outcome.stages.iter().map(of).sum::<u64>();
    let totals = &outcome.totals;
    let rows = [
        ("power cuts made", totals.cuts, "each leaves an image of the part"),
        ("distinct images", totals.distinct, "by digest, within each stage"),
        (
            "readings judged",
            totals.judged,
            "an image once for every reading of its marginal bits and every set of obligations, which is \
             what the history requires of it; in random lives not every image is read at once",
        ),
        (
            "skipped as equivalent",
            sum(|stage| stage.counts.represented),
            "same recovery, result and obligations as an image already judged",
        ),
        ("broke a promise", totals.violating, "grouped by signature below"),
    ];
    let most = rows.iter().map(|row| row.1).max().unwrap_or(0);
    html! {
        table.bars {
            thead { tr {
                th scope="col" { "step" } th scope="col" { "number" }
                th scope="col" aria-hidden="true" { "share" }
            } }
            tbody {
                @for (name, number, meaning) in rows {
                    tr {
                        th scope="row" { (name) span.note { (meaning) } }
                        td.number { (grouped(number).to_string()) }
                        td.bar aria-hidden="true" { span style=(bar(number, most)) {} }
                    }
                }
            }
        }
        p {
            (counted(totals.power_ups, "power-up")) " in "
            (format!("{:.1}", outcome.seconds)) " s: "
            (grouped((totals.distinct as f64 / outcome.seconds.max(0.001)) as u64).to_string())
            " distinct images per second."
        }
    }
}

pub(crate) fn stages(outcome: &Outcome) -> Markup {
    html! {
        table.grid {
            thead { tr {
                th scope="col" { "stage" } th scope="col" { "planned" } th scope="col" { "done" }
                th scope="col" { "judged after 1, 2, … cuts" } th scope="col" { "seconds" }
            } }
            tbody {
                @for stage in &outcome.stages {
                    @let counts = &stage.counts;
                    @let all = stage.verdict.is_some() && counts.done == counts.planned;
                    tr {
                        th scope="row" {
                            (stage.description)
                            @if !stage.reason.is_empty() { span.note { (stage.reason) } }
                        }
                        td.number { (grouped(counts.planned).to_string()) " " (stage.counted) }
                        td.number.(if all { "good" } else { "bad" }) {
                            @if stage.verdict.is_none() { "not started" }
                            @else { (percent(counts.done, counts.planned)) }
                        }
                        td.number { (by_cuts(&counts.judged_by_cuts)) }
                        td.number { (format!("{:.1}", stage.seconds)) }
                    }
                }
            }
        }
    }
}

fn by_cuts(judged: &[u64]) -> String {
    let numbers: Vec<String> = judged.iter().map(|&count| grouped(count).to_string()).collect();
    numbers.join(" · ")
}

/// Where the power was cut and what kinds of tear that left, over all stages.
pub(crate) fn table(outcome: &Outcome) -> Markup {
    let mut coverage = Coverage::default();
    outcome.stages.iter().for_each(|stage| coverage.add(&stage.counts.coverage));
    let at =
        |place: Place| TearLabel::ALL.map(|class| coverage.cuts(place, class)).iter().sum::<u64>();
    let used = |place: &Place| coverage.points(*place).0 > 0 || at(*place) > 0;
    let places: Vec<Place> = Place::ALL.into_iter().filter(used).collect();
    html! {
        table.grid {
            caption { "Systematic stages: every step of the explored operations is a cut point." }
            thead { tr {
                th scope="col" { "cut in" } th scope="col" { "cut points" } th scope="col" { "done" }
                th scope="col" { "cuts made, random lives included" }
            } }
            tbody {
                @for &place in &places {
                    @let (planned, done) = coverage.points(place);
                    tr {
                        th scope="row" { (place.words()) }
                        td.number { @if planned > 0 { (grouped(planned).to_string()) } @else { "–" } }
                        td.number.(if planned == 0 { "none" } else if done == planned { "good" } else { "bad" }) {
                            (percent(done, planned))
                        }
                        td.number { (grouped(at(place)).to_string()) }
                    }
                }
            }
        }
        table.grid.dense {
            caption { "Cuts by kind of tear, over all stages. A dot means none." }
            thead { tr {
                th scope="col" { "what the cut left" }
                @for place in &places { th scope="col" { (place.words()) } }
            } }
            tbody {
                @for class in TearLabel::ALL {
                    tr {
                        th scope="row" { (class.to_string()) }
                        @for &place in &places {
                            @let cuts = coverage.cuts(place, class);
                            td.number {
                                @if cuts > 0 { (grouped(cuts).to_string()) } @else { "·" }
                            }
                        }
                    }
                }
            }
        }
    }
}
