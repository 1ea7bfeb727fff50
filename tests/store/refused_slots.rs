//! A head that takes no programs for a while.
//!
//! Goal: a decision that could not be written is not counted on. Method: each test plays one history
//! in which a sector refuses all programs, slots of decisions too, and works again after the next cut.

use super::part::{
    Cut, FAILED, FIRST, Flash, SECTOR, Step, fill, fill_until_it_fails, position, slot_word,
};

/// 1. The spare is erased, and a record says so. The head takes no programs for a while. A
///    compaction finds no slot that can be begun. If it went on, its first record in the spare could
///    be cut, and read as blank.
/// 2. The head works again. No slot is begun, so the spare still counts as erased.
#[test]
fn a_compaction_without_a_slot_programs_the_spare_twice() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("first", &[1; 400]).unwrap();
    store.put("x", b"value").unwrap();
    store.flash().refusing = Some(0);
    store.flash().cut = Some(Cut::After(SECTOR + FIRST..SECTOR + FIRST + 1));
    assert_eq!(store.put("large", &[2; 500]), Err(FAILED));
    drop(store);
    flash.power_on();
    flash.refusing = None;
    let first = (SECTOR + FIRST) as usize;
    flash.bytes[first..first + 300].fill(0xFF);
    flash.open().put("large", &[3; 500]).unwrap();
    assert_eq!(flash.repeated, 0);
}

/// 1. The log is long, its head (4) has no room to settle. A compaction into number 5 copies the
///    tail; its IN is a ghost that reads as blank.
/// 2. The head takes no programs for a while. The mount has no room to settle, and all slots refuse
///    OUT. If it erased the spare all the same, and that were cut, an opening could be left.
/// 3. The head works again, and IN reads as written. A sector that is half-erased would be the head.
#[test]
fn an_erase_without_out_loses_the_tail() {
    let mut flash = Flash::new(3);
    let mut store = flash.open();
    store.put("t", &[1; 20]).unwrap();
    fill(&mut store, 4, FIRST);
    let word = SECTOR + slot_word(0).start..SECTOR + slot_word(0).end;
    store.flash().cut = Some(Cut::After(word.clone()));
    fill_until_it_fails(&mut store);
    drop(store);
    flash.restart();
    let decision = flash.hide(word.clone());
    flash.refusing = Some(1);
    flash.cut = Some(Cut::Erase(2));
    assert_eq!(flash.try_open().map(drop), Err(FAILED));
    let is_erased = flash.steps.contains(&Step::Erase(2));
    flash.power_on();
    flash.refusing = None;
    if is_erased {
        flash.half_erase(2, 32);
    }
    flash.show(word, &decision);
    assert_eq!(flash.value("t").as_deref(), Some(&[1; 20][..]));
}

/// A compaction of two sectors is cut before its seal, so only IN in sector 0 makes the new head count.
/// That takes no programs for a while, so it refuses OWN. If sector 0 were erased all the same, and
/// that were cut, nothing would be a store any more.
#[test]
fn an_erase_without_own_loses_the_store() {
    let fill_up = |flash: &mut Flash| {
        let mut store = flash.open();
        store.put("a", &[1; 300]).unwrap();
        let mut number = 0;
        while position(&store).0 < 3 && store.put("b", &[number; 300]).is_ok() {
            number += 1;
        }
    };
    let mut flash = Flash::new(2);
    fill_up(&mut flash);
    // The seal is the last step before the erase in advance.
    let erase = flash.steps.iter().rposition(|step| *step == Step::Erase(0)).unwrap();
    let Step::Program(seal, 10) = flash.steps[erase - 1] else { panic!("no seal") };
    let mut flash = Flash::new(2);
    flash.cut = Some(Cut::Before(seal..seal + 1));
    fill_up(&mut flash);
    flash.power_on();
    flash.refusing = Some(1);
    flash.cut = Some(Cut::Erase(0));
    assert!(flash.try_open().is_err());
    let is_erased = flash.steps.contains(&Step::Erase(0));
    flash.power_on();
    flash.refusing = None;
    if is_erased {
        flash.half_erase(0, 32);
    }
    assert_eq!(flash.value("a").as_deref(), Some(&[1; 300][..]));
}

/// The last sector takes no programs for a while, so a first format cannot decide OUT there. It is cut
/// between the openings. There is no record, so a later one begins again.
#[test]
fn a_first_format_without_out_is_never_finished() {
    let mut flash = Flash::new(3);
    flash.refusing = Some(2);
    flash.cut = Some(Cut::Before(SECTOR - 32..SECTOR));
    assert_eq!(flash.try_open().map(drop), Err(FAILED));
    flash.power_on();
    flash.refusing = None;
    assert_eq!(flash.try_open().map(drop), Ok(()));
}

/// 1. The log is long. What is live in the tail is short, and the sector after it is half full. The log
///    rests in the last page of the head.
/// 2. The flag of the rest record takes no program. So the log is settled, which has no room and
///    compacts. How many compactions the change needs has to be counted after that.
#[test]
fn a_flag_that_takes_no_program_does_not_fail_a_change_that_has_room() {
    let mut flash = Flash::new(3);
    let mut store = flash.open();
    store.put("a", &[1; 20]).unwrap();
    fill(&mut store, 4, FIRST);
    store.put("b", &[2; 450]).unwrap();
    fill(&mut store, 4, 830);
    store.rest().unwrap();
    let &Step::Program(at, len) = store.flash().steps.last().unwrap() else { panic!("no rest") };
    drop(store);
    flash.stuck = Some(at + len as u32);
    let mut store = flash.open();
    let result = store.put("c", &[3; 400]);
    drop(store);
    assert_eq!(result, Ok(()));
    assert_eq!(flash.value("c").as_deref(), Some(&[3; 400][..]));
}

/// 1. The tag of the last page of the head takes no program, so no mount has room to settle. Each
///    mount uses up a slot for OUT, and is cut in the spare.
/// 2. One bit of the tag of the last slot is wrong, so no decision can be written there.
/// 3. The tag of the page is refused once more. That must not pass for a refused decision, or no
///    mount would open the store again.
#[test]
fn a_refused_page_is_no_refused_decision() {
    let mut flash = Flash::new(4);
    let mut store = flash.open();
    store.put("a", &[1; 20]).unwrap();
    fill(&mut store, 5, 600);
    drop(store);
    flash.stuck = Some(SECTOR + 768);
    for _ in 0..11 {
        flash.cut = Some(Cut::Before(2 * SECTOR..3 * SECTOR));
        assert_eq!(flash.try_open().map(drop), Err(FAILED));
        flash.restart();
    }
    let tags = (0..12).map(|slot| flash.bytes[(SECTOR + slot_word(slot).start - 1) as usize]);
    assert_eq!(tags.collect::<Vec<_>>(), [[0; 11].as_slice(), &[0xFF]].concat());
    flash.bytes[(SECTOR + slot_word(11).start - 1) as usize] = 0xFE;
    assert_eq!(flash.value("a").as_deref(), Some(&[1; 20][..]));
}
