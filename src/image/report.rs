//! `outlast image check`, `diff` and `salvage`.

use std::fmt::Write as _;
use std::io::Write;
use std::path::Path;

use outlast_image::check::{Class, MountedCopy, Verdict, mount, verdict_of_file};
use outlast_image::diff;
use outlast_image::names;
use outlast_image::salvage::salvage as save;
use outlast_image::settings::{self, Format, Settings};
use outlast_image::survey::Survey;
use outlast_image::value::{self, Type};
use outlast_image::words;
use outlast_kvstore::inspect::RecordKind;
use serde_json::json;

use super::args::Dump;
use super::change::refused;
use super::{Stop, counted, files, survey, types, warn_of_damage};
use crate::exit::Exit;
use crate::output::Output;

impl From<Class> for Exit {
    fn from(class: Class) -> Self {
        match class {
            Class::Clean => Self::Clean,
            Class::Interrupted => Self::Interrupted,
            Class::Damaged => Self::Damaged,
            Class::NotAStore => Self::NotAStore,
        }
    }
}

/// The verdict on a dump.
pub(super) fn judge(read: &files::Read) -> Result<Verdict<'_>, Stop> {
    verdict_of_file(read.region(), &read.place.shape, &read.flaws)
        .ok_or_else(|| Stop::new(Exit::Usage, "no store can have this layout"))
}

const fn in_words(class: Class) -> &'static str {
    match class {
        Class::Clean => "clean: nothing was cut off, nothing is damaged",
        Class::Interrupted => {
            "interrupted: an operation was cut off; the next mount recovers all that was acknowledged"
        }
        Class::Damaged => "damaged: something does not pass its checks or is not in the dump",
        Class::NotAStore => "not a store: a device would not open it",
    }
}

pub(super) fn check<W: Write>(
    dump: &Dump,
    json: bool,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    let read = files::dump(dump)?;
    let verdict = judge(&read)?;
    let survey = &verdict.survey;
    let mount = match &verdict.mounted {
        Some(Ok(mounted)) => Ok(mounted),
        Some(Err(error)) => Err(error.to_string()),
        None => Err("the dump ends before the region does".to_owned()),
    };
    if json {
        output.json(&json!({
            "file": read.name,
            "verdict": verdict.class.name(),
            "layout": layout(&read),
            "findings": findings(survey),
            "mount": match &mount {
                Ok(mounted) => json!({ "steps": mounted.steps, "keys": mounted.usage.keys }),
                Err(why) => json!({ "fails": why }),
            },
        }))?;
        return Ok(verdict.class.into());
    }
    let mut text =
        format!("{}: store of {} at 0x{:x}\n", read.name, read.place.shape, read.place.base);
    for finding in &survey.findings {
        let _ = writeln!(text, "  {}", words::finding(survey, finding));
    }
    match &mount {
        Ok(mounted) => {
            text.push_str("what the next mount will do:\n");
            for (number, step) in (1..).zip(&mounted.steps) {
                let _ = writeln!(text, "  {number}. {step}");
            }
            let damaged = mounted.values.values().filter(|value| value.is_none()).count();
            let _ = write!(text, "  then it shows {}", counted(mounted.values.len(), "key"));
            let _ = match damaged {
                0 => writeln!(text),
                n => writeln!(text, ", {n} of them damaged"),
            };
        }
        Err(why) => {
            let _ = writeln!(text, "it cannot be mounted: {why}");
        }
    }
    let _ = writeln!(text, "check: {}", in_words(verdict.class));
    output.say(&text)?;
    Ok(verdict.class.into())
}

pub(super) fn layout(read: &files::Read) -> serde_json::Value {
    let shape = read.place.shape;
    json!({
        "base": read.place.base, "sectors": shape.sectors, "sector_bytes": shape.sector_bytes,
        "page_bytes": shape.page_bytes, "unit": shape.unit, "bytes_present": read.region().len(),
    })
}

pub(super) fn findings(survey: &Survey<'_>) -> serde_json::Value {
    survey
        .findings
        .iter()
        .map(|finding| {
            json!({
                "kind": words::finding_name(finding.kind),
                "damage": finding.kind.is_damage(),
                "address": finding.address,
                "keys": finding.keys.iter().map(|key| names::show(key)).collect::<Vec<_>>(),
                "text": words::finding(survey, finding),
            })
        })
        .collect()
}

pub(super) fn diff<W: Write>(
    first: &Dump,
    second: &Dump,
    json: bool,
    output: &mut Output<W>,
) -> Result<Exit, Stop> {
    let mut types = types(first)?;
    let mut damaged = false;
    let mut copy = |dump: &Dump| -> Result<MountedCopy, Stop> {
        let read = files::dump(dump)?;
        let survey = survey(&read)?;
        damaged |= warn_of_damage(&read, &survey, None);
        types.counters.append(&mut survey.counters());
        mount(read.whole()?, &read.place.shape).map_err(|error| refused(&read.name, &error))
    };
    let (one, two) = (copy(first)?, copy(second)?);
    let differences = diff::settings(&one.values, &two.values);
    let turns = diff::turns_between(&one, &two);
    if json {
        let side = |key: &[u8], value: &Option<Option<Vec<u8>>>| match value {
            None => json!(null),
            Some(None) => json!({ "damaged": true }),
            Some(Some(value)) => {
                let kind = types.kind_of(key, value);
                json!({ "value": value::to_json(kind, value), "hex": value::to_hex(value) })
            }
        };
        let settings: Vec<_> = differences
            .iter()
            .map(|d| {
                json!({
                    "key": names::show(&d.key),
                    "first": side(&d.key, &d.first), "second": side(&d.key, &d.second),
                })
            })
            .collect();
        let wear = |copy: &MountedCopy| json!({ "sector_turns": copy.usage.compactions, "free_bytes": copy.usage.free_bytes });
        output.json(&json!({
            "settings": settings,
            "wear": { "first": wear(&one), "second": wear(&two), "turns_between": turns },
        }))?;
    } else {
        let mut text = String::new();
        for d in &differences {
            let show = |value: &Option<Option<Vec<u8>>>| match value {
                None => "(none)".to_owned(),
                Some(None) => "(damaged)".to_owned(),
                Some(Some(value)) => value::show(types.kind_of(&d.key, value), value),
            };
            let _ = writeln!(
                text,
                "{}: {} -> {}",
                names::show(&d.key),
                show(&d.first),
                show(&d.second)
            );
        }
        let _ = writeln!(
            text,
            "{} differ; sector erases since the first format: {} and {}",
            counted(differences.len(), "setting"),
            one.usage.compactions,
            two.usage.compactions
        );
        output.say(&text)?;
    }
    Ok(match (damaged, differences.is_empty()) {
        (true, _) => Exit::Damaged,
        (_, true) => Exit::Clean,
        (_, false) => Exit::Differs,
    })
}

pub(super) fn salvage<W: Write>(
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
            let why = format!("{}: a settings file ends in .toml, .json or .csv", file.display());
            return Err(Stop::new(Exit::Usage, why));
        }
    };
    let read = files::dump(dump)?;
    let survey = survey(&read)?;
    let region = survey.region;
    types.counters = survey.counters();
    let salvage = save(&survey);
    let place = |number: usize| match salvage.records.get(number) {
        Some(saved) => words::place(&region, saved.record.address),
        None => String::new(),
    };
    let uncertain = salvage.values.values().filter(|value| !value.certain).count();
    if json {
        let records: Vec<_> = salvage
            .records
            .iter()
            .map(|saved| {
                json!({
                    "address": saved.record.address, "kind": words::kind(saved.record.kind),
                    "key": names::show(saved.record.key), "hex": value::to_hex(&saved.record.value),
                    "epoch": saved.life.0, "sequence": saved.life.1, "void": saved.void.is_some(),
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
        output.json(&json!({ "file": read.name, "settings": settings, "records": records }))?;
    } else {
        let mut text =
            format!("{}: store of {} at 0x{:x}\n", read.name, read.place.shape, read.place.base);
        for (key, saved) in &salvage.values {
            let shown = show(&types, key, &saved.value);
            let doubt = if saved.certain { "" } else { "  (a newer value may be lost)" };
            let _ = writeln!(
                text,
                "  {} = {shown}  [{}]{doubt}",
                names::show(key),
                place(saved.record)
            );
            if let Some(newer) = saved.newer.and_then(|number| salvage.records.get(number)) {
                let what = match newer.record.kind {
                    RecordKind::Delete => "deleted".to_owned(),
                    _ => show(&types, key, &newer.record.value),
                };
                let at = words::place(&region, newer.record.address);
                let _ = writeln!(text, "    perhaps since: {what}  [{at}]");
            }
        }
        let _ = writeln!(
            text,
            "salvage: {} pass their checks; {} saved, {uncertain} of them perhaps not the newest",
            counted(salvage.records.len(), "record"),
            counted(salvage.values.len(), "setting"),
        );
        output.say(&text)?;
    }
    if let Some(file) = file {
        let pairs = salvage.values.iter().map(|(key, saved)| (*key, &*saved.value));
        let text = settings::write(pairs, &|key, value| types.kind_of(key, value), format);
        files::save(file, text.as_bytes(), force)?;
    }
    Ok(if salvage.records.is_empty() {
        Exit::NotAStore
    } else if uncertain > 0 || survey.findings.iter().any(|finding| finding.kind.is_damage()) {
        Exit::Damaged
    } else {
        Exit::Clean
    })
}

/// A key's value as a person reads it.
pub(super) fn show(types: &Settings, key: &[u8], bytes: &[u8]) -> String {
    let kind: Type = types.kind_of(key, bytes);
    value::show(kind, bytes)
}
