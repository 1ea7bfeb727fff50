//! What power-ups cost, compared with the bounds that the store states.

use maud::{Markup, html};
use outlast_faultsim::check::histogram::Histogram;

use super::share::{bar, percent};
use crate::torture::outcome::StageOutcome;
use crate::torture::text::{device_time, programs};
use crate::words::{counted, grouped};

pub(crate) fn cost(stages: &[StageOutcome]) -> Markup {
    html! {
        @for (number, stage) in (1..).zip(stages).filter(|(_, stage)| stage.counts.power_ups > 0) {
            @let worst = &stage.worst;
            @let bounds = stage.bounds;
            h3 { "Stage " (number) ", " (stage.geometry.to_string()) }
            p {
                "Worst power-up: " (worst.open.to_string()) ", "
                (counted(worst.open_read_bytes, "byte")) " read, "
                (device_time(&worst.open_time)) ". Worst operation: " (worst.op.to_string()) ". "
                @match bounds {
                    None => { strong { "The store states no bounds" } ", so none are checked." }
                    Some(bounds) => {
                        "Stated: power-up " (bounds.open.to_string()) "; operation "
                        (bounds.op.to_string()) ". "
                        @if worst.open.within(bounds.open) && worst.op.within(bounds.op) {
                            strong.good { "Both were kept." }
                        } @else {
                            strong.bad { "They were not kept." }
                        }
                    }
                }
            }
            @if let Some(programs) = programs(worst, &stage.counts) {
                p { "Programs: " (programs) "." }
            }
            div.columns {
                (histogram("reads", &worst.opens.reads, bounds.map(|bounds| bounds.open.reads)))
                (histogram("programs", &worst.opens.programs, bounds.map(|bounds| bounds.open.programs)))
                (histogram("erases", &worst.opens.erases, bounds.map(|bounds| bounds.open.erases)))
            }
        }
    }
}

fn histogram(what: &str, histogram: &Histogram, bound: Option<u64>) -> Markup {
    let classes = histogram.classes();
    let whole: u64 = classes.iter().map(|class| class.count).sum();
    let most = classes.iter().map(|class| class.count).max().unwrap_or(0);
    let range = |from: u64, to: u64| {
        if from == to { from.to_string() } else { format!("{from} to {to}") }
    };
    html! {
        table.bars {
            caption {
                (what) " per power-up"
                @if let Some(bound) = bound { ", at most " (bound) " stated" }
            }
            thead { tr {
                th scope="col" { (what) } th scope="col" { "power-ups" } th scope="col" { "share" }
                th scope="col" aria-hidden="true" { "" }
            } }
            tbody {
                @for class in &classes {
                    @let over = bound.is_some_and(|bound| class.from > bound);
                    tr.over[over] {
                        th scope="row" { (range(class.from, class.to)) @if over { " (over)" } }
                        td.number { (grouped(class.count).to_string()) }
                        td.number { (percent(class.count, whole)) }
                        td.bar aria-hidden="true" { span style=(bar(class.count, most)) {} }
                    }
                }
            }
        }
    }
}
