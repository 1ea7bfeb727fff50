//! The byte region.
//!
//! Goal: it behaves like an array of bytes, a power cut leaves what its documentation promises, and
//! it costs what is stated. Method: random writes on the region and on an array, with a cut at
//! every step of a write; counts of the simulated part.

use embedded_storage::{ReadStorage, Storage};
use outlast_faultsim::part::{Bias, Chip, Geometry, Image, Nor, Part, Tear};
use outlast_kvstore::{Error, Layout, Region, RegionError, Store};
use proptest::prelude::*;

type Small = Store<Nor<1, 1>, 64>;
/// Chunks of 16 bytes, up to three in one atomic write.
type Legacy<'s> = Region<'s, Nor<1, 1>, 64, 16, 3>;

const BYTES: usize = 200;

fn part() -> Part {
    Part::new(Chip::new(Geometry::new(4, 2048, 1, 256).unwrap()))
}

fn open(part: &Part) -> Small {
    Store::open(part.nor(), Layout::serial_nor().with_sector_bytes(2048)).unwrap()
}

fn region(store: &mut Small) -> Legacy<'_> {
    Region::new(store, "rom", BYTES as u32).unwrap()
}

fn content(part: &Part) -> Vec<u8> {
    let mut bytes = vec![0; BYTES];
    region(&mut open(part)).read(0, &mut bytes).unwrap();
    bytes
}

fn power_cycle(part: &Part) {
    let image = part.chip().image().clone();
    part.chip_mut().power_up(&image, Bias::ONES);
}

fn any_write() -> impl Strategy<Value = (usize, Vec<u8>)> {
    (0..BYTES).prop_flat_map(|at| {
        let len = 0..=(BYTES - at).min(60);
        (Just(at), proptest::collection::vec(any::<u8>(), len))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn it_is_an_array_of_bytes(writes in proptest::collection::vec(any_write(), 1..40)) {
        let part = part();
        let mut model = vec![0xFF; BYTES];
        for (number, (at, bytes)) in writes.iter().enumerate() {
            let mut store = open(&part);
            let mut region = region(&mut store);
            region.write(*at as u32, bytes).unwrap();
            model[*at..at + bytes.len()].copy_from_slice(bytes);
            let mut read = vec![0; bytes.len()];
            region.read(*at as u32, &mut read).unwrap();
            prop_assert_eq!(&read, bytes);
            if number % 5 == 0 {
                power_cycle(&part);
                prop_assert_eq!(&content(&part), &model);
            }
        }
        power_cycle(&part);
        prop_assert_eq!(&content(&part), &model);
    }

    /// A write is cut at every step. With up to three chunks it is all or nothing; a longer one
    /// leaves whole batches of three chunks, from the front.
    #[test]
    fn a_cut_leaves_what_is_promised((at, bytes) in any_write(), before in any_write()) {
        let part = part();
        region(&mut open(&part)).write(before.0 as u32, &before.1).unwrap();
        let old = content(&part);
        let image = part.chip().image().clone();
        // What the region may hold: nothing of the write, or its front up to every third chunk
        // boundary.
        let mut allowed = vec![old.clone()];
        let end = at + bytes.len();
        let mut stop = at;
        while stop < end {
            stop = ((stop / 16 + 3) * 16).min(end);
            let mut state = old.clone();
            state[at..stop].copy_from_slice(&bytes[..stop - at]);
            allowed.push(state);
        }
        if (at % 16 + bytes.len()).div_ceil(16) <= 3 {
            prop_assert!(allowed.len() <= 2);
        }
        for step in 0.. {
            part.chip_mut().power_up(&image, Bias::ONES);
            let mut store = open(&part);
            let up = part.chip().step_count();
            part.chip_mut().cut_at(up + step, Tear::NOTHING);
            let done = region(&mut store).write(at as u32, &bytes).is_ok();
            power_cycle(&part);
            let found = content(&part);
            prop_assert!(allowed.contains(&found), "step {}", step);
            if done {
                prop_assert_eq!(Some(&found), allowed.last());
                break;
            }
        }
    }
}

#[test]
fn what_does_not_fit_is_refused() {
    let part = part();
    let mut store = open(&part);
    let mut region = region(&mut store);
    assert_eq!(region.capacity(), BYTES);
    for (at, len) in [(BYTES as u32, 1), (0, BYTES + 1), (199, 2), (u32::MAX, 1)] {
        let bytes = vec![0; len];
        assert_eq!(region.write(at, &bytes), Err(RegionError::OutOfBounds));
        assert_eq!(region.read(at, &mut vec![0; len]), Err(RegionError::OutOfBounds));
    }
    region.write(BYTES as u32, &[]).unwrap();
    assert_eq!(Legacy::ATOMIC_BYTES, 33);
    // 33 bytes fit into three chunks wherever they start; 34 may not.
    for at in 0..16 {
        region.write_atomic(at, &[at as u8; 33]).unwrap();
    }
    assert_eq!(region.write_atomic(15, &[0; 34]), Err(RegionError::TooLong));
    region.write_atomic(14, &[0; 34]).unwrap();
    assert!(Legacy::new(&mut store, "", 10).is_err());
    assert!(Legacy::new(&mut store, "r", 0).is_err());
    assert!(Legacy::new(&mut store, "r", 16 * 65_536 + 1).is_err());
    // Another chunk size is noticed in both directions.
    let mut wide = Region::<_, 64, 32, 2>::new(&mut store, "rom", 200).unwrap();
    assert_eq!(wide.read(0, &mut [0]), Err(RegionError::OtherChunkSize));
    let mut narrow = Region::<_, 64, 8, 2>::new(&mut store, "rom", 200).unwrap();
    assert_eq!(narrow.write(0, &[0]), Err(RegionError::OtherChunkSize));
}

/// A reserved region can be overwritten in a store that is full.
#[test]
fn a_reserved_region_stays_writable() {
    let part = part();
    let mut store = open(&part);
    region(&mut store).reserve().unwrap();
    assert_eq!(content(&part), vec![0xFF; BYTES]);
    let mut store = open(&part);
    let mut number = 0_u32;
    while store.put(&number.to_le_bytes(), &[7; 120]).is_ok() {
        number += 1;
    }
    assert!(matches!(store.put("more", &[7; 120]), Err(Error::Full | Error::IndexFull)));
    for round in 0..100_u8 {
        let at = u32::from(round) * 37 % (BYTES as u32 - 3) / 16 * 16 + 5;
        region(&mut store).write(at, &[round; 3]).unwrap();
    }
}

/// The cost that the documentation states, compared with rewriting a sector for each write.
/// Each chunk in turn is damaged, then written as a whole. Of the last one, only 8 bytes lie in the
/// region.
#[test]
fn a_damaged_chunk_is_repaired_by_writing_all_of_it() {
    for number in 0..13_u8 {
        let part = part();
        let mut store = open(&part);
        let mut whole = region(&mut store);
        // Each chunk is a record of its own, and not the first one under its key.
        for byte in [number ^ 1, number] {
            for from in (0..BYTES).step_by(16) {
                let len = (BYTES - from).min(16);
                whole.write(from as u32, &[byte; 16][..len]).unwrap();
            }
        }
        assert_eq!(whole.is_doubtful(0, BYTES), Ok(false));
        // The last record of the log is copied by the next mount.
        store.put("last", &[]).unwrap();
        drop(store);
        power_cycle(&part);
        drop(open(&part));
        let mut bytes = part.chip().image().bytes().to_vec();
        let key = [b'r', b'o', b'm', number, 0, number];
        let at = bytes.windows(6).rposition(|bytes| bytes == key).expect("a chunk in one page");
        // Two bits of its value.
        bytes[at + 6] ^= 0x11;
        let image = Image::from_bytes(&part.chip().geometry(), &bytes).unwrap();
        part.chip_mut().power_up(&image, Bias::ONES);
        let mut store = open(&part);
        let mut region = region(&mut store);
        let (from, to) = (usize::from(number) * 16, (usize::from(number) * 16 + 16).min(BYTES));
        let mut read = vec![0; to - from];
        let damaged = Err(RegionError::Store(Error::Corrupt));
        assert_eq!(region.read(from as u32, &mut read), damaged, "{number}");
        assert_eq!(region.is_doubtful(BYTES as u32, 1), Err(RegionError::OutOfBounds));
        // Less than all of it is not enough.
        assert_eq!(region.write(from as u32 + 1, &[7; 3]), damaged, "{number}");
        region.write(from as u32, &vec![7; to - from]).unwrap();
        region.read(from as u32, &mut read).unwrap();
        assert_eq!(read, vec![7; to - from], "{number}");
        let mut wanted = [number; BYTES];
        wanted[from..to].fill(7);
        let mut all = [0; BYTES];
        region.read(0, &mut all).unwrap();
        assert_eq!(all, wanted);
    }
}

#[test]
fn writes_cost_far_less_than_a_sector_rewrite() {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256).unwrap()));
    let mut store: Small = Store::open(part.nor(), Layout::serial_nor()).unwrap();
    let mut region: Region<'_, _, 64> = Region::new(&mut store, "rom", 512).unwrap();
    let before = part.chip().counts();
    const WRITES: u64 = 4000;
    for number in 0..WRITES {
        // Eight bytes within a chunk, anywhere.
        let at = (number * 211 % 64) * 8;
        region.write(at as u32, &number.to_le_bytes()).unwrap();
    }
    let after = part.chip().counts();
    let bytes = (after.programmed_bytes - before.programmed_bytes) as f64 / WRITES as f64;
    let per_erase = WRITES as f64 / (after.erases - before.erases) as f64;
    println!("{bytes:.1} bytes programmed per write, {per_erase:.1} writes per erase");
    // A rewrite takes 4096 bytes and an erase each time.
    assert!(bytes < 95.0, "{bytes}");
    assert!(per_erase > 40.0, "{per_erase}");
}

/// Each region that `new` returns can do what its constants say; others are refused.
#[test]
fn spans_that_fit_no_sector_are_refused() {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256).unwrap()));
    let mut store: Small = Store::open(part.nor(), Layout::serial_nor()).unwrap();
    assert_eq!(
        Region::<'_, _, 64, 1024, 4>::new(&mut store, "rom", 8192).err(),
        Some(RegionError::Unusable)
    );
    assert_eq!(
        Region::<'_, _, 64, 512, 8>::new(&mut store, "rom", 8192).err(),
        Some(RegionError::Unusable)
    );
    // The region is a single chunk, so no batch has more.
    assert!(Region::<'_, _, 64, 1024, 4>::new(&mut store, "rom", 1024).is_ok());
    let mut region = Region::<'_, _, 64, 900, 4>::new(&mut store, "rom", 3600).unwrap();
    region.write_atomic(899, &[7; Region::<'_, Nor<1, 1>, 64, 900, 4>::ATOMIC_BYTES]).unwrap();
}
