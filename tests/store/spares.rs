//! The spare, which is erased in advance.
//!
//! Goal: an erase counts in later power-ups as long as it can, and no longer; and a sector that goes
//! bad costs neither a setting nor the store. Method: a cell that loses its charge, compactions and
//! erases that are cut, and a sector whose erases fail from the middle of a life.

use super::part::{Cut, FAILED, FIRST, Flash, SECTOR, Settings, Step, fill, position, slot_word};

/// The next change of this store needs a compaction into sector 1, which is erased already.
fn with_spare(flash: &mut Flash) -> Settings<'_> {
    let mut store = flash.open();
    store.put("first", &[1; 400]).unwrap();
    store.put("x", b"value").unwrap();
    store
}

/// The next power-up erases sector 1 before it programs anything there, and nothing is lost.
fn expect_erase(flash: &mut Flash) {
    let mut store = flash.open();
    store.put("large", &[3; 500]).unwrap();
    assert_eq!(position(&store).0, 5);
    let steps = store.flash().steps.clone();
    drop(store);
    let in_spare = |step: &&Step| match step {
        Step::Erase(sector) => *sector == 1,
        Step::Program(at, _) => at / SECTOR == 1,
    };
    assert_eq!(steps.iter().find(in_spare), Some(&Step::Erase(1)));
    assert_eq!(flash.repeated, 0);
    assert_eq!(flash.value("x").as_deref(), Some(&b"value"[..]));
    assert_eq!(flash.value("first").as_deref(), Some(&[1; 400][..]));
    assert_eq!(flash.value("large").as_deref(), Some(&[3; 500][..]));
}

/// 1. A cell of the spare loses its charge after the erase in advance.
/// 2. The next power-up needs a compaction, and has to erase the spare again. That is cut. Now the
///    spare reads blank, and is not erased.
///
/// Before that erase, the head has to say that the spare does not count. Otherwise the third
/// power-up still trusts the record of the first erase.
#[test]
fn a_spare_that_has_lost_charge_is_erased_again() {
    let mut flash = Flash::new(4);
    let mut store = with_spare(&mut flash);
    store.rest().unwrap();
    drop(store);
    flash.lose_charge(1);
    flash.steps.clear();
    flash.cut = Some(Cut::Erase(1));
    let mut store = flash.open();
    assert_eq!(store.put("large", &[2; 500]), Err(FAILED));
    let word = slot_word(0).start;
    let out = [Step::Program(word - 1, 1), Step::Program(word, 4)];
    // The flag of the rest record comes first.
    assert_eq!(store.flash().steps[1..3], out);
    assert_eq!(store.flash().steps[3..], [Step::Erase(1)]);
    drop(store);
    flash.restart();
    flash.half_erase(1, 0);
    expect_erase(&mut flash);
}

/// A compaction is cut in its first record, and nothing of that can be seen. Only a slot in the head
/// says that the spare is not blank any more.
#[test]
fn a_compaction_that_is_cut_uses_up_the_erase() {
    let mut flash = Flash::new(4);
    let mut store = with_spare(&mut flash);
    store.flash().cut = Some(Cut::Before(SECTOR + FIRST..2 * SECTOR));
    assert_eq!(store.put("large", &[2; 500]), Err(FAILED));
    drop(store);
    flash.restart();
    expect_erase(&mut flash);
}

/// Sector 1 of three refuses all erases from the middle of a life. Two fifths of a sector are live.
///
/// The sector has to be passed over while the head has room for what is live in the tail. Unless it
/// is tried in advance, a full head leaves a store that takes no change, or does not even open when
/// a mount has no room to settle.
#[test]
fn a_sector_that_goes_bad_costs_neither_a_setting_nor_the_store() {
    let mut flash = Flash::new(3);
    let mut store = flash.open();
    for number in 0..4 {
        store.put(&[b'a' + number], &[number; 86]).unwrap();
    }
    let mut head = position(&store).0;
    drop(store);
    let mut without_room = 0;
    for power_up in 0..200_u8 {
        if power_up == 100 {
            flash.break_sector(1);
        }
        let mut store = flash.open();
        without_room += u32::from(power_up > 100 && position(&store).0 > head);
        for number in 0..power_up % 6 {
            store.put("fill", &[power_up, number, 7, 7, 7, 7]).unwrap();
        }
        head = position(&store).0;
        drop(store);
        for number in 0..4 {
            let value = flash.value(&char::from(b'a' + number).to_string());
            assert_eq!(value.as_deref(), Some(&[number; 86][..]), "{power_up}");
        }
        if let Some(last) = (power_up % 6).checked_sub(1) {
            let value = flash.value("fill");
            assert_eq!(value.as_deref(), Some(&[power_up, last, 7, 7, 7, 7][..]), "{power_up}");
        }
    }
    assert!(without_room > 0, "each mount had room to settle");
}

/// 1. The spare has lost its charge and refuses its erase. OUT is written, and it is passed over. The
///    change does not fit then. A spare record that named slot 1 now would not be void for that OUT.
/// 2. The sector after it loses its charge. The head has no room to settle. The only slot says OUT, so
///    the mount leaves out another one, and its erase is cut. The sector reads blank.
#[test]
fn no_spare_record_follows_out() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("a", &[1; 450]).unwrap();
    fill(&mut store, 5, FIRST);
    store.put("b", &[2; 450]).unwrap();
    store.rest().unwrap();
    drop(store);
    flash.lose_charge(2);
    flash.break_sector(2);
    let mut store = flash.open();
    assert_eq!(store.put("c", &[3; 500]), Err(outlast_kvstore::Error::Full));
    fill(&mut store, 5, 830);
    drop(store);
    flash.lose_charge(3);
    flash.cut = Some(Cut::Erase(3));
    flash.steps.clear();
    assert_eq!(flash.try_open().map(drop), Err(FAILED));
    flash.restart();
    flash.half_erase(3, 0);
    drop(flash.open());
    assert!(flash.steps.contains(&Step::Erase(3)), "programmed after a cut erase");
}
