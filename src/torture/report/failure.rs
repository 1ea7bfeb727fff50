//! One kind of failure: what happened, in which order, and what the flash looked like.

use maud::{Markup, html};
use outlast_faultsim::report::Violation;
use outlast_faultsim::report::scene::Scene;

use crate::torture::outcome::Outcome;
use crate::torture::text::headline;
use crate::words::counted;

/// How many failures are shown in full, and how many of the others as a line.
const IN_FULL: usize = 20;
const IN_SHORT: usize = 400;
/// How many lines of a list are shown at most.
const MOST_LINES: usize = 60;

pub(crate) fn failures(outcome: &Outcome) -> Markup {
    let violations = &outcome.violations;
    let others = violations.get(IN_FULL..).unwrap_or_default();
    html! {
        @for (number, violation) in (1..).zip(violations).take(IN_FULL) {
            (failure(number, violation, outcome))
        }
        @if !others.is_empty() {
            h3 { "Others" }
            table.grid {
                thead { tr { th scope="col" { "signature" } th scope="col" { "replay with" } } }
                tbody {
                    @for violation in others.iter().take(IN_SHORT) {
                        tr {
                            th scope="row" { (headline(violation)) }
                            td { code { (outcome.replay(&violation.token)) } }
                        }
                    }
                }
            }
            @let left = others.len().saturating_sub(IN_SHORT);
            @if left > 0 { p { "And " (counted(left, "more kind")) " of failure: see the JSON." } }
        }
    }
}

fn failure(number: usize, violation: &Violation, outcome: &Outcome) -> Markup {
    let cuts = counted(violation.cuts, "power cut");
    let id = format!("failure-{number}");
    html! {
        article.failure aria-labelledby=(id) {
            h3 id=(id) { (number) ". " (violation.signature.to_string()) }
            p.sentence { (violation.sentence) }
            p {
                "Fails at " strong { (violation.level) } ", " (cuts) ", "
                @if violation.shrunk { "shortest history found" } @else { "not shrunk" } "; "
                (counted(violation.count, "image")) " with this signature."
            }
            h4 { "Operations" }
            (lines(&violation.operations))
            // A single cut has its picture below.
            @if violation.cut_points.len() > 1 {
                h4 { "Power cuts" }
                (lines(&violation.cut_points))
            }
            @for scene in &violation.scenes { (picture(scene)) }
            h4 { "Replay" }
            pre tabindex="0" { code {
                (outcome.replay(&violation.token)) "\n" (outcome.replay(&format!("--emit-test {}", violation.token)))
            } }
        }
    }
}

fn lines(list: &[String]) -> Markup {
    let gone = list.len().saturating_sub(MOST_LINES);
    html! {
        ol.timeline {
            @if gone > 0 { li { "(" (counted(gone, "earlier line")) " not shown)" } }
            @for line in &list[gone..] {
                li.mark[line.starts_with("-- cut") || line.starts_with("cut ")] { (line) }
            }
        }
    }
}

fn picture(scene: &Scene) -> Markup {
    let nothing = scene.changed.iter().all(String::is_empty);
    html! {
        figure {
            figcaption { (scene.title) }
            @if !scene.steps.is_empty() {
                p.note { "Before that, in the same operation: " (scene.steps.join("; ")) }
            }
            @if nothing { (map(&scene.after, &[])) }
            @else { div.columns {
                div { h5 { "before" } (map(&scene.before, &[])) }
                div {
                    h5 { "after" }
                    (map(&scene.after, &scene.changed))
                }
            } }
            @if !scene.bytes.is_empty() {
                div.scroll tabindex="0" role="region" aria-label="Bytes before and after" {
                    table.grid.dense.mono {
                        thead { tr {
                            th scope="col" { "address" } th scope="col" { "" }
                            th scope="col" { "bytes" }
                        } }
                        @for row in &scene.bytes {
                            tbody {
                                @let lines = [("before", &row.before), ("intended", &row.asked), ("after", &row.after)];
                                @let lines: Vec<_> = lines.into_iter().filter(|line| !line.1.is_empty()).collect();
                                @for (number, (name, bytes)) in lines.iter().enumerate() {
                                    tr {
                                        @if number == 0 {
                                            th scope="rowgroup" rowspan=(lines.len()) {
                                                (format!("{:#06x}", row.at))
                                            }
                                        }
                                        td { (name) }
                                        td { (bytes) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A sector map: one line for each sector, with runs of equal cells in one element.
fn map(rows: &[String], changed: &[String]) -> Markup {
    html! {
        pre.map tabindex="0" role="img" aria-label="Sector map, one line per sector" {
            @for (sector, row) in rows.iter().enumerate() {
                (format!("{sector:>3} "))
                @for (class, text) in runs(row, changed.get(sector).map_or("", String::as_str)) {
                    span class=(class) { (text) }
                }
                "\n"
            }
        }
    }
}

fn runs(row: &str, changed: &str) -> Vec<(String, String)> {
    let mut marks = changed.chars();
    let mut runs: Vec<(String, String)> = Vec::new();
    for cell in row.chars() {
        let kind = match cell {
            '.' => "blank",
            '0' => "zero",
            '?' => "marginal",
            _ => "data",
        };
        let is_changed = marks.next() == Some('^');
        let class = if is_changed { format!("{kind} changed") } else { kind.to_owned() };
        match runs.last_mut() {
            Some((known, text)) if *known == class => text.push(cell),
            _ => runs.push((class, cell.to_string())),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::runs;

    #[test]
    fn equal_cells_are_one_run() {
        let run = |class: &str, text: &str| (class.to_owned(), text.to_owned());
        let expected =
            [run("data", "#"), run("data changed", "#"), run("blank", ".."), run("zero", "0")];
        assert_eq!(runs("##..0", " ^"), expected);
    }
}
