//! `outlast image salvage`.

use std::fmt::Write as _;
use std::io::Write;
use std::path::Path;

use outlast_image::record::Address;
use outlast_image::salvage::{Salvage, Saved, salvage};
use outlast_image::settings::{self, Format, Settings};
use outlast_image::survey::Survey;
use outlast_image::{names, record, value};
use outlast_kvstore::inspect::RecordKind;
use serde_json::json;

use super::args::Dump;
use super::dump::{self, Read, survey, types};
use super::files;
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::words::counted;

pub(super) fn run<W: Write>(
    dump: &Dump,
    file: Option<&Path>,
    force: bool,
    json: bool,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    if let Some(file) = file {
        files::apart(file, &dump.inputs())?;
    }
    let mut types = types(dump)?;
    let format = match file.map(|file| (file, Format::of_name(&file.to_string_lossy()))) {
        None => Format::Toml,
        Some((_, Some(format))) => format,
        Some((file, None)) => {
            let why = format!(
                "{}: the name of a settings file must end in .toml, .json or .csv",
                file.display()
            );
            return Err(Stop::new(Exit::Usage, why));
        }
    };
    let read = dump::read(dump)?;
    let survey = survey(&read)?;
    types.counters = survey.counters();
    let salvage = salvage(&survey);
    let uncertain = salvage.values.values().filter(|value| !value.certain).count();
    if json {
        output.json(&as_json(&read, &types, &salvage))?;
    } else {
        output.say(&as_text(&read, &types, &survey, &salvage, uncertain))?;
    }
    if let Some(file) = file {
        let pairs = salvage.values.iter().map(|(key, saved)| (&key[..], &*saved.value));
        let text = settings::write(pairs, &|key, value| types.kind_of(key, value), format);
        files::save(file, text.as_bytes(), force)?;
    }
    Ok(if salvage.records.is_empty() {
        Exit::NotAStore
    } else if uncertain > 0 || survey.may_cost_values() {
        Exit::Damaged
    } else {
        Exit::Clean
    })
}

fn as_json(read: &Read, types: &Settings, salvage: &Salvage) -> serde_json::Value {
    let records: Vec<_> = salvage
        .records
        .iter()
        .map(|saved| {
            json!({
                "address": saved.record.address, "kind": record::kind(saved.record.kind),
                "key": names::show(&saved.record.key), "hex": value::to_hex(&saved.record.value),
                "epoch": saved.generation.0, "sequence": saved.generation.1, "void": saved.void.is_some(),
            })
        })
        .collect();
    let settings: Vec<_> = salvage
        .values
        .iter()
        .map(|(key, saved)| {
            let kind = types.kind_of(key, &saved.value);
            json!({
                "key": names::show(key), "value": value::to_json(kind, &saved.value),
                "type": kind.to_string(), "hex": value::to_hex(&saved.value),
                "certain": saved.certain, "record": saved.record, "newer": saved.newer,
            })
        })
        .collect();
    json!({ "file": read.name, "settings": settings, "records": records })
}

fn as_text(
    read: &Read,
    types: &Settings,
    survey: &Survey<'_>,
    salvage: &Salvage,
    uncertain: usize,
) -> String {
    let at = |saved: &Saved| Address::new(&survey.region, saved.record.address);
    let mut text =
        format!("{}: store of {} at 0x{:x}\n", read.name, read.place.shape, read.place.base);
    for (key, value) in &salvage.values {
        let Some(saved) = salvage.records.get(value.record) else { continue };
        let (name, shown) = (names::show(key), types.show(key, &value.value));
        let doubt = if value.certain { "" } else { "  (a newer value may be lost)" };
        let _ = writeln!(text, "  {name} = {shown}  [{}]{doubt}", at(saved));
        if let Some(newer) = value.newer.and_then(|number| salvage.records.get(number)) {
            let what = match newer.record.kind {
                RecordKind::Delete => "deleted".to_owned(),
                _ => types.show(key, &newer.record.value),
            };
            let _ = writeln!(text, "    perhaps newer: {what}  [{}]", at(newer));
        }
    }
    let _ = writeln!(
        text,
        "salvage: {} intact; {} readable, {uncertain} of them perhaps not the newest{}",
        counted(salvage.records.len(), "record"),
        counted(salvage.values.len(), "setting"),
        if survey.may_cost_values() { "; others may be missing" } else { "" },
    );
    text
}
