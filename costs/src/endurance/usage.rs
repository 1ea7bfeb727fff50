//! The input of a forecast: a part, and how a product uses its settings.

use outlast_faultsim::part::{Geometry, Timing};
use outlast_faultsim::subjects::outlast::page_bytes;
use serde::Serialize;

use crate::format::{FormatFigures, Kind, probe};

/// What a data sheet says about a part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartFigures {
    /// Most sectors that the store may use; 2 to 4096.
    pub most_sectors: u32,
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes of a program unit.
    pub unit: u32,
    /// Bytes that one program operation can touch.
    pub page: u32,
    /// Erase cycles per sector that the data sheet promises.
    pub endurance: u32,
    /// How long operations take.
    pub timing: Timing,
}

impl PartFigures {
    /// The geometry of the part with this many of its sectors.
    pub fn geometry(&self, sectors: u32) -> Geometry {
        let Self { sector_bytes, unit, page, .. } = *self;
        Geometry { sectors, sector_bytes, unit, page }
    }

    /// The page as the store uses it: at least eight units and 64 bytes.
    pub(super) fn store_page(&self) -> u32 {
        page_bytes(self.page, self.unit)
    }
}

/// A group of settings of equal size and rate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SettingLoad {
    /// Name for reports.
    pub name: String,
    /// How many there are.
    pub count: u32,
    /// Bytes of a key.
    pub key_bytes: u32,
    /// Bytes of a value.
    pub value_bytes: u32,
    /// Changes of each of them per day.
    pub updates_per_day: f64,
}

/// How a product uses its settings.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Usage {
    /// The settings it keeps.
    pub settings: Vec<SettingLoad>,
    /// Power-ups per day.
    pub boots_per_day: f64,
    /// Whether the product calls `rest` before it loses its power.
    pub rests: bool,
    /// How many years it must last.
    pub years: f64,
}

impl Usage {
    /// Total number of keys.
    pub fn keys(&self) -> u32 {
        self.settings.iter().map(|setting| setting.count).fold(0, u32::saturating_add)
    }

    /// Total number of changes per day.
    pub fn updates_per_day(&self) -> f64 {
        self.settings.iter().map(|s| f64::from(s.count) * s.updates_per_day).sum()
    }

    /// What the format costs for these settings.
    ///
    /// # Errors
    /// If the store refuses one of them, in words.
    pub fn format(&self, part: &PartFigures) -> Result<FormatFigures, String> {
        let kinds: Vec<Kind> = self
            .settings
            .iter()
            .map(|setting| Kind {
                key_bytes: setting.key_bytes,
                value_bytes: setting.value_bytes,
                weight: f64::from(setting.count) * setting.updates_per_day,
            })
            .collect();
        probe(&part.geometry(4), &kinds)
    }
}

/// Days in a year, on average.
pub const DAYS_PER_YEAR: f64 = 365.25;
