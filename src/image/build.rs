//! `outlast image build`.

use std::io::Write;
use std::path::Path;

use indicatif::ProgressBar;
use outlast_image::build::{self as library, Refused};
use outlast_image::container::{Container, Segment, Writing, write};
use outlast_image::settings::Settings;
use outlast_image::shape::Shape;
use outlast_image::sum::crc32;
use outlast_image::units::{self, Unit};
use serde::Serialize;

use super::args::Build;
use super::files;
use super::stop::Stop;
use crate::exit::Exit;
use crate::output::Output;
use crate::progress;
use crate::words::counted;

/// An image that was built.
#[derive(Debug, Serialize)]
struct Made {
    file: String,
    settings: usize,
    live_bytes: u32,
    free_bytes: u32,
    /// CRC-32 (ISO-HDLC, as zlib's) of the region with its padding.
    crc32: String,
}

pub(super) fn run<W: Write>(plan: &Build, output: &mut Output<W>) -> Result<Exit, Stop> {
    let settings = files::settings(&plan.settings)?;
    let (shape, base) = shape(plan, &settings);
    let region = library::check(&shape).map_err(|why| Stop::new(Exit::Usage, why))?;
    let len = plan.pad_to.map_or(region, |bytes| bytes as usize);
    if len < region {
        let why = format!("--pad-to {len}: the region alone has {region} bytes");
        return Err(Stop::new(Exit::Usage, why));
    }
    let units = units(plan, &settings)?;
    let container = plan.output.container.unwrap_or(Container::Raw);
    let skip_blank = plan.skip_blank.then_some(shape.page_bytes);
    let how = Writing { container, skip_blank, family: plan.family };
    let mut made = Vec::new();
    let image = |unit: &Unit| -> Result<_, Stop> {
        let (mut bytes, usage) =
            library::image(&unit.settings, &shape).map_err(|why| refused(&why, unit, &units))?;
        bytes.resize(len, 0xFF);
        let crc32 = format!("{:08x}", crc32(&bytes));
        let contents = write(&[Segment { address: base, bytes }], &how)
            .map_err(|why| Stop::new(Exit::Usage, why))?;
        Ok((contents, usage, crc32))
    };
    // All are tried before the first is written. Keeping them all could exceed the memory.
    if units.len() > 1 {
        let bar = bar(units.len(), "tried");
        for unit in &units {
            image(unit)?;
            bar.inc(1);
        }
        bar.finish_and_clear();
    }
    let bar = bar(units.len(), "written");
    for unit in &units {
        let (contents, usage, crc32) = image(unit)?;
        files::save(file(plan, unit), &contents, plan.output.force)?;
        made.push(Made {
            file: unit.file.clone(),
            settings: usage.keys,
            live_bytes: usage.live_bytes,
            free_bytes: usage.free_bytes,
            crc32,
        });
        bar.inc(1);
    }
    bar.finish_and_clear();
    if plan.json {
        let shape = serde_json::json!({
            "sectors": shape.sectors, "sector_bytes": shape.sector_bytes,
            "page_bytes": shape.page_bytes, "unit": shape.unit, "base": base,
        });
        output.json(&serde_json::json!({ "layout": shape, "images": made }))?;
    } else {
        let mut text = String::new();
        for Made { file, settings, live_bytes, free_bytes, crc32 } in &made {
            let settings = counted(*settings, "setting");
            text.push_str(&format!(
                "{file}: {settings}, {live_bytes} bytes used, {free_bytes} free, crc32 {crc32}\n"
            ));
        }
        text.push_str(&format!("{} of {shape} at 0x{base:x}\n", counted(made.len(), "image")));
        output.say(&text)?;
    }
    Ok(Exit::Clean)
}

/// The layout: from the command line, else from the settings file, else the default.
fn shape(plan: &Build, settings: &Settings) -> (Shape, u32) {
    let (known, layout) = (&plan.known, &settings.layout);
    let default = Shape::SERIAL_NOR;
    let unit = known.unit.or(layout.unit).unwrap_or(default.unit);
    let shape = Shape {
        sectors: known.sectors.or(layout.sectors).unwrap_or(default.sectors),
        sector_bytes: known.sector_bytes.or(layout.sector_bytes).unwrap_or(default.sector_bytes),
        page_bytes: known
            .page_bytes
            .or(layout.page_bytes)
            .unwrap_or_else(|| Shape::default_page(unit)),
        unit,
    };
    let page_bytes = Shape::page_as_stored(shape.page_bytes, unit);
    (Shape { page_bytes, ..shape }, known.base.or(layout.base).unwrap_or(0))
}

fn units(plan: &Build, settings: &Settings) -> Result<Vec<Unit>, Stop> {
    let Some(pattern) = plan.output.path.to_str().or_else(|| plan.units.is_none().then_some(""))
    else {
        let why = format!("{}: a pattern for file names must be UTF-8", plan.output.path.display());
        return Err(Stop::new(Exit::Usage, why));
    };
    let units = match &plan.units {
        None if pattern.split_once('{').is_some_and(|(_, name)| name.contains('}')) => {
            let why =
                format!("{pattern}: names a column, but there is no table; give one with --units");
            return Err(Stop::new(Exit::Usage, why));
        }
        None => {
            let file = plan.output.path.to_string_lossy();
            let alone = units::alone(settings, &file);
            vec![alone.map_err(|all| files::complaints(&plan.settings, &all))?]
        }
        Some(path) => units::read(&files::text(path)?, settings, pattern)
            .map_err(|all| files::complaints(path, &all))?,
    };
    let inputs: Vec<&Path> =
        [Some(&plan.settings), plan.units.as_ref()].into_iter().flatten().map(|p| &**p).collect();
    for unit in &units {
        files::apart(file(plan, unit), &inputs)?;
    }
    let taken = units.iter().find(|unit| !plan.output.force && file(plan, unit).exists());
    match taken {
        // Refused before the first is written, not after the thousandth.
        Some(unit) => {
            let why = format!("{}: already exists; --force overwrites it", unit.file);
            Err(Stop::new(Exit::BadInput, why))
        }
        None => Ok(units),
    }
}

/// The file of a unit. Without a table its name need not be UTF-8.
fn file<'a>(plan: &'a Build, unit: &'a Unit) -> &'a Path {
    if plan.units.is_some() { Path::new(&unit.file) } else { &plan.output.path }
}

fn refused(why: &Refused, unit: &Unit, units: &[Unit]) -> Stop {
    let exit = match why {
        Refused::Layout(_) => Exit::Usage,
        Refused::Setting { .. } => Exit::DoesNotFit,
    };
    let whose = if units.len() > 1 { format!("{}: ", unit.file) } else { String::new() };
    Stop::new(exit, format!("{whose}{why}"))
}

/// A progress bar, if there is more than one image.
fn bar(images: usize, done: &str) -> ProgressBar {
    if images < 2 {
        return ProgressBar::hidden();
    }
    progress::bar(images as u64, &format!("{{pos}} of {{len}} images {done}, {{eta}} left"))
}
