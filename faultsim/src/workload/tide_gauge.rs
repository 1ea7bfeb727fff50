//! The default workload: the settings of an invented device, a tide gauge on a harbour wall.
//!
//! The device is commissioned. Then it measures for a long time, and occasionally gets a command
//! from the shore, until it is taken back to the workshop (factory reset) and commissioned anew.
//! Names and sizes are made up. The mix, with a few counters written all the time and many settings
//! hardly ever, is common practice and has no source.

use super::definition::{MOST_PRELUDE_OPS, Workload};
use super::mix::{live_room, record_bytes};
use super::value::{mixed, stamped};
use crate::part::Geometry;
use crate::subject::{Change, KeyNames, Op};

/// A setting: its name, the size of its value in bytes, and how often it is written relative to the
/// others once the device is in service.
type WeightedSetting = (&'static str, usize, u32);

/// The settings; those that a small part has room for come first.
const SETTINGS: [WeightedSetting; 25] = [
    ("sample.last", 40, 12),
    ("log.head", 16, 10),
    ("boots", 4, 6),
    ("gauge.datum", 4, 1),
    ("alarm.high", 4, 1),
    ("radio.channel", 1, 1),
    ("log.sent", 12, 6),
    ("gauge.drift", 8, 4),
    ("uptime.hours", 8, 8),
    ("uplink.token", 180, 4),
    ("sample.period", 2, 2),
    ("gauge.scale", 4, 1),
    ("alarm.low", 4, 1),
    ("battery.cycles", 2, 3),
    ("radio.key", 32, 1),
    ("clock.correction", 3, 3),
    ("calibration.table", 240, 1),
    ("alarm.contact", 20, 1),
    ("radio.network", 12, 1),
    ("service.note", 30, 1),
    ("station.position", 16, 1),
    ("uplink.address", 40, 1),
    ("station.name", 24, 1),
    ("sleep.depth", 1, 1),
    ("maintenance.locked", 0, 1),
];

/// The life of the tide gauge, scaled to the part. The prelude writes about three times what the
/// part holds; the explored operations write a little more than a sector.
pub fn tide_gauge(geometry: &Geometry) -> Workload {
    let mut room = live_room(geometry);
    let mut bytes = 0;
    let mut settings = Vec::new();
    for setting in SETTINGS {
        let cost = record_bytes(geometry, setting.0.len(), setting.1);
        if cost > room && settings.len() >= 3 {
            break;
        }
        room = room.saturating_sub(cost);
        bytes += cost * setting.2;
        settings.push(setting);
    }
    let weights: u32 = settings.iter().map(|setting| setting.2).sum();
    let mean = (bytes / weights).max(1);
    let mut life = GaugeLife { settings, weights, number: 0, ops: Vec::new() };

    life.commission();
    let count = 3 * u64::from(geometry.bytes()) / u64::from(mean);
    life.serve(u32::try_from(count.min(MOST_PRELUDE_OPS)).unwrap_or(u32::MAX));
    let prelude = std::mem::take(&mut life.ops);
    life.serve(geometry.sector_bytes / mean + 8);
    life.ops.push(Op::Clear);
    life.commission();
    life.serve(6);

    Workload {
        name: "tide gauge".to_owned(),
        keys: KeyNames::new(life.settings.iter().map(|setting| setting.0)),
        prelude,
        ops: life.ops,
        may_fill: false,
        goes_round: false,
    }
}

struct GaugeLife {
    settings: Vec<WeightedSetting>,
    weights: u32,
    /// The number of the last operation, with which values are stamped.
    number: u32,
    ops: Vec<Op>,
}

impl GaugeLife {
    fn put(&mut self, key: u16) -> Op {
        Op::Put { key, value: self.value(key) }
    }

    fn value(&mut self, key: u16) -> Vec<u8> {
        self.number += 1;
        stamped(key, self.number, self.settings[usize::from(key)].1)
    }

    fn keys(&self) -> u16 {
        // The table above is short.
        u16::try_from(self.settings.len()).unwrap_or(u16::MAX)
    }

    /// A setting chosen by weight; the same number and seed give the same setting.
    fn pick(&self, seed: u64) -> u16 {
        let roll = mixed(u64::from(self.number) << 8 | seed) % u64::from(self.weights);
        let mut left = u32::try_from(roll).unwrap_or(0);
        for (key, setting) in (0..).zip(&self.settings) {
            match left.checked_sub(setting.2) {
                Some(rest) => left = rest,
                None => return key,
            }
        }
        0
    }

    /// Writes every setting once: the measuring part as one batch, the rest one by one.
    fn commission(&mut self) {
        let together = 3.min(self.keys());
        let batch = (0..together).map(|key| Change::Put { key, value: self.value(key) }).collect();
        self.ops.push(Op::Batch(batch));
        for key in together..self.keys() {
            let op = self.put(key);
            self.ops.push(op);
        }
        self.ops.push(Op::Reopen);
    }

    /// Appends this many operations in service.
    fn serve(&mut self, ops: u32) {
        for index in 1..=ops {
            let key = self.pick(1);
            let op = match index {
                _ if index % 41 == 0 => Op::Reopen,
                _ if index % 29 == 0 => Op::Tidy,
                // The sample, its position in the log and a counter belong together.
                _ if index % 9 == 0 => Op::Batch(
                    (0..3.min(self.keys()))
                        .map(|key| Change::Put { key, value: self.value(key) })
                        .collect(),
                ),
                _ if index % 17 == 0 => {
                    // Two settings that exclude each other, changed by command from the shore.
                    let (set, removed) = (key, (key + 1) % self.keys());
                    Op::Batch(vec![
                        Change::Put { key: set, value: self.value(set) },
                        Change::Delete { key: removed },
                    ])
                }
                _ if index % 13 == 0 => Op::Delete { key: self.keys() - 1 - key },
                // A command repeated by a nervous operator: the value is already there.
                _ if index % 11 == 0 => match self.ops.last() {
                    Some(Op::Put { key, value }) => Op::Put { key: *key, value: value.clone() },
                    _ => self.put(key),
                },
                _ => self.put(key),
            };
            self.number += 1;
            self.ops.push(op);
        }
    }
}
