//! Copies of stores.
//!
//! Goal: a copy holds what the original holds, whatever the two layouts are; its marker is there
//! only if everything else is; and what the original cannot tell, the copy does not make up.
//! Method: copies between parts of different units and sectors, with cuts at every step, and of
//! stores with damaged records.

use outlast_faultsim::part::{Bias, Chip, Geometry, Level, Nor, Part, Tear};
use outlast_kvstore::{Change, CopyError, Error, Layout, Store, View};
use rand::SeedableRng as _;
use rand::rngs::ChaCha8Rng;

use super::whole::{bytes, content, power_up};

type Small = Store<Nor<1, 1>, 32>;

fn part(sectors: u32, sector_bytes: u32, unit: u32, page: u32) -> (Part, Layout) {
    let geometry = Geometry::new(sectors, sector_bytes, unit, page).unwrap();
    let layout = Layout::serial_nor().with_sector_bytes(sector_bytes).with_page_bytes(page);
    (Part::new(Chip::new(geometry)), layout)
}

/// A store with values of lengths 0 to 300, a batch, and a counter that ticks.
fn original() -> (Part, Small) {
    let (part, layout) = part(4, 1024, 1, 64);
    let mut store: Small = Store::open(part.nor(), layout).unwrap();
    for (number, len) in [0, 1, 20, 64, 100, 300].into_iter().enumerate() {
        store.put(&[b'a' + number as u8], &vec![number as u8; len]).unwrap();
    }
    store.commit(&[Change::put("north", &[1; 8]), Change::put("south", &[2; 9])]).unwrap();
    for _ in 0..5 {
        store.tick("ticks").unwrap();
    }
    (part, store)
}

fn copied<const UNIT: usize>(sectors: u32, sector_bytes: u32, page: u32) {
    let (old_part, mut old) = original();
    let known = content(&mut old);
    let image = bytes(&old_part);
    let (part, layout) = part(sectors, sector_bytes, UNIT as u32, page);
    let mut new: Store<Nor<1, UNIT>, 40> = Store::open(part.nor(), layout.clone()).unwrap();
    let summary = old.copy_to(&mut new, "moved", &mut [0; 300]).unwrap();
    assert_eq!((summary.keys, summary.doubtful, summary.damaged), (known.len(), 0, 0));
    assert_eq!(old_part.chip().image().bytes(), image);
    let mut wanted = known.clone();
    wanted.insert(b"moved".to_vec(), Vec::new());
    assert_eq!(content(&mut new), wanted);
    drop(new);
    let mut new: Store<Nor<1, UNIT>, 40> = Store::open(part.nor(), layout).unwrap();
    assert_eq!(content(&mut new), wanted);
    assert_eq!(new.tick("ticks"), Ok(6));
    // A second move, with the same marker, back to where it came from.
    let layout = Layout::serial_nor().with_sector_bytes(1024).with_page_bytes(64);
    let mut back: Small = Store::format(old_part.nor(), layout).unwrap();
    let summary = new.copy_to(&mut back, "moved", &mut [0; 300]).unwrap();
    assert_eq!(summary.keys, known.len());
    wanted.insert(b"ticks".to_vec(), 6_u64.to_le_bytes().to_vec());
    assert_eq!(content(&mut back), wanted);
}

#[test]
fn a_copy_holds_what_the_original_holds() {
    copied::<1>(2, 2048, 64);
    copied::<1>(4, 1024, 64);
    copied::<1>(8, 4096, 256);
    copied::<8>(4, 1024, 64);
    copied::<32>(2, 8192, 256);
}

/// Each refusal leaves the original as it was, and the other store without its marker.
#[test]
fn what_cannot_be_copied_is_refused() {
    let (_, mut old) = original();
    let mut refuses = |target: &mut Store<Nor<1, 1>, 8>, marker: &str, room: usize| {
        let result = old.copy_to(target, marker, &mut vec![0; room]);
        assert_eq!(target.contains("moved"), Ok(false));
        assert_eq!(content(&mut old).len(), 9);
        result.unwrap_err()
    };
    let (large, layout) = part(8, 4096, 1, 64);
    let mut target = Store::open(large.nor(), layout).unwrap();
    let error = refuses(&mut target, "moved", 299);
    assert_eq!(error, CopyError::Source(Error::BufferTooSmall { needed: 300 }));
    assert!(target.usage().keys > 0);
    assert_eq!(refuses(&mut target, "moved", 300), CopyError::NotEmpty);
    target.clear().unwrap();
    assert_eq!(refuses(&mut target, "moved", 300), CopyError::Target(Error::IndexFull));
    target.clear().unwrap();
    assert_eq!(refuses(&mut target, "", 300), CopyError::Target(Error::InvalidKey));
    let (small, layout) = part(2, 512, 1, 64);
    let mut target = Store::open(small.nor(), layout).unwrap();
    let error = refuses(&mut target, "moved", 300);
    assert!(
        matches!(error, CopyError::Target(Error::Full | Error::TooLarge)),
        "{error}: no room for all"
    );
    // A store that was never opened, and a part that fails.
    let (part, layout) = part(4, 1024, 1, 64);
    let mut target: Store<Nor<1, 1>, 8> = Store::new(part.nor(), &layout).unwrap();
    let error = old.copy_to(&mut target, "moved", &mut [0; 300]);
    assert_eq!(error, Err(CopyError::Target(Error::ReopenNeeded)));
}

/// A cut at each step of the copy: the marker is there only if all else is, for a view and for the
/// store that is opened then.
#[test]
fn a_marker_proves_the_copy() {
    let (mut cuts, mut marked) = (0, 0);
    for seed in 0..6 {
        for at in 0.. {
            let (_, mut old) = original();
            let mut known = content(&mut old);
            known.insert(b"moved".to_vec(), Vec::new());
            let (part, layout) = part(3, 2048, 1, 64);
            let mut new: Small = Store::open(part.nor(), layout.clone()).unwrap();
            let so_far = part.chip().step_count();
            let random = ChaCha8Rng::seed_from_u64(seed * 1000 + at);
            part.chip_mut().cut_randomly(so_far + at, Level::F4, random);
            let done = old.copy_to(&mut new, "moved", &mut [0; 300]).is_ok();
            drop(new);
            if done {
                break;
            }
            cuts += 1;
            let image = part.chip().image().clone();
            part.chip_mut().power_up(&image, Bias::seeded(seed));
            let mut view: View<Nor<1, 1>, 32> = View::open(part.nor(), layout.clone()).unwrap();
            if view.contains("moved").unwrap() {
                for (key, value) in &known {
                    assert_eq!(view.get(key, &mut [0; 300]), Ok(Some(&value[..])));
                }
            }
            part.chip_mut().power_up(&image, Bias::seeded(seed + at));
            let mut new: Small = Store::open(part.nor(), layout.clone()).unwrap();
            if new.contains("moved").unwrap() {
                marked += 1;
                assert_eq!(content(&mut new), known, "seed {seed}, cut at {at}");
            }
            // The next boot starts over.
            let mut new: Small = Store::format(part.nor(), layout).unwrap();
            old.copy_to(&mut new, "moved", &mut [0; 300]).unwrap();
            assert_eq!(content(&mut new), known);
            assert_eq!(part.chip().violations(), []);
        }
    }
    assert!(cuts > 50 && marked > 0, "{cuts} cuts, {marked} with a marker");
}

/// A value that is lost is lost in the copy, too: it is neither absent nor older.
#[test]
fn lost_values_stay_lost() {
    let (old_part, mut old) = original();
    old.put("last", &[9; 4]).unwrap();
    old.rest().unwrap();
    drop(old);
    let layout = || Layout::serial_nor().with_sector_bytes(1024).with_page_bytes(64);
    let image = bytes(&old_part);
    let mut flipped = image.clone();
    let find = |wanted: &[u8]| image.windows(wanted.len()).rposition(|at| at == wanted).unwrap();
    // The value of one record decays while the store is open, then the key of another.
    let mut old: Small = Store::open(old_part.nor(), layout()).unwrap();
    for (damaged, key, named) in
        [(find(&[2; 9]) + 3, "south", true), (find(b"north"), "north", false)]
    {
        flipped[damaged] ^= 0x41;
        power_up(&old_part, &flipped);
        let (part, layout) = part(4, 1024, 1, 64);
        let mut new: Small = Store::open(part.nor(), layout.clone()).unwrap();
        let summary = old.copy_to(&mut new, "moved", &mut [0; 300]).unwrap();
        assert_eq!(summary.damaged, if named { 1 } else { 2 });
        for mut new in [new, Store::open(part.nor(), layout).unwrap()] {
            let found = new.contains(key);
            assert_eq!(found, if named { Err(Error::Corrupt) } else { Ok(false) }, "{key}");
            assert_eq!(new.contains("south"), Err(Error::Corrupt));
            assert_eq!(new.get("last", &mut [0; 4]), Ok(Some(&[9; 4][..])));
            assert_eq!(new.contains("moved"), Ok(true));
        }
    }
}

/// The copy of a store with a damaged value is cut at each step, with nothing and with all of that
/// step. What the next mount says about the value is what all later ones say.
///
/// In one of these histories, the record that says that the value is lost is the last one of the
/// copy. A mount that reports it has to keep it like any other last record.
#[test]
fn a_lost_value_stays_lost_if_the_copy_is_cut() {
    let (old_part, layout) = part(3, 1024, 1, 64);
    let mut old: Small = Store::open(old_part.nor(), layout.clone()).unwrap();
    old.put("damaged", &[5; 10]).unwrap();
    let mut image = bytes(&old_part);
    let at = image.windows(10).rposition(|at| at == [5; 10]).unwrap();
    image[at + 3] ^= 0x41;
    power_up(&old_part, &image);
    let mut lost_without_marker = 0;
    for tear in [Tear::NOTHING, Tear::EVERYTHING] {
        for step in 0.. {
            let (part, _) = part(3, 1024, 1, 64);
            let mut new: Small = Store::open(part.nor(), layout.clone()).unwrap();
            let so_far = part.chip().step_count();
            part.chip_mut().cut_at(so_far + step, tear.clone());
            let done = old.copy_to(&mut new, "moved", &mut [0; 300]).is_ok();
            drop(new);
            if done {
                break;
            }
            let image = part.chip().image().clone();
            part.chip_mut().power_up(&image, Bias::ONES);
            let reports = [1, 2, 3].map(|_| {
                let mut new: Small = Store::open(part.nor(), layout.clone()).unwrap();
                (new.contains("damaged"), new.contains("moved"))
            });
            assert_eq!(reports, [reports[0]; 3], "{tear:?}, cut at {step}");
            lost_without_marker += u32::from(reports[0] == (Err(Error::Corrupt), Ok(false)));
        }
    }
    assert!(lost_without_marker > 0, "no cut came between the lost record and the marker");
}
