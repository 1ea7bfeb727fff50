//! A settings file as data.

use std::collections::{BTreeMap, BTreeSet};

use crate::tree::{Complaint, Place};
use crate::value::{Bounds, Type, encode, from_text, show};

/// The format of a settings file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// TOML 1.1.
    Toml,
    /// JSON.
    Json,
    /// Comma-separated values with a header line.
    Csv,
}

impl Format {
    /// The format that the extension of a file name stands for, if it is known.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let (_, ending) = name.rsplit_once('.')?;
        Some(match ending.to_ascii_lowercase().as_str() {
            "toml" => Self::Toml,
            "json" => Self::Json,
            "csv" => Self::Csv,
            _ => return None,
        })
    }
}

/// What a settings file says about the layout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PartialLayout {
    /// The number of sectors.
    pub sectors: Option<u32>,
    /// The bytes of a sector.
    pub sector_bytes: Option<u32>,
    /// The bytes of a page.
    pub page_bytes: Option<u32>,
    /// The program unit in bytes.
    pub unit: Option<u32>,
    /// The address of the region.
    pub base: Option<u32>,
}

/// One setting of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// The type of its value.
    pub kind: Type,
    /// Its value as bytes, if the file gives one.
    pub value: Option<Vec<u8>>,
    /// Where the file defines it.
    pub place: Place,
    pub(super) bounds: Bounds,
}

impl Setting {
    /// The bytes of a value that a cell of a table or an argument gives, checked.
    ///
    /// # Errors
    /// It is not a value of the setting's type, or it is out of bounds.
    pub fn value_from_text(&self, text: &str, place: Place) -> Result<Vec<u8>, Complaint> {
        encode(self.kind, &from_text(self.kind, text, place)?, &self.bounds)
    }
}

/// A settings file that was read and checked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// What it says about the layout.
    pub layout: PartialLayout,
    /// Its settings by key.
    pub settings: BTreeMap<Vec<u8>, Setting>,
    /// The keys that are counters in an image.
    pub counters: BTreeSet<Vec<u8>>,
}

impl Settings {
    /// The type of a key's value: from the file, or a guess from the value.
    #[must_use]
    pub fn kind_of(&self, key: &[u8], value: &[u8]) -> Type {
        match (self.settings.get(key), Type::guess(value)) {
            (Some(setting), _) => setting.kind,
            (None, Type::HEX) if value.len() == 8 && self.counters.contains(key) => Type::COUNT,
            (None, guess) => guess,
        }
    }

    /// A key's value in readable form.
    #[must_use]
    pub fn show(&self, key: &[u8], value: &[u8]) -> String {
        show(self.kind_of(key, value), value)
    }
}
