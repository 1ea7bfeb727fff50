//! The forecast by formulas.

use serde::Serialize;

use super::blocking::{Blocking, blocking};
use super::ram::ram_bytes;
use super::usage::{DAYS_PER_YEAR, PartFigures, Usage};
use crate::format::FormatFigures;
use crate::theory::{Boots, Stream, steady_state};

/// What to expect of a store with a certain number of sectors.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Forecast {
    /// Sectors of the store, the spare included.
    pub sectors: u32,
    /// Total bytes of the live records.
    pub live_bytes: u64,
    /// Their share of the room for live records.
    pub utilisation: f64,
    /// Days between two erases. `None` if nothing is ever written.
    pub days_per_erase: Option<f64>,
    /// Years until the sectors have used up the erase cycles of the data sheet. `None`: never.
    pub years: Option<f64>,
    /// Erases of each sector in the target number of years.
    pub erases_per_sector: f64,
    /// Share of the erase cycles used up in these years.
    pub life_used: f64,
    /// The share of `life_used` that is due to updates; copies count in proportion.
    pub by_updates: f64,
    /// The share of `life_used` that is due to power-ups.
    pub by_boots: f64,
    /// The share of the log bytes that are copies.
    pub copied: f64,
    /// How long a call can block.
    pub blocking: Blocking,
    /// Bytes of RAM of the store on this host; a 32-bit target needs fewer.
    pub ram_bytes: u64,
    /// Whether it reaches the target number of years.
    pub meets: bool,
}

/// The best that a part can do.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub enum Best {
    /// The smallest number of sectors that lasts long enough.
    Smallest(Forecast),
    /// Even all sectors do not last that long.
    TooShort(Forecast),
    /// The settings do not fit, even into all sectors.
    DoesNotFit,
}

/// Above this mean number of updates between two boots, the number is taken as evenly distributed.
const MOST_BETWEEN: f64 = 400.0;
/// A store fuller than this spends its time copying; there is no forecast for it.
const FULLEST: f64 = 0.95;

/// What to expect of a store with this many sectors. `None` if the settings do not fit.
///
/// Years = endurance x sectors x days between two erases / 365.25: all sectors are used in turn.
/// The days between two erases come from [`steady_state`].
pub fn forecast(
    part: &PartFigures,
    usage: &Usage,
    format: &FormatFigures,
    sectors: u32,
) -> Option<Forecast> {
    let streams: Vec<Stream> = usage
        .settings
        .iter()
        .zip(&format.records)
        .map(|(setting, record)| Stream {
            keys: setting.count.into(),
            rate: setting.updates_per_day,
            appended: f64::from(*record),
            copied: f64::from(*record),
        })
        .collect();
    let room = format.room(&part.geometry(sectors));
    let live: f64 = streams.iter().map(|stream| stream.keys * stream.copied).sum();
    let utilisation = live / (f64::from(sectors.checked_sub(1)?) * format.packed);
    // A sector must have room for the largest record besides the copies.
    if sectors < 2 || utilisation > FULLEST {
        return None;
    }
    let updates = usage.updates_per_day();
    let appended: f64 = streams.iter().map(|s| s.keys * s.rate * s.appended).sum();
    let mean = if updates > 0.0 { appended / updates } else { 0.0 };
    let boots = Boots {
        rate: usage.boots_per_day,
        bytes: if usage.rests { format.rest } else { f64::from(format.settle) + mean },
        page: (!usage.rests).then(|| part.store_page().into()),
        updates_between: between(updates, usage.boots_per_day),
    };
    let state = steady_state(&room, &streams, Some(&boots));
    let days = state.map(|state| state.interval);
    let years =
        days.map(|days| f64::from(part.endurance) * f64::from(sectors) * days / DAYS_PER_YEAR);
    let wanted = usage.years * DAYS_PER_YEAR;
    let erases_per_sector = days.map_or(0.0, |days| wanted / days / f64::from(sectors));
    let life_used = erases_per_sector / f64::from(part.endurance.max(1));
    let used = state.map_or(0.0, |state| state.updates + state.boots);
    let share = |part: f64| if used > 0.0 { part / used } else { 0.0 };
    Some(Forecast {
        sectors,
        live_bytes: live as u64,
        utilisation,
        days_per_erase: days,
        years,
        erases_per_sector,
        life_used,
        by_updates: share(state.map_or(0.0, |state| state.updates)),
        by_boots: share(state.map_or(0.0, |state| state.boots)),
        copied: state.map_or(0.0, |state| state.copied / (state.copied + used)),
        blocking: blocking(part, usage, format, sectors),
        ram_bytes: ram_bytes(usage.keys()),
        meets: life_used <= 1.0,
    })
}

/// Numbers of updates between two evenly spaced boots with their probabilities, if updates come at
/// random times.
fn between(updates: f64, boots: f64) -> Vec<(f64, f64)> {
    if boots <= 0.0 {
        return Vec::new();
    }
    let mean = updates / boots;
    if mean > MOST_BETWEEN {
        // A page holds a small share of them, so its end does not depend on the mean.
        let even = (0..64).map(|step| (mean + f64::from(step) / 64.0 * 16.0, 1.0 / 64.0));
        return even.collect();
    }
    // Poisson.
    let mut probability = (-mean).exp();
    let mut all = Vec::new();
    let mut k = 0.0;
    while k <= mean + 8.0 * mean.sqrt() + 8.0 {
        all.push((k, probability));
        k += 1.0;
        probability *= mean / k;
    }
    let sum: f64 = all.iter().map(|(_, probability)| probability).sum();
    all.iter_mut().for_each(|(_, probability)| *probability /= sum);
    all
}

/// The smallest number of sectors that reaches the target number of years.
pub fn smallest(part: &PartFigures, usage: &Usage, format: &FormatFigures) -> Best {
    let mut last = None;
    for sectors in 2..=part.most_sectors {
        if let Some(forecast) = forecast(part, usage, format, sectors) {
            if forecast.meets {
                return Best::Smallest(forecast);
            }
            last = Some(forecast);
        }
    }
    last.map_or(Best::DoesNotFit, Best::TooShort)
}

#[cfg(test)]
mod tests {
    //! Goal: the forecast is right. Method: cases calculated by hand, and runs of the store
    //! compared with the formulas.

    use super::super::{SettingLoad, simulate};
    use super::*;
    use outlast_faultsim::part::Timing;

    /// A part with sectors of 4096 bytes and this many erase cycles.
    fn part(endurance: u32) -> PartFigures {
        PartFigures {
            most_sectors: 64,
            sector_bytes: 4096,
            unit: 1,
            page: 256,
            endurance,
            timing: Timing::SERIAL_NOR,
        }
    }

    /// A format with 32 bytes before the first record, and records of one size.
    fn format(record: u32) -> FormatFigures {
        FormatFigures {
            sector_bytes: 4096,
            sector_overhead: 32,
            packed: f64::from(4064 / record * record),
            programs: f64::from(4064 / record),
            settle: 32,
            rest: 11.0,
            rest_most: 22,
            records: vec![record],
        }
    }

    fn usage(count: u32, updates_per_day: f64, boots_per_day: f64) -> Usage {
        let setting = SettingLoad {
            name: "level".to_owned(),
            count,
            key_bytes: 4,
            value_bytes: 16,
            updates_per_day,
        };
        Usage { settings: vec![setting], boots_per_day, rests: false, years: 10.0 }
    }

    fn years(part: &PartFigures, usage: &Usage, record: u32, sectors: u32) -> f64 {
        forecast(part, usage, &format(record), sectors).unwrap().years.unwrap()
    }

    #[track_caller]
    fn close(value: f64, expected: f64, tolerance: f64) {
        assert!((value / expected - 1.0).abs() < tolerance, "{value}, expected {expected}");
    }

    const MINUTES: f64 = 24.0 * 60.0;

    /// By hand. Records of 16 bytes, so 4064 / 16 = 254 per sector. Two sectors, half full: 127
    /// keys. Each compaction copies all the others and writes the change along, so there are 254 -
    /// 127 + 1 = 128 updates per erase; at one a minute that is 128 / 1440 days. 100 000 x 2 x 128
    /// / 1440 / 365.25 = 48.7 years. (The reference table in `tests/reference` has 48: 127 updates
    /// per erase.)
    #[test]
    fn example_two_sectors_half_full() {
        let usage = usage(127, MINUTES / 127.0, 0.0);
        close(years(&part(100_000), &usage, 16, 2), 48.67, 0.005);
    }

    /// By hand, with the write amplification of the reference table, 1.405 for four sectors half
    /// full: records of 32 bytes, 127 per sector, 127 / 1.405 = 90.4 updates per erase; at one a
    /// minute 100 000 x 4 x 90.4 / 1440 / 365.25 = 68.7 years.
    #[test]
    fn example_four_sectors_half_full() {
        let usage = usage(190, MINUTES / 190.0, 0.0);
        close(years(&part(100_000), &usage, 32, 4), 68.7, 0.01);
    }

    /// By hand: one record of 64 bytes, updated once a second, in sixteen sectors of a part with
    /// 10 000 cycles. 63 records per sector and nothing to copy make an erase every 63 seconds:
    /// 10 000 x 16 x 63 s = 10 080 000 s = 116.7 days = 0.319 years.
    #[test]
    fn example_one_key_every_second() {
        let usage = usage(1, 86_400.0, 0.0);
        close(years(&part(10_000), &usage, 64, 16), 0.3194, 0.005);
    }

    /// Power-ups that change nothing use nothing, however many there are.
    #[test]
    fn example_boots_only() {
        let usage = usage(4, 0.0, 24.0);
        let forecast = forecast(&part(100_000), &usage, &format(32), 2).unwrap();
        assert_eq!((forecast.years, forecast.life_used, forecast.by_boots), (None, 0.0, 0.0));
    }

    /// By hand, mostly power-ups: a sensor wakes every ten minutes, writes one setting of 32 bytes
    /// on average and loses its power without rest. The updates between two power-ups follow a
    /// Poisson distribution, so a share 1/e of the power-ups follows no change and costs nothing.
    /// The other 91.0 a day take a page of 256 bytes each: the settle record takes 32 and the copy
    /// in it 32, so there is room for six updates, and hardly ever more. 16 of them per erase, and
    /// 10 000 x 8 x 16 / 91.0 / 365.25 = 38.5 years.
    #[test]
    fn example_mostly_boots() {
        let usage = usage(1, 144.0, 144.0);
        let forecast = forecast(&part(10_000), &usage, &format(32), 8).unwrap();
        close(forecast.years.unwrap(), 38.5, 0.01);
        assert!(forecast.by_boots > 0.75, "{forecast:?}");
        assert!((forecast.by_boots + forecast.by_updates - 1.0).abs() < 1e-9);
        assert!(forecast.meets && forecast.life_used < 0.5);
    }

    /// The same sensor rests before it loses its power. By hand: an update of 32 bytes, and 11 for
    /// each of the power-ups that follow one, 91.0 / 144 an update: 39.0 bytes. 4064 / 39.0 / 144
    /// days per erase; 10 000 x 8 x 0.724 / 365.25 = 158.6 years.
    #[test]
    fn example_rest() {
        let usage = Usage { rests: true, ..usage(1, 144.0, 144.0) };
        let forecast = forecast(&part(10_000), &usage, &format(32), 8).unwrap();
        close(forecast.years.unwrap(), 158.6, 0.01);
    }

    /// Similar cases, run on the store itself.
    #[test]
    fn formula_and_simulation_agree() {
        let setting = |name: &str, count, value_bytes, updates_per_day| SettingLoad {
            name: name.to_owned(),
            count,
            key_bytes: 6,
            value_bytes,
            updates_per_day,
        };
        let mixed = vec![
            setting("calibration", 12, 40, 0.0),
            setting("level", 1, 8, 1440.0),
            setting("station", 30, 20, 4.0),
        ];
        let usage = |settings: &[SettingLoad], boots_per_day, rests| Usage {
            settings: settings.to_vec(),
            boots_per_day,
            rests,
            years: 10.0,
        };
        let cases = [
            (usage(&mixed, 0.0, false), 2, 0.02),
            (usage(&mixed, 2.0, false), 4, 0.02),
            (usage(&mixed, 48.0, false), 4, 0.02),
            (usage(&mixed, 1440.0, false), 4, 0.02),
            (usage(&mixed, 1440.0, true), 4, 0.02),
            (usage(&[setting("station", 220, 20, 4.0)], 4.0, false), 4, 0.04),
            (usage(&[setting("station", 220, 20, 4.0)], 48.0, false), 4, 0.04),
            (usage(&[setting("level", 60, 16, 24.0)], 0.0, false), 2, 0.02),
            (usage(&[setting("station", 8, 20, 0.1)], 24.0, false), 2, 0.02),
        ];
        let part = part(100_000);
        for (usage, sectors, tolerance) in cases {
            let format = usage.format(&part).unwrap();
            let expected = forecast(&part, &usage, &format, sectors).unwrap();
            let seen = simulate(&part, &usage, sectors, 240, 1).unwrap();
            let off = seen.years / expected.years.unwrap() - 1.0;
            assert!(off.abs() < tolerance, "{usage:?}: {off}, {expected:?}, {seen:?}");
            assert!(seen.wear_spread <= 1, "{usage:?} {seen:?}");
            let bound = expected.blocking;
            assert!(seen.worst_put.time.maximal_ns <= bound.time.maximal_ns, "{seen:?} {bound:?}");
            assert!(seen.worst_put.work.erases <= bound.compactions.into(), "{seen:?} {bound:?}");
        }
    }

    #[test]
    fn the_smallest_number_of_sectors_or_why_there_is_none() {
        let often = usage(190, MINUTES / 190.0, 0.0);
        let Best::Smallest(found) = smallest(&part(100_000), &often, &format(32)) else {
            panic!("none found")
        };
        assert!(found.meets);
        if let Some(smaller) = forecast(&part(100_000), &often, &format(32), found.sectors - 1) {
            assert!(!smaller.meets, "{smaller:?}");
        }
        let Best::TooShort(best) = smallest(&part(100), &often, &format(32)) else {
            panic!("100 cycles are not enough")
        };
        assert_eq!(best.sectors, 64);
        let many = usage(10_000, 0.1, 0.0);
        assert_eq!(smallest(&part(100_000), &many, &format(32)), Best::DoesNotFit);
    }

    #[test]
    fn nothing_written_lasts_for_ever() {
        let never = forecast(&part(100_000), &usage(10, 0.0, 0.0), &format(32), 2).unwrap();
        assert_eq!((never.years, never.life_used, never.meets), (None, 0.0, true));
    }
}
