//! Sectors that go bad, and what the store has to do before it passes over them.
//!
//! Goal: passing over a sector costs no setting, brings none back, and never leaves a store that
//! does not open. Method: each test plays one history in which a sector refuses its erase at the
//! worst moment: when it is erased in advance, or later, with a head that is full, when a cell has
//! lost its charge since.

use outlast_kvstore::Store;

use super::part::{
    Cut, FAILED, FIRST, Flash, SECTOR, Settings, Step, TRIAL, fill, layout, position, slot_word,
};

/// From now on all erases of this sector fail. It was erased in advance, and has to be erased again,
/// since a cell has lost its charge.
fn go_bad(flash: &mut Flash, sector: u32) {
    flash.break_sector(sector);
    flash.lose_charge(sector);
}

/// The steps of a power-up that finds such a spare: the first free slot of the head, which nothing
/// else has used, says that the spare does not count, and then the erase fails.
fn out_and_two_erases(head: u32, spare: u32) -> [Step; 4] {
    let word = head * SECTOR + slot_word(0).start;
    [Step::Program(word - 1, 1), Step::Program(word, 4), Step::Erase(spare), Step::Erase(spare)]
}

/// The last decision of a head in sector 2 is in this slot.
fn last_slot(flash: &Flash) -> u32 {
    let begun = |slot: &u32| flash.bytes[(2 * SECTOR + slot_word(*slot).start - 1) as usize] == 0;
    (0..12).take_while(begun).last().expect("a decision")
}

/// 1. A compaction makes the log long, and the erase in advance finds that the spare is bad. What is
///    live in the tail moves into the head, and a decision retires the tail. The erase of the tail
///    is cut before it has an effect.
/// 2. The next power-up reads the decision. Before its first change it passes over the spare again,
///    and starts to erase the retired tail. That is cut, too: the put of a key is left there, but
///    not the delete after it.
/// 3. From now on the first decision reads as blank, since its program was interrupted.
///
/// The second power-up has to decide again before it erases. Otherwise the third one walks through
/// the tail, and the key that was deleted is back.
#[test]
fn a_tail_is_retired_again_before_its_erase() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("deleted", b"value").unwrap();
    store.put("live", b"tail").unwrap();
    let delete = position(&store).1;
    store.delete("deleted").unwrap();
    fill(&mut store, 5, FIRST);
    store.flash().break_sector(3);
    store.flash().cut = Some(Cut::Erase(0));
    let mut number = 0;
    while store.put("fill", &[number; 26]).is_ok() {
        assert_eq!(position(&store).0, 5);
        number += 1;
    }
    drop(store);
    flash.restart();
    assert_eq!(flash.opening(2), Some((0, 6, false)));
    let first = last_slot(&flash);

    let mut store = flash.open();
    store.flash().cut = Some(Cut::Erase(0));
    assert_eq!(store.put("new", b"value"), Err(FAILED));
    assert_eq!(store.flash().steps.last(), Some(&Step::Erase(0)));
    drop(store);
    flash.restart();
    let word = slot_word(first);
    flash.hide(2 * SECTOR + word.start..2 * SECTOR + word.end);
    flash.half_erase(0, delete);
    assert_eq!(flash.opening(0), Some((0, 4, false)));
    let left = &flash.bytes[..delete as usize];
    assert!(left.windows(12).any(|bytes| bytes == b"deletedvalue"));

    flash.failing_erases.clear();
    assert_eq!(flash.value("deleted"), None);
    assert_eq!(flash.value("live").as_deref(), Some(&b"tail"[..]));
}

/// How many long records are live in the tail.
const TAIL: u8 = 6;

/// A log that is one sector short of long. Most of its tail is live, and another long record leaves
/// the head without room to settle.
fn one_sector_short(flash: &mut Flash) -> Settings<'_> {
    let mut store = flash.open();
    let mut number = 0;
    while position(&store).0 < 5 {
        number += 1;
        store.put(&format!("tail {number}"), &[number; 86]).unwrap();
    }
    assert_eq!(number, TAIL + 1);
    while position(&store).1 <= 600 {
        number += 1;
        store.put("fill", &[number; 50]).unwrap();
    }
    store
}

/// After a mount that had to compact, over a bad spare, into the sector of the tail.
fn expect_tail(flash: &mut Flash) {
    assert_eq!(flash.opening(3), Some((0, 7, true)));
    for number in 1..=TAIL {
        let value = flash.value(&format!("tail {number}"));
        assert_eq!(value.as_deref(), Some(&[number; 86][..]), "{number}");
    }
}

/// 1. The log is one sector short of long. A long record is put, and its power-up ends.
/// 2. The spare goes bad, and a cell of it has lost its charge. The next mount has no room to settle
///    and has to compact. It passes over the spare, and so the log becomes long, and the compaction
///    has to move the tail's records, too. They do not fit into a sector together with the long
///    record.
///
/// The record needs a seal before it is acknowledged, so that the mount need not move it. Without
/// one, a mount does not open the store any more, or drops the record.
#[test]
fn a_record_that_a_bad_spare_would_move_gets_a_seal() {
    let mut flash = Flash::new(4);
    let mut store = one_sector_short(&mut flash);
    store.put("last", &[7; 300]).unwrap();
    assert!(position(&store).1 > SECTOR - 256, "a page is left to settle in");
    drop(store);
    go_bad(&mut flash, 2);
    flash.steps.clear();
    let store = flash.try_open().expect("the last record need not move");
    assert_eq!(position(&store).0, 7);
    drop(store);
    assert_eq!(flash.steps[..4], out_and_two_erases(1, 2));
    assert_eq!(flash.value("last").as_deref(), Some(&[7; 300][..]));
    expect_tail(&mut flash);
}

/// The same, but the power fails before the seal. The record was not acknowledged, so the mount may
/// drop it, and has to: the store would not open any more.
#[test]
fn a_record_without_its_seal_is_dropped_for_a_bad_spare() {
    let mut flash = Flash::new(4);
    let mut store = one_sector_short(&mut flash);
    store.put("last", &[7; 300]).unwrap();
    let Some(Step::Program(seal, 10)) = store.flash().steps.last().cloned() else {
        panic!("the last step is no seal");
    };
    drop(store);

    let mut flash = Flash::new(4);
    let mut store = one_sector_short(&mut flash);
    store.flash().cut = Some(Cut::Before(seal..seal + 1));
    assert_eq!(store.put("last", &[7; 300]), Err(FAILED));
    drop(store);
    flash.restart();
    go_bad(&mut flash, 2);
    let store = flash.try_open().expect("the last record can be dropped");
    assert_eq!(position(&store).0, 7);
    drop(store);
    assert_eq!(flash.value("last"), None);
    expect_tail(&mut flash);
}

/// 1. The log is long, and the head has no room to settle. The spare goes bad, and a cell of it has
///    lost its charge. The last record replaces the only one that was live in the tail.
/// 2. That last record may have been interrupted. It reads whole when the log is walked, so the tail
///    holds nothing live. It may not when it is copied, and is dropped after three tries.
///
/// If the tail were retired for what the first reading said, the older record would be gone, too.
/// So nothing is passed over, and the store does not open until its sector works again.
#[test]
fn a_mount_with_a_suspect_does_not_retire_the_tail() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("live", b"tail").unwrap();
    fill(&mut store, 6, 880);
    store.put("live", b"head").unwrap();
    let Some(Step::Program(suspect, _)) = store.flash().steps.last().cloned() else {
        panic!("the last step is no program");
    };
    drop(store);
    go_bad(&mut flash, 3);
    flash.decay = Some((TRIAL, suspect + 7));
    assert_eq!(flash.try_open().map(drop), Err(FAILED));
    assert_eq!(flash.opening(0), Some((0, 4, false)));
    flash.failing_erases.clear();
    assert_eq!(flash.value("live").as_deref(), Some(&b"head"[..]));
}

/// 1. The log is long and rests. Its head ends in the last page. The spare goes bad, and a cell of it
///    has lost its charge.
/// 2. A record is refused in the head, since one byte takes no program. No page is left for a settle
///    record, so the change needs a compaction, and the spare is to be passed over.
///
/// What is live in the tail may not be copied to where the refused record stands: that was
/// programmed once. So the spare cannot be passed over, and the call fails.
#[test]
fn the_place_of_a_refused_record_takes_no_copy() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("live", b"tail").unwrap();
    fill(&mut store, 6, 790);
    let mut last = [0; 26];
    store.get("fill", &mut last).unwrap();
    store.rest().unwrap();
    drop(store);
    go_bad(&mut flash, 3);
    flash.steps.clear();
    let mut store = flash.open();
    let (_, end) = position(&store);
    let (page_start, at) = (SECTOR - 256, 2 * SECTOR + end);
    assert!(end > page_start);
    store.flash().stuck = Some(at + 8);
    assert_eq!(store.put("fill", &[0; 26]), Err(FAILED));
    drop(store);
    assert_eq!(flash.repeated, 0);
    let flag = Step::Program(at - 1, 1);
    assert_eq!(flash.steps[..2], [flag, Step::Program(at, 40)]);
    assert_eq!(flash.steps[2..], out_and_two_erases(2, 3));

    // With the next power-up, the spare can be erased.
    flash.failing_erases.clear();
    assert_eq!(flash.value("fill").as_deref(), Some(&last[..]));
    assert_eq!(flash.value("live").as_deref(), Some(&b"tail"[..]));
}

/// 1. A store was reset three times, so that its epoch is 3. Its head is the last sector. The spare
///    is sector 0, and goes bad before it is erased in advance. It cannot be passed over, since what
///    is live in head and tail does not fit into one sector.
/// 2. The head goes on until it has no room to settle. The store does not open.
/// 3. The region is formatted, whatever it holds. Sector 0 refuses its erase and is passed over.
///
/// Its opening has a newer epoch than the new store. So the format must fail: otherwise the next
/// power-up finds some of the old settings.
#[test]
fn a_format_fails_if_an_old_opening_stays() {
    let mut flash = Flash::new(3);
    let mut store = flash.open();
    for _ in 0..3 {
        store.clear().unwrap();
    }
    assert_eq!(position(&store).0, 6);
    store.put("secret", b"old value").unwrap();
    fill(&mut store, 7, FIRST);
    store.put("tail", &[1; 500]).unwrap();
    store.flash().break_sector(0);
    store.put("head", &[2; 400]).unwrap();
    fill(&mut store, 8, 780);
    drop(store);
    assert_eq!(flash.opening(0), Some((3, 6, false)));
    assert_eq!(flash.try_open().err(), Some(FAILED));
    let formatted = Store::<_, 64>::format(&mut flash, layout()).map(|store| store.usage().keys);
    assert_eq!(formatted, Err(FAILED));
    assert_eq!(flash.opening(0), Some((3, 6, false)));

    flash.failing_erases.clear();
    let formatted = Store::<_, 64>::format(&mut flash, layout()).map(|store| store.usage().keys);
    assert_eq!(formatted, Ok(0));
    assert_eq!(flash.value("secret"), None);
}

/// 1. One short record is live in the tail. A compaction makes the log long. The new head opens with
///    a record nearly as long as a sector, and has room for a copy of the short one.
/// 2. The erase in advance finds that the spare is bad. Then a change needs a compaction.
///
/// Padding depends on the order of records, and in some order the two do not fit into a sector. The
/// head must be such that it can be compacted some day, whatever the order is then. So the spare
/// cannot be passed over, and nothing is copied.
#[test]
fn a_tail_that_overfills_the_head_stays() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("t", b"1").unwrap();
    fill(&mut store, 5, FIRST);
    store.delete("fill").unwrap();
    store.flash().break_sector(3);
    store.put("h", &[1; 837]).unwrap();
    let (head, end) = position(&store);
    assert_eq!(head, 6);
    assert!(end + 12 + 10 < SECTOR - 32, "no room for the copy and a seal");
    assert!(store.flash().steps.ends_with(&[Step::Erase(3), Step::Erase(3)]));
    store.flash().steps.clear();
    assert_eq!(store.put("new", b"value"), Err(FAILED));
    drop(store);
    assert_eq!(flash.steps, [Step::Erase(3), Step::Erase(3)]);

    // With the next power-up, the spare can be erased.
    flash.failing_erases.clear();
    let mut store = flash.open();
    for number in 0..200 {
        store.put("new", &[number; 20]).unwrap();
    }
    drop(store);
    assert_eq!(flash.value("t").as_deref(), Some(&b"1"[..]));
    assert_eq!(flash.value("h").as_deref(), Some(&[1; 837][..]));
}
