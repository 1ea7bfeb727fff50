//! A whole table of settings as bytes, which is what the simple subjects keep in a sector.

use std::collections::BTreeMap;

use crate::subject::{Change, KeyNames, Op, Trouble};

/// Settings by name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    settings: BTreeMap<Vec<u8>, Vec<u8>>,
}

impl Table {
    /// Parses what [`Table::bytes`] wrote; `None` if it is truncated.
    pub fn parse(mut bytes: &[u8]) -> Option<Self> {
        let mut settings = BTreeMap::new();
        while !bytes.is_empty() {
            let key = take(&mut bytes)?;
            let value = take(&mut bytes)?;
            settings.insert(key.to_vec(), value.to_vec());
        }
        Some(Self { settings })
    }

    /// For each setting: length and bytes of the name, then length and bytes of the value.
    ///
    /// # Errors
    ///
    /// [`Trouble::Refused`] for a name or value of 64 KiB or more.
    pub fn bytes(&self) -> Result<Vec<u8>, Trouble> {
        let mut bytes = Vec::new();
        for part in self.settings.iter().flat_map(|(key, value)| [key, value]) {
            let len = u16::try_from(part.len())
                .map_err(|_| Trouble::Refused("name or value too long".to_owned()))?;
            bytes.extend(len.to_le_bytes());
            bytes.extend(part);
        }
        Ok(bytes)
    }

    /// The value of a setting.
    pub fn get(&self, key: &[u8]) -> Option<&[u8]> {
        self.settings.get(key).map(Vec::as_slice)
    }

    /// The names.
    pub fn keys(&self) -> impl Iterator<Item = &[u8]> {
        self.settings.keys().map(Vec::as_slice)
    }

    /// Sets a setting or, with `None`, removes it. Returns whether that changed anything.
    pub fn set(&mut self, key: &str, value: Option<&[u8]>) -> bool {
        match value {
            None => self.settings.remove(key.as_bytes()).is_some(),
            Some(value) if self.get(key.as_bytes()) == Some(value) => false,
            Some(value) => {
                self.settings.insert(key.as_bytes().to_vec(), value.to_vec());
                true
            }
        }
    }
}

fn take<'bytes>(bytes: &mut &'bytes [u8]) -> Option<&'bytes [u8]> {
    let (len, rest) = bytes.split_at_checked(2)?;
    let (part, rest) = rest.split_at_checked(usize::from(len[0]) | usize::from(len[1]) << 8)?;
    *bytes = rest;
    Some(part)
}

/// The changes of an operation as names and new values. [`Op::Clear`] does not list its changes.
pub fn changes<'op>(op: &'op Op, keys: &'op KeyNames) -> Vec<(&'op str, Option<&'op [u8]>)> {
    match op {
        Op::Put { key, value } => vec![(keys.name(*key), Some(value.as_slice()))],
        Op::Delete { key } => vec![(keys.name(*key), None)],
        Op::Batch(changes) => changes
            .iter()
            .map(|change| match change {
                Change::Put { key, value } => (keys.name(*key), Some(value.as_slice())),
                Change::Delete { key } => (keys.name(*key), None),
            })
            .collect(),
        Op::Clear | Op::Tidy | Op::Reopen => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        let mut table = Table::default();
        assert!(table.set("b", Some(&[1, 2, 3])));
        assert!(table.set("a", Some(&[])));
        assert!(!table.set("a", Some(&[])));
        assert!(!table.set("c", None));
        let bytes = table.bytes().unwrap();
        assert_eq!(Table::parse(&bytes), Some(table.clone()));
        assert_eq!(Table::parse(&bytes[..bytes.len() - 1]), None);
        assert!(table.set("b", None));
        assert_eq!(table.keys().collect::<Vec<_>>(), [b"a"]);
    }
}
