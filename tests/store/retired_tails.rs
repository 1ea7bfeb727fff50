//! Changes after which the tail retires, since the spare was passed over.
//!
//! Goal: a change that was acknowledged is never dropped for want of room beside the live records of the
//! next tail. Method: the tail holds next to nothing, and the sector after it is full of live records.

use super::part::{
    Cut, FAILED, FIRST, Flash, SECTOR, Settings, fill, fill_until_it_fails, position, slot_word,
};

/// A store with one short record, "t", in sector 0, and sector 1 full of live records. Sector 2 is the
/// next head, and the log is long then.
fn with_full_next_tail(flash: &mut Flash) -> Settings<'_> {
    let mut store = flash.open();
    store.put("t", b"old").unwrap();
    fill(&mut store, 5, FIRST);
    for number in 0..7 {
        store.put(&format!("long {number}"), &[number; 86]).unwrap();
    }
    store
}

/// 1. The log is long (4, 5, 6). One short record is live in the tail, number 5 is full of live
///    records. Number 7 goes bad after its erase in advance, and a cell of it has lost its charge.
/// 2. A long record replaces what is live in the tail. It fits into a sector with the tail's live
///    records. It is acknowledged. The head has no room to settle now.
/// 3. A change needs a compaction. Number 7 is passed over, and nothing is live in the tail, so there
///    is nothing to copy before RETIRED. The erase of the old tail is cut.
///
/// The next mount compares the long record with what is live in the new tail, number 5. Both do not
/// fit into a sector, so without a seal it would be dropped.
#[test]
fn the_last_change_gets_a_seal_before_the_tail_retires() {
    let mut flash = Flash::new(4);
    let mut store = with_full_next_tail(&mut flash);
    fill(&mut store, 6, FIRST);
    fill(&mut store, 6, 560);
    store.rest().unwrap();
    drop(store);
    flash.break_sector(3);
    flash.lose_charge(3);
    let mut store = flash.open();
    store.put("t", &[9; 300]).unwrap();
    assert_eq!(position(&store).0, 6);
    assert!(position(&store).1 > SECTOR - 256);
    store.flash().cut = Some(Cut::Erase(0));
    assert_eq!(store.put("large", &[1; 400]), Err(FAILED));
    drop(store);
    flash.restart();
    assert_eq!(flash.value("long 3").as_deref(), Some(&[3; 86][..]));
    assert_eq!(flash.value("t").as_deref(), Some(&[9; 300][..]));
}

/// 1. Number 7 refuses its erase in advance. The tail's record is copied into the head and sealed, and
///    RETIRED is cut; it reads as blank.
/// 2. Number 7 works again, and is erased. A long record is acknowledged. It fits into a sector with
///    what is live in the tail (nothing). The head has no room to settle now.
/// 3. RETIRED reads as written. The record does not fit with the live records of the new tail.
///
/// So a record gets a seal if it does not fit with the live records of the next tail, either.
#[test]
fn a_ghost_of_retired_drops_an_acknowledged_record() {
    let mut flash = Flash::new(4);
    let mut store = with_full_next_tail(&mut flash);
    let word = 2 * SECTOR + slot_word(0).start..2 * SECTOR + slot_word(0).end;
    store.flash().break_sector(3);
    store.flash().cut = Some(Cut::After(word.clone()));
    fill_until_it_fails(&mut store);
    drop(store);
    flash.restart();
    let retired = flash.hide(word.clone());
    flash.failing_erases.clear();
    let mut store = flash.open();
    fill(&mut store, 6, 590);
    store.put("t", &[9; 300]).unwrap();
    assert_eq!(position(&store).0, 6);
    assert!(position(&store).1 > SECTOR - 256);
    drop(store);
    flash.show(word, &retired);
    assert_eq!(flash.value("t").as_deref(), Some(&[9; 300][..]));
}

/// A mount settles with the last change as carried record, has no room for a rest record, and compacts.
/// There is no suspect any more, so it passes over the spare. The erase of the old tail is cut. The
/// next mount finds the carried record as suspect, and compares it with the live records of the next tail.
#[test]
fn a_carried_record_is_dropped_after_the_tail_was_retired() {
    let mut flash = Flash::new(4);
    let mut store = with_full_next_tail(&mut flash);
    fill(&mut store, 6, FIRST);
    fill(&mut store, 6, 515);
    store.rest().unwrap();
    drop(store);
    flash.break_sector(3);
    flash.lose_charge(3);
    let mut store = flash.open();
    store.put("t", &[9; 193]).unwrap();
    assert!(position(&store).0 == 6 && position(&store).1 <= 768);
    drop(store);
    flash.cut = Some(Cut::Erase(0));
    // It may open, or need the sector again.
    let _ = flash.try_open().map(drop);
    flash.power_on();
    let _ = flash.try_open().map(drop);
    flash.power_on();
    flash.failing_erases.clear();
    assert_eq!(flash.value("t").as_deref(), Some(&[9; 193][..]));
}
