//! A page with a map of the sectors: one file that needs no network and no scripts.

use std::collections::BTreeMap;
use std::ops::Range;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use outlast_image::check::Verdict;
use outlast_image::names;
use outlast_image::record::{self, Address};
use outlast_image::survey::{Entry, Role, State, Survey, Void};

use super::sentences;
use crate::words::counted;

/// What the page is about.
pub(super) struct Subject<'a> {
    /// The name of the dump.
    pub(super) name: &'a str,
    /// The address of the region.
    pub(super) base: u32,
    /// The verdict on it.
    pub(super) verdict: &'a Verdict<'a>,
    /// Shows the value of a key in readable form.
    pub(super) show: &'a dyn Fn(&[u8], &[u8]) -> String,
}

impl std::fmt::Debug for Subject<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Subject").field("name", &self.name).finish_non_exhaustive()
    }
}

const STYLE: &str = "
:root { color-scheme: light dark; --ink: #1d2733; --paper: #ffffff; --line: #c8d0d8; --soft: #f3f5f7;
  --live: #2f8f5b; --force: #3b6fb5; --old: #a9b4bf; --void: #e0a53a; --bad: #c8322b; --frame: #6b54a3; }
@media (prefers-color-scheme: dark) { :root { --ink: #e4e9ee; --paper: #14191f; --line: #3a4652;
  --soft: #1d242c; --live: #4fbf83; --force: #6f9fe0; --old: #5f6b77; --void: #e5b65c; --bad: #f0645c;
  --frame: #a08ad6; } }
body { font: 15px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper);
  max-width: 72rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.1rem; margin-top: 2rem; }
.badge { display: inline-block; padding: .1rem .6rem; border-radius: 1rem; color: #fff; }
.clean { background: #2f8f5b; } .interrupted { background: #9a6a08; }
.damaged, .not-a-store { background: #c8322b; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
td:first-child, td.where { white-space: nowrap; }
th, td { text-align: left; padding: .25rem .6rem; border-bottom: 1px solid var(--line); vertical-align: top; }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; }
code { font-family: ui-monospace, monospace; overflow-wrap: anywhere; }
.sector { display: grid; grid-template-columns: 9rem 1fr; gap: .8rem; align-items: center; margin: .35rem 0; }
.sector svg { width: 100%; height: 2.2rem; display: block; border: 1px solid var(--line); background: var(--soft); }
.sector .role { font-size: .85rem; }
rect { stroke: var(--paper); stroke-width: .3; vector-effect: non-scaling-stroke; }
.live { fill: var(--live); } .force { fill: var(--force); } .old { fill: var(--old); }
.void { fill: var(--void); } .bad { fill: var(--bad); } .frame { fill: var(--frame); }
.legend span { display: inline-block; margin-right: 1.2rem; }
.roles { margin: .8rem 0 0; font-size: .85rem; }
.roles dt { display: inline; font-weight: 600; } .roles dd { display: inline; margin: 0; }
.legend svg { width: .9rem; height: .9rem; vertical-align: -.1rem; margin-right: .3rem; }
";

const LEGEND: [(&str, &str); 6] = [
    ("frame", "opening, slots in use, pages that mounts took"),
    ("live", "live value"),
    ("force", "delete, commit, settle, seal or rest in force"),
    ("old", "replaced, copied or retired"),
    ("void", "void: does not count"),
    ("bad", "damaged"),
];

/// The page.
pub(super) fn page(subject: &Subject<'_>) -> String {
    let survey = &subject.verdict.survey;
    let class = subject.verdict.class.name();
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (subject.name) " - settings image" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (subject.name) " " span class={ "badge " (class) } { (class) } }
                p { (summary(subject)) }
                h2 { "Sectors" }
                p.legend {
                    @for (class, text) in LEGEND {
                        span {
                            svg viewBox="0 0 1 1" aria-hidden="true" { rect class=(class) width="1" height="1" {} }
                            (text)
                        }
                    }
                }
                @for number in 0..survey.region.shape().sectors {
                    (sector(survey, number, subject.base))
                }
                (roles(survey))
                @if !survey.findings.is_empty() {
                    h2 { "Findings" }
                    ul { @for finding in &survey.findings { li { (sentences::finding(survey, finding)) } } }
                }
                h2 { "Keys" }
                div.scroll { (keys(subject)) }
                @if let Some(Ok(mounted)) = &subject.verdict.mounted {
                    h2 { "What the next mount will do" }
                    @if mounted.steps.is_empty() { p { (sentences::NO_STEPS) } }
                    ol { @for step in &mounted.steps { li { (step) } } }
                }
                h2 { "Records" }
                div.scroll { (records(subject)) }
            }
        }
    };
    markup.into_string()
}

fn summary(subject: &Subject<'_>) -> String {
    let survey = &subject.verdict.survey;
    let shape = survey.region.shape();
    let mut text = format!(
        "{} of {} bytes at 0x{:x}, program unit {}, page {}. {}.",
        counted(shape.sectors, "sector"),
        shape.sector_bytes,
        subject.base,
        shape.unit,
        shape.page_bytes,
        counted(survey.live.len(), "key")
    );
    if let Some((sector, head)) = survey.head {
        text.push_str(&format!(
            " The log runs from sequence {} to {}; the head is sector {sector}; epoch {}.",
            head.oldest, head.sequence, head.epoch
        ));
    }
    text
}

/// The roles that the sectors of this image have, explained.
fn roles(survey: &Survey<'_>) -> Markup {
    let mut roles: Vec<Role> = Vec::new();
    for sector in &survey.sectors {
        if !roles.contains(&sector.role) {
            roles.push(sector.role);
        }
    }
    html! {
        dl.roles {
            @for role in roles {
                div { dt { (role.name()) ":" } " " dd { (sentences::role(role)) } }
            }
        }
    }
}

fn colour(survey: &Survey<'_>, entry: &Entry) -> &'static str {
    match entry.state {
        State::Live if entry.has_value() => "live",
        State::Live => "bad",
        State::Replaced(_) | State::InForce if !entry.passes => "bad",
        State::Replaced(_) => "old",
        State::InForce => "force",
        State::Void(Void::Retired | Void::BeforeReset | Void::HandedOn(_)) => "old",
        State::Void(Void::NotAccepted(at)) if sentences::is_copied(survey, entry, at) => "old",
        State::Void(_) => "void",
    }
}

fn block(range: Range<u32>, class: &str, title: &str) -> Markup {
    html! {
        rect class=(class) x=(range.start) y="0" width=(range.end.saturating_sub(range.start)) height="10" {
            title { (title) }
        }
    }
}

fn sector(survey: &Survey<'_>, number: u32, base: u32) -> Markup {
    let size = survey.region.shape().sector_bytes;
    let start = survey.base(number);
    let Some(sector) = survey.sectors.get(number as usize) else { return html! {} };
    let second = survey.region.records_end_offset();
    let copies = survey.region.opening_copies(number);
    let sequence = sector.info.map_or(number, |info| info.sequence);
    let slots = survey.region.slots(number, sequence);
    let unit = survey.region.shape().unit;
    html! {
        div.sector {
            div.role {
                b { "sector " (number) } " " (sector.role.name()) br;
                @if let Some(info) = sector.info { "sequence " (info.sequence) br; }
                code { "0x" (format!("{:08x}", base + start)) }
            }
            svg viewBox=(format!("0 0 {size} 10")) preserveAspectRatio="none" role="img"
                aria-label=(format!("sector {number}: {}", sector.role.name())) {
                @if copies[0].is_ok() { (block(0..32, "frame", "opening")) }
                @if copies[1].is_ok() { (block(second..size, "frame", "second copy of the opening")) }
                @for slot in slots.iter().filter(|slot| slot.is_begun) {
                    (block(slot.address - start..slot.end - start, "frame", &sentences::slot(slot)))
                }
                @for page in survey.region.taken_pages(number) {
                    (block(page - start..page - start + unit, "frame", "tag: a mount took this page"))
                }
                @for entry in survey.records.iter().filter(|entry| entry.sector == number) {
                    (block(
                        entry.record.address - start..entry.record.end - start,
                        colour(survey, entry),
                        &format!("{} at 0x{:x}: {}", record::title(&entry.record), entry.record.address,
                            sentences::state(survey, entry)),
                    ))
                }
            }
        }
    }
}

fn keys(subject: &Subject<'_>) -> Markup {
    let survey = &subject.verdict.survey;
    let mut versions: BTreeMap<&[u8], usize> = BTreeMap::new();
    for entry in &survey.records {
        *versions.entry(&entry.record.key).or_default() += 1;
    }
    html! {
        table {
            thead { tr { th { "key" } th { "value" } th { "where" } th.number { "versions" } } }
            tbody {
                @for (key, number) in &survey.live {
                    @if let Some(entry) = survey.records.get(*number) {
                        tr {
                            td { code { (names::show(key)) } }
                            td {
                                @if entry.has_value() { code { ((subject.show)(key, &entry.record.value)) } }
                                @else { b { "damaged" } }
                            }
                            td.where { (Address::new(&survey.region, entry.record.address)) }
                            td.number { (versions.get(&key[..]).copied().unwrap_or(0)) }
                        }
                    }
                }
            }
        }
    }
}

fn records(subject: &Subject<'_>) -> Markup {
    let survey = &subject.verdict.survey;
    html! {
        table {
            thead { tr { th { "where" } th.number { "bytes" } th { "record" } th { "value" } th { "state" } } }
            tbody {
                @for entry in &survey.records {
                    tr {
                        td.where { (Address::new(&survey.region, entry.record.address)) }
                        td.number { (entry.record.end - entry.record.address) }
                        td {
                            svg width="10" height="10" viewBox="0 0 1 1" aria-hidden="true" {
                                rect class=(colour(survey, entry)) width="1" height="1" {}
                            }
                            " " code { (record::title(&entry.record)) }
                        }
                        td {
                            @if !entry.record.key.is_empty() && !entry.record.value.is_empty() {
                                code { ((subject.show)(&entry.record.key, &entry.record.value)) }
                            }
                        }
                        td { (sentences::state(survey, entry)) }
                    }
                }
            }
        }
    }
}
