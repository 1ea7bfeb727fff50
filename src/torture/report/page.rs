//! The page: one file that needs no network and no scripts.
//!
//! `maud` checks the markup at compile time and escapes all text, so that no name, value or message
//! of the store under test can become markup.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::Verdict;

use super::{cost, coverage, failure, promises};
use crate::torture::outcome::Outcome;
use crate::torture::schedule::level_in_words;
use crate::torture::text::{gaps, verdict};

const STYLE: &str = include_str!("style.css");

/// The content of the file until the run is over.
pub(crate) fn unfinished(command: &str) -> String {
    let body = html! {
        header.unsure {
            p.verdict { "not finished" }
            p { "This run has not finished, or it was killed. It was started with" }
            pre { code { (command) } }
        }
    };
    document("not finished", &body)
}

/// The result of a run.
pub(crate) fn page(outcome: &Outcome, planted: Option<&str>) -> String {
    let identity = &outcome.identity;
    let mut sections = vec![
        (
            "work",
            "How much was done",
            html! {
                (scroll("Work", &coverage::work(outcome)))
                (scroll("Stages", &coverage::stages(outcome)))
            },
        ),
        (
            "coverage",
            "Coverage: cut points and kinds of tear",
            scroll("Coverage", &coverage::table(outcome)),
        ),
        ("promises", "Promises by fault level", scroll("Promises", &promises::table(outcome))),
        ("cost", "What power-ups cost", cost::cost(&outcome.stages)),
        ("failures", "Failures", failures(outcome)),
        ("regressions", "Fixed bugs, replayed", regressions(outcome)),
        ("planted", "Planted mistakes: does the rig find what it should?", planted_bugs(planted)),
        ("gaps", "Not explored", not_explored(outcome)),
        ("legend", "How to read this", legend()),
    ];
    // What failed is what a reader wants to see first.
    if !outcome.violations.is_empty() {
        sections.sort_by_key(|(id, ..)| *id != "failures");
    }
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
            div { dt { "started" } dd { (outcome.began) } }
            div { dt { "took" } dd { (format!("{:.1} s", outcome.seconds)) } }
            div { dt { "tool" } dd {
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
                "This simulates a part; it is not the part. For products on which safety depends it does "
                "not replace your own qualification, the data sheet, or the rules that apply."
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

/// A wide table, which scrolls separately, also by keyboard.
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
            "The whole plan was carried out, and no broken promise was found. What the plan does not \
             cover is listed under “Not explored”."
                .to_owned()
        }
        Verdict::Violation => match outcome.violations.len() {
            0 => "A bug that was fixed is back.".to_owned(),
            1 => "Promises are broken: 1 kind of failure.".to_owned(),
            kinds => format!("Promises are broken: {kinds} kinds of failure, shortest history first."),
        },
        Verdict::Incomplete => {
            "Nothing was found, but the plan was not finished. An incomplete run is not a pass.".to_owned()
        }
        Verdict::BaselineFailed => {
            "The store fails without any power cut, so cuts would show nothing.".to_owned()
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
            p { "There are no regression tokens for this store (folder tests/regressions)." }
        } @else {
            (scroll("Regressions", &html! {
                table.grid {
                    thead { tr {
                        th scope="col" { "token" } th scope="col" { "kept because" } th scope="col" { "now" }
                    } }
                    tbody {
                        @for rerun in &outcome.regressions {
                            @let (class, words) = match rerun.outcome {
                                Replayed::PassesNow => ("good", "passes"),
                                Replayed::Reproduced => ("bad", "is back"),
                                Replayed::Diverged => ("unsure", "no longer shows anything"),
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
                p { "No kill matrix was given with " code { "--planted" } ", so this page does not show "
                    "whether the rig finds mistakes that are known to be there." }
            }
            Some(matrix) => { pre tabindex="0" { (matrix) } }
        }
    }
}

fn not_explored(outcome: &Outcome) -> Markup {
    html! {
        ul {
            @for (gap, numbers) in gaps(&outcome.stages) {
                @let stages = if numbers.len() == 1 { "stage " } else { "stages " };
                li { (gap) span.note { (stages) (numbers.join(", ")) } }
            }
            @for (number, stage) in (1..).zip(&outcome.stages) {
                @if stage.verdict.is_none() { li { "all of stage " (number) ", which was not started" } }
            }
            li { "decay at rest (F6), more than one bad sector at a time, bus errors (F8), cancelled calls (F9)" }
        }
    }
}

fn legend() -> Markup {
    html! {
        p { "A " strong { "cut point" } " is a program or erase step of the explored operations. A "
            strong { "tear" } " is what a cut leaves of the step that it interrupts; "
            strong { "marginal" } " bits were left between 0 and 1 and may read differently each time." }
        p { "In a sector map each line is a sector and each character a run of bytes: "
            span.mono { span.blank { "." } " blank, " span.data { "#" } " data, " span.zero { "0" } " all zeros, "
                span.marginal { "?" } " with marginal bits" }
            "; underlined cells have changed. In rows of bytes " span.mono { "?" }
            " follows a byte with marginal bits." }
        p { "A token repeats its history exactly as long as the store makes the same writes. The "
            "replay has " strong { "reproduced" } " the failure, it " strong { "passes now" }
            ", or it has " strong { "diverged" } " because the store makes other writes." }
    }
}
