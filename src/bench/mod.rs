//! `outlast bench`: measures what the store costs.

pub(crate) mod args;
mod csv;
mod outcome;
mod page;
mod plot;
mod text;

use std::io::Write;
use std::sync::Mutex;
use std::time::Instant;

use outlast_costs::sheet::Supply;
use outlast_costs::table::{Bench, Results};

use self::args::{Form, Request};
use self::outcome::{Outcome, misses};
use crate::exit::Exit;
use crate::output::{self, Output};
use crate::progress;

/// Measures, and prints the result.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let started = Instant::now();
    let results = match measured(&request.bench) {
        Ok(results) => results,
        Err(why) => {
            eprintln!("outlast: cannot measure this: {why}");
            return Ok(Exit::Usage);
        }
    };
    let bench = &request.bench;
    let outcome = Outcome {
        version: env!("CARGO_PKG_VERSION"),
        geometry: bench.geometry,
        part: request.sheet.name,
        part_source: request.sheet.source,
        spi_mhz: request.spi_mhz,
        timing: bench.timing,
        supply: Supply::USUAL,
        key_bytes: bench.key_bytes,
        value_bytes: bench.value_bytes,
        utilisation: bench.utilisation,
        seed: bench.seed,
        seconds: started.elapsed().as_secs_f64(),
        misses: misses(&results),
        results: &results,
    };
    match request.form {
        Form::Text => output.say(&text::whole(&outcome))?,
        Form::Json => output.json(&outcome)?,
        Form::Csv => output.say(&csv::csv(&results)?)?,
    }
    if let Some(path) = &request.report {
        output::write_file(path, &page::page(&outcome)?)?;
        if request.form == Form::Text {
            output.say(&format!("report: {}\n", path.display()))?;
        }
    }
    let failed = request.check && !outcome.misses.is_empty();
    Ok(if failed { Exit::Violation } else { Exit::Clean })
}

fn measured(bench: &Bench) -> Result<Results, String> {
    const STEPS: u64 = 1000;
    let bar = progress::bar(STEPS, "measuring, {eta} left");
    let done = Mutex::new(0.0);
    let results = bench.run(&|share| {
        if let Ok(mut done) = done.lock() {
            *done += share;
            bar.set_position((*done * STEPS as f64) as u64);
        }
    });
    bar.finish_and_clear();
    results
}
