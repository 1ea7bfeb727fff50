//! Lists of keys and values.
//!
//! Goal: a list names every key once with its value, goes on past damage, and stops when it is told
//! to. Method: a store with values of many lengths and a counter, compared with a map; then one
//! record after the other is destroyed.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use outlast_faultsim::part::{Bias, Chip, Geometry, Image, Nor, Part};
use outlast_kvstore::{Error, Item, Layout, Store, View};

type Device = Store<Nor<1, 1>, 32>;
type Content = BTreeMap<Vec<u8>, Vec<u8>>;

const SECTOR: u32 = 1024;

fn layout() -> Layout {
    Layout::serial_nor().with_sector_bytes(SECTOR).with_page_bytes(256)
}

/// A device with keys of lengths 1 to 64 and values of lengths 0 to 100, and a counter.
fn device() -> (Part, Device, Content) {
    let part = Part::new(Chip::new(Geometry::new(4, SECTOR, 1, 256).unwrap()));
    let mut store: Device = Store::open(part.nor(), layout()).unwrap();
    let mut content = Content::new();
    for (number, len) in [0, 1, 8, 30, 63, 64, 65, 100].into_iter().enumerate() {
        let (key, value) = (vec![b'a' + number as u8; number * 9 + 1], vec![number as u8; len]);
        store.put(&key, &value).unwrap();
        content.insert(key, value);
    }
    for ticks in 1..=3_u64 {
        store.tick("counter").unwrap();
        content.insert(b"counter".to_vec(), ticks.to_le_bytes().to_vec());
    }
    (part, store, content)
}

#[test]
fn every_key_comes_once_with_its_value() {
    let (_, mut store, content) = device();
    let mut seen = Content::new();
    let end: Option<()> = store
        .for_each_value(&mut [0; 100], |item| {
            assert_eq!(item.value.map(<[u8]>::len), Some(item.value_len));
            assert!(!item.doubtful);
            assert_eq!(seen.insert(item.key.to_vec(), item.value.unwrap().to_vec()), None);
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!((end, seen), (None, content));
}

/// Of a value that is longer than the buffer, only the length is passed on.
#[test]
fn long_values_are_named() {
    let (_, mut store, content) = device();
    for room in [0, 1, 7, 8, 64, 99] {
        let mut buffer = vec![0; room];
        let mut seen = 0;
        let end: Option<()> = store
            .for_each_value(&mut buffer, |Item { key, value, value_len, .. }| {
                let wanted = &content[key];
                assert_eq!(value_len, wanted.len());
                assert_eq!(value, (wanted.len() <= room).then_some(&wanted[..]));
                seen += 1;
                ControlFlow::Continue(())
            })
            .unwrap();
        assert_eq!((end, seen), (None, content.len()));
    }
}

#[test]
fn a_list_stops_when_it_is_told_to() {
    let (_, mut store, content) = device();
    for wanted in content.keys() {
        let mut calls = 0;
        let found = store.for_each_value(&mut [], |item| {
            calls += 1;
            if item.key == wanted { ControlFlow::Break(calls) } else { ControlFlow::Continue(()) }
        });
        assert_eq!(found, Ok(Some(calls)));
    }
}

/// The value of a record, then its key, then its header is destroyed: all others are named, and the
/// list says at the end that some is missing. It says nothing if it stopped before the end.
#[test]
fn a_list_goes_on_past_damage() {
    let (part, store, content) = device();
    drop(store);
    let image = part.chip().image().bytes().to_vec();
    let mut tried = 0;
    for (key, value) in content.iter().filter(|(_, value)| value.len() >= 8) {
        let found = image
            .windows(key.len() + 1)
            .position(|bytes| bytes.strip_prefix(&key[..]).is_some_and(|rest| rest == &value[..1]));
        // Where the key is whole in one page, with its header before it.
        let Some(at) = found.filter(|at| at % 256 > 4) else { continue };
        tried += 1;
        for damaged in [at + key.len() + 3, at, at - 3] {
            let mut bytes = image.clone();
            // Two bits of one byte: more than is corrected.
            bytes[damaged] ^= 0x41;
            let geometry = part.chip().geometry();
            let power_up = |bytes: &[u8]| {
                let image = Image::from_bytes(&geometry, bytes).unwrap();
                part.chip_mut().power_up(&image, Bias::ONES);
            };
            power_up(&image);
            let mut view: View<Nor<1, 1>, 32> = View::open(part.nor(), layout()).unwrap();
            // The record decays while the store is open.
            power_up(&bytes);
            let mut seen = Content::new();
            let end = view.for_each_value::<()>(&mut [0; 100], |item| {
                seen.insert(item.key.to_vec(), item.value.unwrap().to_vec());
                ControlFlow::Continue(())
            });
            assert_eq!(end, Err(Error::Corrupt), "{damaged}");
            let mut wanted = content.clone();
            wanted.remove(key);
            assert_eq!(seen, wanted, "{damaged}");
            assert_eq!(view.value_len(key), Err(Error::Corrupt));
            assert_eq!(view.contains(key), Err(Error::Corrupt));
            let mut keys = 0;
            assert_eq!(view.for_each_key(|_, _| keys += 1), Err(Error::Corrupt));
            assert_eq!(keys, wanted.len());
            let first = view.for_each_value(&mut [], |_| ControlFlow::Break(()));
            assert_eq!(first, Ok(Some(())));
        }
    }
    assert!(tried >= 4);
}
