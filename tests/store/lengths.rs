//! Keys of every length.
//!
//! Goal: what fits is stored and read back, whatever its length. Method: all key lengths, on parts
//! of every program unit, with short and long headers.

use outlast_faultsim::part::{Chip, Geometry, Nor, Part};
use outlast_kvstore::{Layout, Store};

/// Each key alone, with values of about the length where a `get` needs a second read.
fn every_key_is_read_back<const READ: usize, const UNIT: usize>(sector_bytes: u32) {
    let page = (8 * UNIT as u32).max(64);
    let layout = || Layout::serial_nor().with_sector_bytes(sector_bytes).with_page_bytes(page);
    let part = Part::new(Chip::new(Geometry::new(3, sector_bytes, UNIT as u32, page).unwrap()));
    let mut store: Store<Nor<READ, UNIT>, 4> = Store::open(part.nor(), layout()).unwrap();
    for key_len in 1..=64_usize {
        let key = vec![b'k'; key_len];
        for value_len in (0..4).chain(30..80).chain([300]) {
            let value = vec![key_len as u8; value_len];
            let what = format!("unit {UNIT}, sector {sector_bytes}, {key_len} and {value_len}");
            store.put(&key, &value).unwrap();
            for room in [value_len, value_len + 3, 400] {
                let mut buffer = vec![0; room];
                assert_eq!(store.get(&key, &mut buffer), Ok(Some(&value[..])), "{what}");
            }
            if value_len % 16 == 0 {
                let mut again: Store<_, 4> = Store::open(part.nor(), layout()).unwrap();
                assert_eq!(again.get(&key, &mut [0; 400]), Ok(Some(&value[..])), "{what}");
                store = again;
            }
        }
        assert_eq!(store.usage().damaged_records, 0);
        assert_eq!(store.delete(&key), Ok(true));
    }
}

/// One key of each length from 1 to 64.
#[test]
fn keys_of_all_lengths_are_read_back() {
    every_key_is_read_back::<1, 1>(4096);
    every_key_is_read_back::<1, 2>(16384);
    every_key_is_read_back::<4, 4>(4096);
    every_key_is_read_back::<1, 4>(16384);
    every_key_is_read_back::<1, 8>(4096);
    every_key_is_read_back::<8, 8>(16384);
    every_key_is_read_back::<1, 16>(4096);
    every_key_is_read_back::<1, 32>(4096);
    every_key_is_read_back::<8, 32>(131_072);
}
