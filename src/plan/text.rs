//! The forecast as text.

use std::fmt::{self, Write as _};

use outlast_costs::endurance::{DAYS_PER_YEAR, Forecast};
use outlast_faultsim::part::DeviceTime;

use super::outcome::Outcome;
use crate::words::{counted, wrapped};

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
            "  setting   {} x {}: key {}, value {}, record {record} bytes, {}",
            setting.count,
            setting.name,
            setting.key_bytes,
            setting.value_bytes,
            match setting.updates_per_day {
                0.0 => "never changed".to_owned(),
                rate => format!("each changed {}", often(rate)),
            }
        )?;
    }
    let how = if usage.rests { ", each after a `rest`" } else { "" };
    writeln!(text, "  boots     {}{how}", often(usage.boots_per_day))?;
    writeln!(text, "  target    {} years\n", usage.years)?;
    verdict(outcome, text)?;
    if let Some(chosen) = &outcome.chosen {
        details(outcome, chosen, text)?;
    }
    others(outcome, text)?;
    text.push_str(&wrapped(ASSUMPTIONS, ""));
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
            writeln!(text, "No number of sectors up to {most} meets the target.")?;
            writeln!(text, "{} sectors: {}.", chosen.sectors, life(chosen))?;
            if let Some(years) = chosen.years {
                let factor = usage.years / years;
                writeln!(
                    text,
                    "The write rate would have to drop by {factor:.1}x, or the part endure {factor:.1}x as many erases."
                )?;
            }
        }
        (None, Some(smallest)) => {
            writeln!(text, "The settings do not fit into this many sectors. {smallest} would do.")?;
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
    writeln!(text, "  share of copies in the writes    {:.1} %", percent(chosen.copied))?;
    writeln!(
        text,
        "  live records                     {} bytes, {:.1} % of the room",
        chosen.live_bytes,
        percent(chosen.utilisation)
    )?;
    writeln!(
        text,
        "  longest put                      {}, {} in one call",
        duration(chosen.blocking.time),
        counted(chosen.blocking.compactions, "compaction")
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
                "  mount, seen in a simulation      {} ({} of {} bytes in total, {})",
                duration(trial.mount.time),
                counted(trial.mount.work.reads, "read"),
                trial.mount.read_bytes,
                counted(trial.mount.work.programs, "program")
            )?;
            if let (true, Some(expected)) = (outcome.simulated, chosen.years) {
                writeln!(
                    text,
                    "  life in a simulation             {:.2} years ({:+.1} %), {}, wear spread {}",
                    trial.years,
                    100.0 * (trial.years / expected - 1.0),
                    counted(trial.erases, "erase"),
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
        "  RAM of the store                 {} bytes on this host, including 8 for each key\n",
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

const ASSUMPTIONS: &str = "Assumptions: All sectors are used in rotation, so life = cycles x sectors x time between two \
     erases. Settings change at random times, independently, by single puts, and always to a \
     different value (putting the stored value again costs nothing). Boots are evenly spaced. \
     One that follows a change uses the rest of a page, unless rest was called before the power was \
     lost; one that does not costs nothing. Settings that never change are spread over the sectors; if they are written \
     together and fill whole sectors, they cost more. Times leave out the status polls. For \
     endurance and retention, and how both fall with temperature and cycles, the data sheet of the \
     part decides; this forecast does not qualify a product.";

fn life(forecast: &Forecast) -> String {
    match forecast.years {
        Some(years) if years >= 1000.0 => "more than 1000 years by erase cycles".to_owned(),
        Some(years) => format!("{years:.1} years"),
        None => "nothing is ever erased".to_owned(),
    }
}

/// A rate in the largest unit in which it is at least one.
fn often(per_day: f64) -> String {
    let units = [
        ("second", 86_400.0),
        ("minute", 1440.0),
        ("hour", 24.0),
        ("day", 1.0),
        ("year", 1.0 / DAYS_PER_YEAR),
    ];
    if per_day == 0.0 {
        return "never".to_owned();
    }
    // A rate like 1/minute is not exact in events per day.
    let fits = |(_, per_day_of_one): &(&str, f64)| per_day / per_day_of_one > 0.999;
    let (unit, of_one) = units.into_iter().find(fits).unwrap_or(("year", 1.0 / DAYS_PER_YEAR));
    let number = format!("{:.3}", per_day / of_one);
    let number = number.trim_end_matches('0').trim_end_matches('.');
    match number {
        "1" => format!("once per {unit}"),
        number => format!("{number} times per {unit}"),
    }
}

fn duration(time: DeviceTime) -> String {
    let ms = |ns: u64| ns as f64 / 1e6;
    format!("{:.2} ms typical, {:.2} ms maximum", ms(time.typical_ns), ms(time.maximal_ns))
}

#[cfg(test)]
mod tests {
    use super::often;

    #[test]
    fn rates_are_in_fitting_units() {
        for (per_day, words) in [
            (0.0, "never"),
            (1440.0, "once per minute"),
            (86_400.0 * 2.5, "2.5 times per second"),
            (2.0, "2 times per day"),
            (24.0 / DAYS, "24 times per year"),
        ] {
            assert_eq!(often(per_day), words);
        }
    }

    const DAYS: f64 = super::DAYS_PER_YEAR;
}
