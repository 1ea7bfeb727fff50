//! The forecast as text.

use std::fmt::{self, Write as _};

use outlast_costs::endurance::Forecast;
use outlast_faultsim::device::DeviceTime;

use super::Outcome;

/// Everything.
pub(super) fn whole(outcome: &Outcome<'_>) -> String {
    let mut text = String::new();
    // Writing to a string does not fail.
    let _ = write(outcome, &mut text);
    text
}

fn write(outcome: &Outcome<'_>, text: &mut String) -> fmt::Result {
    let Outcome { part, usage, format, .. } = outcome;
    writeln!(text, "outlast plan {}", outcome.version)?;
    writeln!(
        text,
        "  part      sectors of {} bytes, page {}, unit {}, {} erase cycles per sector",
        part.sector_bytes, part.page, part.unit, part.endurance
    )?;
    writeln!(text, "            {}", outcome.part_source)?;
    for (setting, record) in usage.settings.iter().zip(&format.records) {
        writeln!(
            text,
            "  setting   {} x {}: key {}, value {}, record {record} bytes, each changed {}",
            setting.count,
            setting.name,
            setting.key_bytes,
            setting.value_bytes,
            often(setting.updates_per_day)
        )?;
    }
    writeln!(text, "  boots     {}", often(usage.boots_per_day))?;
    writeln!(text, "  wish      {} years\n", usage.years)?;
    verdict(outcome, text)?;
    if let Some(chosen) = &outcome.chosen {
        details(outcome, chosen, text)?;
    }
    others(outcome, text)?;
    text.push_str(ASSUMPTIONS);
    Ok(())
}

fn verdict(outcome: &Outcome<'_>, text: &mut String) -> fmt::Result {
    let Outcome { part, usage, smallest_sectors, chosen, .. } = outcome;
    match (chosen, smallest_sectors) {
        (Some(chosen), smallest) if chosen.meets => {
            writeln!(text, "{} sectors are enough: {}.", chosen.sectors, life(chosen))?;
            if let Some(smallest) = smallest
                && *smallest < chosen.sectors
            {
                writeln!(text, "{smallest} would do.")?;
            }
        }
        (Some(chosen), Some(smallest)) => {
            let (sectors, life) = (chosen.sectors, life(chosen));
            writeln!(text, "{sectors} sectors are not enough: {life}. {smallest} would do.")?;
        }
        (Some(chosen), None) => {
            let most = part.most_sectors;
            writeln!(text, "No number of sectors up to {most} meets the wish.")?;
            writeln!(text, "{} sectors: {}.", chosen.sectors, life(chosen))?;
            if let Some(years) = chosen.years {
                writeln!(
                    text,
                    "What is written would have to be {:.1} times less, or the part endure {:.1} times more.",
                    usage.years / years,
                    usage.years / years
                )?;
            }
        }
        (None, Some(smallest)) => {
            writeln!(text, "The settings do not fit into so many sectors. {smallest} would do.")?;
        }
        (None, None) => {
            let most = part.most_sectors;
            writeln!(text, "The settings do not fit, not even into {most} sectors.")?;
        }
    }
    Ok(())
}

fn details(outcome: &Outcome<'_>, chosen: &Forecast, text: &mut String) -> fmt::Result {
    let percent = |share: f64| 100.0 * share;
    let years = outcome.usage.years;
    writeln!(
        text,
        "  erase cycles used in {years} years   {:.1} % ({:.0} of {} per sector)",
        percent(chosen.life_used),
        chosen.erases_per_sector,
        outcome.part.endurance
    )?;
    writeln!(
        text,
        "    by updates                     {:.1} %",
        percent(chosen.life_used * chosen.by_updates)
    )?;
    writeln!(
        text,
        "    by boots                       {:.1} %",
        percent(chosen.life_used * chosen.by_boots)
    )?;
    writeln!(text, "  copies among what is written     {:.1} %", percent(chosen.copied))?;
    writeln!(
        text,
        "  live records                     {} bytes, {:.1} % of the room",
        chosen.live_bytes,
        percent(chosen.utilisation)
    )?;
    writeln!(
        text,
        "  longest put, at the most         {}, {} in one call",
        duration(chosen.blocking.time),
        count(chosen.blocking.compactions, "sector turn")
    )?;
    match (&outcome.trial, &outcome.no_trial) {
        (Some(trial), _) => {
            writeln!(
                text,
                "    seen in a simulation           {} ({})",
                duration(trial.worst_put.time),
                trial.worst_put.work
            )?;
            writeln!(
                text,
                "  mount, seen in a simulation      {} ({} reads of {} bytes in all, {} programs)",
                duration(trial.mount.time),
                trial.mount.work.reads,
                trial.mount.read_bytes,
                trial.mount.work.programs
            )?;
            if let (true, Some(expected)) = (outcome.simulated, chosen.years) {
                writeln!(
                    text,
                    "  life in a simulation             {:.2} years ({:+.1} %), {} erases, wear spread {}",
                    trial.years,
                    100.0 * (trial.years / expected - 1.0),
                    trial.erases,
                    trial.wear_spread
                )?;
            }
        }
        (None, Some(why)) => {
            writeln!(text, "  mount                            not simulated: {why}")?
        }
        (None, None) => {}
    }
    writeln!(
        text,
        "  RAM of the store                 {} bytes on this host, of them 8 for each key\n",
        chosen.ram_bytes
    )
}

fn others(outcome: &Outcome<'_>, text: &mut String) -> fmt::Result {
    if outcome.others.is_empty() {
        return Ok(());
    }
    writeln!(
        text,
        "  sectors  room used      years  cycles used    by updates    by boots   longest put"
    )?;
    for forecast in &outcome.others {
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        let years = forecast.years.map_or_else(|| "-".to_owned(), |years| format!("{years:.1}"));
        writeln!(
            text,
            "  {:>7}  {:>9}  {:>9}  {:>11}  {:>12}  {:>10}  {:>9.0} ms{}",
            forecast.sectors,
            percent(forecast.utilisation),
            years,
            percent(forecast.life_used),
            percent(forecast.life_used * forecast.by_updates),
            percent(forecast.life_used * forecast.by_boots),
            forecast.blocking.time.maximal_ns as f64 / 1e6,
            if forecast.meets { "" } else { "  too short" },
        )?;
    }
    text.push('\n');
    Ok(())
}

const ASSUMPTIONS: &str = "\
Assumed: all sectors are used in turn, so life = cycles x sectors x time between two erases; settings change
at random times, independently, by single puts, and always to another value (the stored value again costs
nothing); boots come at even distances and each uses a page; settings that never change lie spread over
the sectors, and written in one go they cost more where they fill whole sectors. Times leave out the
status polls. Endurance, retention and how both fall with temperature and cycles: the part's own data sheet
decides, and this forecast is no qualification of a product.
";

fn life(forecast: &Forecast) -> String {
    match forecast.years {
        Some(years) if years >= 1000.0 => "more than 1000 years by erase cycles".to_owned(),
        Some(years) => format!("{years:.1} years"),
        None => "nothing is ever erased".to_owned(),
    }
}

fn often(per_day: f64) -> String {
    if per_day == 0.0 {
        "never".to_owned()
    } else if per_day >= 24.0 {
        format!("{:.3} times an hour", per_day / 24.0)
    } else if per_day >= 0.1 {
        format!("{per_day:.3} times a day")
    } else {
        format!("{:.3} times a year", per_day * outlast_costs::endurance::DAYS_PER_YEAR)
    }
}

fn count(number: u32, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}

fn duration(time: DeviceTime) -> String {
    let ms = |ns: u64| ns as f64 / 1e6;
    format!("{:.2} ms typical, {:.2} ms maximal", ms(time.typical_ns), ms(time.maximal_ns))
}
