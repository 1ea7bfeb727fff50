//! The page: one file, no network, no scripts.
//!
//! Written with `maud`: it checks the markup when this is compiled and escapes every text that goes
//! in, so that no name, value or message of the code under test can become markup.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::Verdict;

use super::{cost, failure, ledger, promises};
use crate::torture::outcome::Outcome;
use crate::torture::schedule::level_in_words;
use crate::torture::text::{gaps, verdict};

const STYLE: &str = include_str!("style.css");

/// What stands in the file until the run is over.
pub(crate) fn unfinished(command: &str) -> String {
    let body = html! {
        header.unsure {
            p.verdict { "not finished" }
            p { "This run has not come to its end, or was killed. It was started with" }
            pre { code { (command) } }
        }
    };
    document("not finished", &body)
}

/// The result of a run.
pub(crate) fn page(outcome: &Outcome, planted: Option<&str>) -> String {
    let identity = &outcome.identity;
    let sections = [
        (
            "work",
            "How much was done",
            html! {
                (scroll("Funnel", &ledger::funnel(outcome)))
                (scroll("Stages", &ledger::stages(outcome)))
            },
        ),
        (
            "account",
            "Cut points and kinds of tear",
            scroll("Account of cuts", &ledger::account(outcome)),
        ),
        ("promises", "Promises by fault level", scroll("Promises", &promises::table(outcome))),
        ("cost", "What power-ups cost", cost::cost(&outcome.stages)),
        ("failures", "Failures", failures(outcome)),
        ("regressions", "Mended bugs, run again", regressions(outcome)),
        ("planted", "Planted bugs: does the rig find what it should?", planted_bugs(planted)),
        ("gaps", "Not explored", not_explored(outcome)),
        ("legend", "How to read this", legend()),
    ];
    let body = html! {
        header class=(class(outcome.verdict)) {
            p.verdict { (verdict(outcome.verdict)) }
            h1 { (identity.subject) " under power cuts" }
            p { (sentence(outcome)) }
            @if !outcome.reason.is_empty() { p { (outcome.reason) } }
            pre tabindex="0" { code { (outcome.repeat) } }
        }
        dl.identity {
            div { dt { "part" } dd { (identity.geometry.to_string()) } }
            div { dt { "fault level" } dd { (identity.level) ": " (level_in_words(identity.level)) } }
            div { dt { "seed" } dd { (identity.seed) } }
            div { dt { "begun" } dd { (outcome.began) } }
            div { dt { "took" } dd { (format!("{:.1} s", outcome.seconds)) } }
            div { dt { "made by" } dd {
                "outlast " (identity.version) ", " (std::env::consts::OS) " " (std::env::consts::ARCH)
            } }
        }
        nav aria-label="Sections" {
            ul { @for (id, title, _) in &sections { li { a href=(format!("#{id}")) { (title) } } } }
        }
        main {
            @for (id, title, content) in &sections {
                section id=(id) { h2 { (title) } (content) }
            }
        }
        footer {
            p {
                "A simulation of a part, not the part: for products on which safety depends it does not "
                "replace your own qualification, the data sheet, or the rules that apply."
            }
        }
    };
    document(&format!("{}: {}", identity.subject, verdict(outcome.verdict)), &body)
}

fn document(title: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                // Nothing may be fetched and nothing run, whatever the page holds.
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) " - outlast torture" }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    }
    .into_string()
}

/// Wide tables scroll by themselves, by keyboard too.
fn scroll(label: &str, content: &Markup) -> Markup {
    html! { div.scroll tabindex="0" role="region" aria-label=(label) { (content) } }
}

const fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Clean => "good",
        Verdict::Violation | Verdict::BaselineFailed => "bad",
        Verdict::Incomplete => "unsure",
    }
}

fn sentence(outcome: &Outcome) -> String {
    match outcome.verdict {
        Verdict::Clean => {
            "The whole plan was carried out, and no promise was seen broken. What it does not cover is \
             listed under “Not explored”."
                .to_owned()
        }
        Verdict::Violation => match outcome.violations.len() {
            0 => "A bug that was mended is back.".to_owned(),
            1 => "Promises are broken: one kind of failure.".to_owned(),
            kinds => format!("Promises are broken: {kinds} kinds of failure, shortest history first."),
        },
        Verdict::Incomplete => {
            "Nothing was found, but the plan was not finished. That is no pass.".to_owned()
        }
        Verdict::BaselineFailed => {
            "The code fails without any power cut, so cuts would show nothing.".to_owned()
        }
    }
}

fn failures(outcome: &Outcome) -> Markup {
    html! {
        @if outcome.violations.is_empty() { p { "None found." } }
        (failure::failures(outcome))
    }
}

fn regressions(outcome: &Outcome) -> Markup {
    html! {
        @if outcome.regressions.is_empty() {
            p { "No tokens are kept for this storage code (folder tests/regressions)." }
        } @else {
            (scroll("Regressions", &html! {
                table.grid {
                    thead { tr {
                        th scope="col" { "kept as" } th scope="col" { "because" } th scope="col" { "now" }
                    } }
                    tbody {
                        @for rerun in &outcome.regressions {
                            @let (class, words) = match rerun.outcome {
                                Replayed::PassesNow => ("good", "passes"),
                                Replayed::Reproduced => ("bad", "is back"),
                                Replayed::Diverged => ("unsure", "shows nothing any more"),
                            };
                            tr {
                                th scope="row" { (rerun.name) }
                                td { (rerun.why) }
                                td class=(class) {
                                    (words)
                                    @if !rerun.sentence.is_empty() { span.note { (rerun.sentence) } }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn planted_bugs(matrix: Option<&str>) -> Markup {
    html! {
        @match matrix {
            None => {
                p { "No kill matrix given with " code { "--planted" } ": this page does not show whether the rig "
                    "finds bugs that are known to be there." }
            }
            Some(matrix) => { pre tabindex="0" { (matrix) } }
        }
    }
}

fn not_explored(outcome: &Outcome) -> Markup {
    html! {
        ul {
            @for (gap, numbers) in gaps(&outcome.stages) {
                li { (gap) span.note { "stage " (numbers.join(", ")) } }
            }
            @for (number, stage) in (1..).zip(&outcome.stages) {
                @if stage.verdict.is_none() { li { "all of stage " (number) ", which was not begun" } }
            }
            li { "faults above F5: decay at rest, wear-out, bus errors" }
        }
    }
}

fn legend() -> Markup {
    html! {
        p { "A " strong { "cut point" } " is a program or erase step of the explored operations. A "
            strong { "tear" } " is what a cut leaves of the step it falls into; "
            strong { "marginal" } " bits were left half-way and may read differently each time." }
        p { "In a sector map each line is a sector and each character a run of bytes: "
            span.mono { span.blank { "." } " blank, " span.data { "#" } " data, " span.zero { "0" } " all zeros, "
                span.weak { "?" } " with marginal bits" }
            "; underlined cells are not what they were before. In rows of bytes " span.mono { "?" }
            " stands behind a byte with marginal bits." }
        p { "A token repeats its history exactly as long as the code writes the same: "
            strong { "reproduced" } ", " strong { "passes now" } ", or " strong { "diverged" }
            " if the code writes other things by now." }
    }
}
