//! `outlast image show`.

use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

use outlast_image::check::Class;
use outlast_image::record::{self, Address};
use outlast_image::settings::Settings;
use outlast_image::survey::{Entry, Survey};
use outlast_image::{names, value};
use serde_json::json;

use super::args::Dump;
use super::dump::{self, Read, judge, types};
use super::json::{findings, layout};
use super::stop::Stop;
use super::{files, page, raw, sentences};
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

/// What is shown, and how.
pub(super) struct View {
    pub(super) json: bool,
    pub(super) html: Option<PathBuf>,
    pub(super) history: Option<String>,
    pub(super) raw: Option<String>,
    pub(super) force: bool,
}

pub(super) fn run<W: Write>(
    dump: &Dump,
    view: &View,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    if let Some(page) = &view.html {
        files::apart(page, &dump.inputs())?;
    }
    let mut types = types(dump)?;
    let read = dump::read(dump)?;
    let verdict = judge(&read)?;
    let survey = &verdict.survey;
    types.counters = survey.counters();
    let exit = Exit::from(verdict.class);
    if let Some(name) = &view.history {
        history(survey, &types, name, view.json, output)?;
        return Ok(exit);
    }
    if let Some(which) = &view.raw {
        let text = raw::explain(survey, which).map_err(|why| Stop::new(Exit::Differs, why))?;
        output.say(&text)?;
        return Ok(exit);
    }
    if let Some(path) = &view.html {
        let page = page::page(&page::Subject {
            name: &read.name,
            base: read.place.base,
            verdict: &verdict,
            show: &|key, value| types.show(key, value),
        });
        files::save(path, page.as_bytes(), view.force)?;
    }
    if view.json {
        output.json(&everything(&read, survey, &types, verdict.class.name()))?;
    } else {
        output.say(&picture(&read, survey, &types, verdict.class.name()))?;
    }
    Ok(exit)
}

/// A record as JSON.
fn entry(survey: &Survey<'_>, types: &Settings, entry: &Entry) -> serde_json::Value {
    let record = &entry.record;
    json!({
        "address": record.address, "end": record.end, "sector": entry.sector,
        "epoch": entry.generation.0, "sequence": entry.generation.1,
        "kind": record::kind(record.kind), "key": names::show(&record.key),
        "hex": value::to_hex(&record.value),
        "value": value::to_json(types.kind_of(&record.key, &record.value), &record.value),
        "passes": entry.passes,
        "repaired": record.repair.map(|it| json!({ "address": it.address, "bit": it.bit })),
        "state": sentences::state_word(entry), "why": sentences::state(survey, entry),
    })
}

fn everything(
    read: &Read,
    survey: &Survey<'_>,
    types: &Settings,
    class: &str,
) -> serde_json::Value {
    let sectors: Vec<_> = (0..)
        .zip(&survey.sectors)
        .map(|(number, sector)| {
            json!({
                "sector": number, "role": sector.role.name(),
                "epoch": sector.info.map(|info| info.epoch),
                "sequence": sector.info.map(|info| info.sequence),
                "opening_reads": sector.opening.is_ok(),
                "opening_copies_read": survey.region.opening_copies(number).map(|it| it.is_ok()),
                "slots": slots(survey, number),
                "used_bytes": used(survey, number), "live_bytes": sector.live_bytes,
            })
        })
        .collect();
    let keys: Vec<_> = survey
        .live
        .values()
        .filter_map(|number| survey.records.get(*number))
        .map(|live| entry(survey, types, live))
        .collect();
    let records: Vec<_> = survey.records.iter().map(|e| entry(survey, types, e)).collect();
    json!({
        "file": read.name, "verdict": class, "layout": layout(read), "rests": survey.resting,
        "sectors": sectors,
        "keys": keys, "records": records, "findings": findings(survey),
    })
}

/// The slots in use of a sector.
fn slots(survey: &Survey<'_>, number: u32) -> serde_json::Value {
    let sequence = survey.sectors.get(number as usize).and_then(|sector| sector.info);
    let slots = survey.region.slots(number, sequence.map_or(number, |info| info.sequence));
    let in_use = slots.iter().filter(|slot| slot.is_begun);
    in_use.map(|slot| json!({ "slot": slot.number, "says": sentences::slot(slot) })).collect()
}

fn used(survey: &Survey<'_>, sector: u32) -> u32 {
    let end = survey.sectors.get(sector as usize).map_or(0, |sector| sector.end);
    end.saturating_sub(survey.base(sector)).min(survey.region.shape().sector_bytes)
}

fn picture(read: &Read, survey: &Survey<'_>, types: &Settings, class: &str) -> String {
    let shape = read.place.shape;
    let mut text = format!("{}: store of {shape} at 0x{:x}\n", read.name, read.place.base);
    if read.is_cut() {
        let _ =
            writeln!(text, "cut short: it has {} of {} bytes", read.region().len(), shape.bytes());
    }
    let see = if class == Class::Clean.name() { "" } else { "; see 'outlast image check'" };
    let _ = writeln!(text, "verdict: {class}{see}");
    if let Some((sector, head)) = survey.head {
        let _ = writeln!(
            text,
            "log: sequence {} to {}, epoch {}, head in sector {sector}{}{}",
            head.oldest,
            head.sequence,
            head.epoch,
            if survey.head_is_sure { "" } else { ", by decision of the sector before" },
            if survey.resting { "; it rests" } else { "" },
        );
    }
    let _ =
        writeln!(text, "\nsector  address     role        sequence  used                    live");
    for (number, sector) in (0..).zip(&survey.sectors) {
        let used = used(survey, number);
        let sequence = sector.info.map_or_else(|| "-".to_owned(), |info| info.sequence.to_string());
        let bar = (used * 10).div_ceil(shape.sector_bytes) as usize;
        let _ = writeln!(
            text,
            "{number:>6}  0x{:08x}  {:11}{sequence:>9}  [{:10}] {:>3} %  {:>7}",
            read.place.base + survey.base(number),
            sector.role.name(),
            "#".repeat(bar),
            u64::from(used) * 100 / u64::from(shape.sector_bytes),
            sector.live_bytes,
        );
    }
    let _ = writeln!(text, "\n{}", counted(survey.live.len(), "key"));
    let width = survey.live.keys().map(|key| names::show(key).chars().count()).max().unwrap_or(0);
    let width = width.min(32);
    for (key, number) in &survey.live {
        let Some(live) = survey.records.get(*number) else { continue };
        let shown = if live.has_value() {
            types.show(key, &live.record.value)
        } else {
            "(damaged)".to_owned()
        };
        let place = Address::new(&survey.region, live.record.address);
        let _ = writeln!(text, "  {:width$}  {shown}  [{place}]", names::show(key));
    }
    if !survey.findings.is_empty() {
        let _ = writeln!(text, "\n{}", counted(survey.findings.len(), "finding"));
        for finding in &survey.findings {
            let _ = writeln!(text, "  {}", sentences::finding(survey, finding));
        }
    }
    text
}

fn history<W: Write>(
    survey: &Survey<'_>,
    types: &Settings,
    name: &str,
    json: bool,
    output: &mut Output<W>,
) -> Result<(), Stop> {
    let key = names::parse(name).map_err(|why| Stop::new(Exit::Usage, why))?;
    let versions = survey.history(&key);
    if versions.is_empty() {
        return Err(Stop::new(Exit::Differs, format!("there is no version of '{name}' in flash")));
    }
    let entries = versions.iter().filter_map(|number| survey.records.get(*number));
    if json {
        let versions: Vec<_> = entries.map(|e| entry(survey, types, e)).collect();
        output.json(&json!({ "key": name, "versions": versions }))?;
        return Ok(());
    }
    let mut text =
        format!("{name}: {} in flash, newest first\n", counted(versions.len(), "version"));
    for e in entries {
        let what = if e.record.value.is_empty() && record::kind(e.record.kind).ends_with("delete") {
            "deleted".to_owned()
        } else {
            types.show(&key, &e.record.value)
        };
        let check = if e.passes { "" } else { ", fails its checks" };
        let _ = writeln!(
            text,
            "  {} (sequence {}): {} {what}{check}\n    {}",
            Address::new(&survey.region, e.record.address),
            e.generation.1,
            record::kind(e.record.kind),
            sentences::state(survey, e)
        );
    }
    output.say(&text)?;
    Ok(())
}
