//! `outlast plan`: how many sectors a product needs, how long they last, and how long calls block.

pub(crate) mod args;
pub(crate) mod input;
mod outcome;
mod part;
mod tables;
mod text;

use std::io::Write;

use outlast_costs::endurance::{Best, Forecast, Simulation, forecast, simulate, smallest};
use outlast_costs::format::FormatFigures;

use self::input::Request;
use self::outcome::Outcome;
use crate::exit::Exit;
use crate::output::Output;

/// Erases of a short run, which shows just a mount and a slow call, and of a long run.
const SHORT_RUN: u64 = 40;
const LONG_RUN: u64 = 600;
/// The most sectors that are simulated.
const MOST_RUN: u32 = 512;

/// Works out the forecast and prints it.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    let Request { part, usage, .. } = request;
    let format = match usage.format(part) {
        Ok(format) => format,
        Err(why) => {
            eprintln!("outlast: the store cannot keep these settings on this part: {why}");
            return Ok(Exit::Usage);
        }
    };
    let best = smallest(part, usage, &format);
    let smallest_sectors = match &best {
        Best::Smallest(forecast) => Some(forecast.sectors),
        Best::TooShort(_) | Best::DoesNotFit => None,
    };
    let chosen = match (request.sectors, best) {
        (Some(sectors), _) => forecast(part, usage, &format, sectors),
        (None, Best::Smallest(forecast) | Best::TooShort(forecast)) => Some(forecast),
        (None, Best::DoesNotFit) => None,
    };
    let (trial, no_trial) = match chosen.as_ref().map(|chosen| tried(request, chosen.sectors)) {
        Some(Ok(trial)) => (Some(trial), None),
        Some(Err(why)) => (None, Some(why)),
        None => (None, None),
    };
    let outcome = Outcome {
        version: env!("CARGO_PKG_VERSION"),
        part,
        part_source: &request.source,
        usage,
        others: others(request, &format, chosen.as_ref()),
        format: &format,
        smallest_sectors,
        trial,
        no_trial,
        simulated: request.simulate,
        chosen,
    };
    if request.json {
        output.json(&outcome)?;
    } else {
        output.say(&text::whole(&outcome))?;
    }
    let meets = outcome.chosen.as_ref().is_some_and(|chosen| chosen.meets);
    Ok(if meets { Exit::Clean } else { Exit::Violation })
}

fn tried(request: &Request, sectors: u32) -> Result<Simulation, String> {
    if sectors > MOST_RUN {
        return Err(format!("only up to {MOST_RUN} sectors are simulated"));
    }
    let erases = if request.simulate { LONG_RUN } else { SHORT_RUN };
    simulate(&request.part, &request.usage, sectors, erases, 1)
}

/// Numbers of sectors for comparison.
fn others(request: &Request, format: &FormatFigures, chosen: Option<&Forecast>) -> Vec<Forecast> {
    let mut counts = vec![2, 3, 4, 6, 8, 12, 16, 24, 32, 64, 128, 256, 512, 1024, 2048, 4096];
    counts.retain(|count| *count <= request.part.most_sectors);
    if let Some(chosen) = chosen {
        counts.extend([chosen.sectors.saturating_sub(1).max(2), chosen.sectors]);
        // Only a few beyond the chosen number.
        let limit = chosen.sectors.saturating_mul(4).max(8);
        counts.retain(|count| *count <= limit);
    }
    counts.sort_unstable();
    counts.dedup();
    let forecasts = counts
        .into_iter()
        .filter_map(|count| forecast(&request.part, &request.usage, format, count));
    forecasts.collect()
}
