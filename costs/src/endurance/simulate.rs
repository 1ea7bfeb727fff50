//! The forecast by running the store on the simulated part.

use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom as _;
use rand::{RngExt as _, SeedableRng as _};
use serde::Serialize;

use super::usage::{DAYS_PER_YEAR, PartFigures, Usage};
use crate::format::in_words;
use crate::run::{CallCost, key_name, timed};
use outlast_faultsim::part::{Chip, Part};
use outlast_faultsim::subject::{KeyNames, Op, Subject as _};
use outlast_faultsim::subjects::outlast::ManyKeys;

/// The result of a simulation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Simulation {
    /// Number of erases counted.
    pub erases: u64,
    /// Days of use between two of them.
    pub days_per_erase: f64,
    /// Years until the sectors have used up the erase cycles of the data sheet.
    pub years: f64,
    /// Erases of the most erased sector less those of the least erased one.
    pub wear_spread: u32,
    /// The `put` that took longest.
    pub worst_put: CallCost,
    /// A mount at the end.
    pub mount: CallCost,
}

/// Uses the store for `erases` erases, after the log has gone round twice. Power-ups are evenly
/// spaced, updates come at random times.
///
/// # Errors
/// If the settings do not fit, nothing is ever written, or the store fails; in words.
pub fn simulate(
    part: &PartFigures,
    usage: &Usage,
    sectors: u32,
    erases: u64,
    seed: u64,
) -> Result<Simulation, String> {
    let mut device = Device::new(part, usage, sectors, seed)?;
    let skipped = 2 * u64::from(sectors);
    let mut days = 0.0;
    let mut next_boot = if usage.boots_per_day > 0.0 { 0.0 } else { f64::INFINITY };
    let updates = usage.updates_per_day();
    if updates <= 0.0 && usage.boots_per_day <= 0.0 {
        return Err("nothing is ever written".to_owned());
    }
    let mut began = None;
    loop {
        // The time to the next of many independent updates is exponentially distributed.
        let wait = -device.rng.random::<f64>().max(f64::MIN_POSITIVE).ln() / updates.max(1e-300);
        let mut to = days + wait;
        while next_boot < to {
            device.boot()?;
            days = next_boot;
            next_boot += 1.0 / usage.boots_per_day;
            if updates <= 0.0 {
                to = days;
                break;
            }
        }
        if updates > 0.0 {
            days = to;
            device.update()?;
        }
        let seen = device.part.chip().counts().erases;
        if began.is_none() && seen >= skipped {
            began = Some((days, seen));
        }
        if let Some((from, first)) = began
            && seen >= first + erases
        {
            let days_per_erase = (days - from) / (seen - first) as f64;
            return device.finish(part, sectors, seen - first, days_per_erase);
        }
    }
}

struct Device {
    part: Part,
    store: <ManyKeys as outlast_faultsim::subject::Subject>::Store,
    keys: KeyNames,
    /// Value bytes of each key.
    sizes: Vec<u32>,
    /// For each setting: upper bound of the random number that chooses it, first key, number of
    /// keys.
    draw: Vec<(f64, u32, u32)>,
    rng: ChaCha8Rng,
    written: u64,
    /// Whether it rests before it loses its power.
    rests: bool,
    worst_put: CallCost,
}

impl Device {
    fn new(part: &PartFigures, usage: &Usage, sectors: u32, seed: u64) -> Result<Self, String> {
        if usage.keys() > ManyKeys::KEYS {
            return Err(format!("more than {} keys cannot be simulated", ManyKeys::KEYS));
        }
        let mut names = Vec::new();
        let mut sizes = Vec::new();
        let mut draw = Vec::new();
        let mut below = 0.0;
        for setting in &usage.settings {
            below += f64::from(setting.count) * setting.updates_per_day;
            draw.push((below, sizes.len() as u32, setting.count));
            for _ in 0..setting.count {
                names.push(key_name(setting.key_bytes, names.len())?);
                sizes.push(setting.value_bytes);
            }
        }
        let mut chip = Chip::new(part.geometry(sectors));
        chip.set_timing(part.timing);
        let part = Part::new(chip);
        let store = ManyKeys.open(&part).map_err(in_words)?;
        let mut device = Self {
            part,
            store,
            keys: KeyNames::new(names),
            sizes,
            draw,
            rng: ChaCha8Rng::seed_from_u64(seed),
            written: 0,
            rests: usage.rests,
            worst_put: CallCost::default(),
        };
        let mut order: Vec<u16> = (0..device.sizes.len() as u32).map(|key| key as u16).collect();
        order.shuffle(&mut device.rng);
        for key in order {
            device.put(key)?;
        }
        Ok(device)
    }

    fn put(&mut self, key: u16) -> Result<(), String> {
        self.written += 1;
        let len = self.sizes.get(usize::from(key)).copied().unwrap_or(0);
        let mut value = vec![0x5A; len as usize];
        for (to, from) in value.iter_mut().zip(self.written.to_le_bytes()) {
            *to = from;
        }
        let op = Op::Put { key, value };
        let (done, call) = timed(&self.part, || ManyKeys.apply(&mut self.store, &op, &self.keys));
        self.worst_put = self.worst_put.longer(call);
        done.map_err(in_words)
    }

    fn update(&mut self) -> Result<(), String> {
        let all = self.draw.last().map_or(0.0, |(below, ..)| *below);
        let point = self.rng.random::<f64>() * all;
        let chosen = self.draw.iter().find(|(below, _, count)| point < *below && *count > 0);
        let Some(&(_, first, count)) = chosen else { return Ok(()) };
        let key = first + self.rng.random_range(0..count);
        self.put(key as u16)
    }

    fn boot(&mut self) -> Result<(), String> {
        if self.rests {
            self.store.rest().map_err(in_words)?;
        }
        self.store = ManyKeys.open(&self.part).map_err(in_words)?;
        Ok(())
    }

    fn finish(
        self,
        figures: &PartFigures,
        sectors: u32,
        erases: u64,
        days_per_erase: f64,
    ) -> Result<Simulation, String> {
        let Self { part, store, worst_put, .. } = self;
        drop(store);
        let (opened, mount) = timed(&part, || ManyKeys.open(&part));
        opened.map_err(in_words)?;
        let wear = part.chip().wear();
        let life = f64::from(figures.endurance) * f64::from(sectors);
        Ok(Simulation {
            erases,
            days_per_erase,
            years: life * days_per_erase / DAYS_PER_YEAR,
            wear_spread: wear.most_erased - wear.least_erased,
            worst_put,
            mount,
        })
    }
}
