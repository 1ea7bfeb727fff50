//! The longest values.
//!
//! Goal: what `fits` says is exactly what an empty store takes. Method: parts of every program
//! unit, many pages and sectors, keys of several lengths; the length at which `fits` changes its
//! answer is put, and one byte more.

use outlast_faultsim::part::{Chip, Geometry, Nor, Part};
use outlast_kvstore::{Error, Layout, Store};

/// Bytes of a pattern that differs between the two values put.
fn value(len: usize, salt: usize) -> Vec<u8> {
    (0..len).map(|n| (n * 7 + salt) as u8).collect()
}

fn the_limit_is_exact<const UNIT: usize>(sectors: u32, sector_bytes: u32, page: u32) {
    let geometry = Geometry::new(sectors, sector_bytes, UNIT as u32, page).unwrap();
    let part = Part::new(Chip::new(geometry));
    part.chip_mut().record_steps(false);
    let layout = || Layout::serial_nor().with_sector_bytes(sector_bytes).with_page_bytes(page);
    let mut store: Store<Nor<1, UNIT>, 1> = Store::open(part.nor(), layout()).unwrap();
    let mut buffer = vec![0; sector_bytes as usize];
    for key_len in [1, 2, 3, 5, 8, 17, 31, 63, 64] {
        let what = format!("unit {UNIT}, {sectors} x {sector_bytes}, page {page}, key {key_len}");
        let key = vec![b'k'; key_len];
        let lengths: Vec<usize> = (0..2 * sector_bytes as usize).collect();
        let longest = lengths.partition_point(|len| store.fits(key_len, *len)) - 1;
        assert!(lengths.iter().all(|len| store.fits(key_len, *len) == (*len <= longest)), "{what}");
        let too_long = value(longest + 1, 0);
        assert_eq!(store.put(&key, &too_long), Err(Error::TooLarge), "{what}");
        for salt in 0..3 {
            // Each time it replaces a value of the same length, and the second time after a
            // power-up that settled it.
            assert_eq!(store.put(&key, &value(longest, salt)), Ok(()), "{what}, {longest}");
            assert_eq!(store.get(&key, &mut buffer), Ok(Some(&value(longest, salt)[..])), "{what}");
            if salt == 1 {
                drop(store);
                store = Store::open(part.nor(), layout()).unwrap();
            }
        }
        assert_eq!(store.get(&key, &mut buffer), Ok(Some(&value(longest, 2)[..])), "{what}");
        assert_eq!(store.delete(&key), Ok(true), "{what}");
    }
    assert!(!store.fits(0, 1) && !store.fits(65, 1) && !store.fits(1, usize::MAX));
    assert_eq!(store.put("", &[1]), Err(Error::InvalidKey));
    assert_eq!(part.chip().violations(), []);
}

fn all_shapes<const UNIT: usize>() {
    for sector_bytes in [512, 1024, 4096, 8192, 16384] {
        for page in [64, 128, 256, 1024] {
            if page >= 8 * UNIT as u32 && sector_bytes >= 4 * page {
                for sectors in [2, 3] {
                    the_limit_is_exact::<UNIT>(sectors, sector_bytes, page);
                }
            }
        }
    }
}

#[test]
fn what_fits_is_what_an_empty_store_takes() {
    all_shapes::<1>();
    all_shapes::<2>();
    all_shapes::<4>();
    all_shapes::<8>();
    all_shapes::<16>();
    all_shapes::<32>();
    the_limit_is_exact::<1>(2, 131_072, 256);
    the_limit_is_exact::<32>(3, 131_072, 2048);
}

/// Worked out by hand: 4096 bytes, less the opening at both ends (64), the slots (12 of 5), the
/// unit for trials (1), the tags of 15 pages, a seal (10), what two page boundaries may cost (9
/// each), and the header, key and trailer of the record (11).
#[test]
fn the_longest_value_of_a_usual_part() {
    let part = Part::new(Chip::new(Geometry::new(2, 4096, 1, 256).unwrap()));
    let store: Store<Nor<1, 1>, 1> = Store::open(part.nor(), Layout::serial_nor()).unwrap();
    let longest = 4096 - 64 - 60 - 1 - 15 - 10 - 18 - 11;
    assert!(store.fits(1, longest) && !store.fits(1, longest + 1));
}
