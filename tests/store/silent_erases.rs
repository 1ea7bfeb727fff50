//! Erases without effect, of which the driver reports none.
//!
//! Goal: a sector that was not erased is found out before anything is written there. Method: an
//! interrupted compaction leaves a sector with records but without an opening, and then the erases
//! of this sector have no effect any more.

use outlast_kvstore::Change;

use super::part::{
    Cut, FAILED, FIRST, Failure, Flash, SECTOR, Settings, Step, TRIAL, position, slot_word,
};

/// Puts "a" and "x", and needs a compaction.
fn commit_batch(store: &mut Settings<'_>) -> Result<(), Failure> {
    store.commit(&[
        Change::put("a", b"same"),
        Change::put("x", b"never"),
        Change::put("large", &[0x3C; 500]),
    ])
}

/// Starts the power-up after a compaction into sector 1 that was cut. From now on erases of that
/// sector have no effect. Returns what it holds.
fn after_the_cut(flash: &mut Flash) -> Vec<u8> {
    flash.restart();
    flash.inert = Some(1);
    let left = sector_1(flash);
    // Neither an opening nor anything else is in the first bytes, but there are records.
    let (first, records) = left.split_at(TRIAL as usize);
    assert!(first.iter().all(|byte| *byte == 0xFF));
    assert!(records[1..].iter().any(|byte| *byte != 0xFF));
    left
}

fn sector_1(flash: &Flash) -> Vec<u8> {
    flash.bytes[SECTOR as usize..2 * SECTOR as usize].to_vec()
}

/// 1. A compaction is cut after its first record. The first bytes of the new sector, where the
///    opening would be, are blank.
/// 2. From now on erases of this sector have no effect.
///
/// The sector cannot be told from an erased one by its first bytes, and its trial unit reads zero
/// before the trial as well as after it. Unless the store looks before the trial, it programs the
/// new records over the old ones.
#[test]
fn a_sector_that_was_not_erased_is_passed_over() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("x", b"value").unwrap();
    store.put("first", &[1; 400]).unwrap();
    store.flash().cut = Some(Cut::After(SECTOR + FIRST..2 * SECTOR));
    assert_eq!(store.put("large", &[0x3C; 500]), Err(FAILED));
    drop(store);
    let left = after_the_cut(&mut flash);
    let mut store = flash.open();
    store.put("large", &[0x80; 500]).unwrap();
    drop(store);
    assert_eq!(flash.repeated, 0);
    assert_eq!(sector_1(&flash), left);
    assert_eq!(flash.opening(2), Some((0, 6, true)));
    assert_eq!(flash.value("large").as_deref(), Some(&[0x80; 500][..]));
    assert_eq!(flash.value("x").as_deref(), Some(&b"value"[..]));
}

/// The same with a batch, and the next mount has no room to settle, since its suspect is long.
///
/// If it uses the sector for its compaction, the sector refuses one record after the other, and the
/// store does not open any more.
#[test]
fn a_mount_without_room_passes_it_over_too() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("x", b"value").unwrap();
    store.put("long", &[2; 400]).unwrap();
    store.flash().cut = Some(Cut::Before(SECTOR..SECTOR + 1));
    assert_eq!(commit_batch(&mut store), Err(FAILED));
    drop(store);
    let left = after_the_cut(&mut flash);
    let mut store = flash.try_open().expect("another sector takes the compaction");
    assert_eq!(position(&store).0, 6);
    // The compaction that was cut has begun the first slot. The second one says that number 5 does
    // not count.
    let word = slot_word(1).start;
    let out = [Step::Program(word - 1, 1), Step::Program(word, 4)];
    assert_eq!(store.flash().steps[..2], out);
    assert_eq!(store.flash().steps[2], Step::Erase(1));
    drop(store);
    assert_eq!((flash.repeated, flash.opening(2)), (0, Some((0, 6, true))));
    assert_eq!(sector_1(&flash), left);
    assert_eq!(flash.value("long").as_deref(), Some(&[2; 400][..]));
    assert_eq!(flash.value("x").as_deref(), Some(&b"value"[..]));
}

/// 1. A batch needs a compaction, which is cut before its first opening. The new sector holds the
///    records of the batch, which counts for nothing. The second one puts "x".
/// 2. From now on erases of this sector have no effect.
/// 3. Another compaction starts with the same record as the one that was cut, and has no other. It
///    is cut right after its decision.
///
/// If the sector is used, this record fits exactly onto what is there, and reads back well. The old
/// record of "x" stands right after it and passes its check. The next mount takes it for the last
/// one of the log, and the batch that was cut counts in part.
#[test]
fn a_batch_that_never_counted_does_not_come_back() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("x", b"value").unwrap();
    store.put("first", &[1; 400]).unwrap();
    store.put("a", b"other").unwrap();
    store.flash().cut = Some(Cut::Before(SECTOR..SECTOR + 1));
    assert_eq!(commit_batch(&mut store), Err(FAILED));
    drop(store);
    let left = after_the_cut(&mut flash);
    assert!(left.windows(6).any(|bytes| bytes == b"xnever"));

    let mut store = flash.open();
    // Before the first change, the spare is erased or passed over.
    store.put("a", b"third").unwrap();
    let (head, end) = position(&store);
    assert_eq!(head, 4);
    // A record that fills the head to its last byte: header, key and trailer have 14.
    store.put("fill", &vec![1; (SECTOR - 32 - end - 14) as usize]).unwrap();
    assert_eq!(position(&store), (4, SECTOR - 32));
    store.flash().cut = Some(Cut::After(slot_word(1)));
    assert_eq!(store.put("a", b"same"), Err(FAILED));
    drop(store);
    flash.restart();
    assert_eq!(flash.value("x").as_deref(), Some(&b"value"[..]));
    assert_eq!(flash.value("a").as_deref(), Some(&b"same"[..]));
    assert_eq!((flash.repeated, flash.opening(2)), (0, Some((0, 6, true))));
    assert_eq!(sector_1(&flash), left);
}
