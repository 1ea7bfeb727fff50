//! Openings and decisions of compactions that were interrupted, and that can be read for long.
//!
//! Goal: what an interrupted compaction left never counts, even if the sectors around it go bad or
//! lose what made it void. Method: each test plays one history that once cost a setting. The sector
//! with the old opening is never erased, since it goes bad first.

use super::part::{Cut, FAILED, Flash, position, slot_word};

/// 1. The spare, number 6, refuses its erase, and is passed over. The compaction into number 7 is
///    cut before its decision. This leaves an opening of number 7 which says that number 6 was
///    passed over.
/// 2. The erase of number 6 works after all. "x" is put into number 5, and number 6 becomes the head.
/// 3. Number 7 goes bad before it is erased in advance for the next compaction, and is passed over.
///    Its old opening stays. Then number 8 becomes the head.
///
/// A walk that looks only at the opening after next takes number 5 to end where the old opening of
/// number 7 says. The new value of "x" stands after that.
#[test]
fn an_old_opening_of_a_sector_passed_over_hides_no_other_sector() {
    let mut flash = Flash::new(5);
    flash.break_sector(1);
    let mut store = flash.open();
    store.put("x", b"old").unwrap();
    store.put("first", &[1; 200]).unwrap();
    store.put("second", &[2; 150]).unwrap();
    assert_eq!(position(&store).0, 5);
    store.flash().cut = Some(Cut::Before(slot_word(0)));
    assert_eq!(store.put("third", &[9; 600]), Err(FAILED));
    drop(store);
    flash.restart();
    let old = Some((0, 7, true));
    assert_eq!(flash.opening(2), old);

    flash.failing_erases.clear();
    flash.break_sector(2);
    let mut store = flash.open();
    store.put("x", b"new").unwrap();
    assert_eq!(position(&store).0, 5);
    store.put("third", &[8; 600]).unwrap();
    assert_eq!(position(&store).0, 6);

    store.put("fourth", &[7; 600]).unwrap();
    assert_eq!(position(&store).0, 8);
    store.rest().unwrap();
    drop(store);
    assert_eq!((flash.opening(2), flash.opening(3)), (old, Some((0, 8, true))));
    assert_eq!(flash.value("x").as_deref(), Some(&b"new"[..]));
    assert_eq!(flash.value("fourth").as_deref(), Some(&[7; 600][..]));
}

/// 1. A factory reset from number 3 into number 4 is cut when its decision is complete, but the
///    decision reads as blank at the next power-up. That one goes on in number 3, and declares the
///    slot void in its settle record.
/// 2. Number 4 goes bad and is passed over. Its opening stays, and has the newest epoch.
/// 3. Number 5 becomes the head, and the sector of number 3 is erased in advance. That is cut. The
///    decision reads as complete now, and the settle record is gone.
///
/// A mount that trusts the decision takes the reset for done, and all settings are lost.
#[test]
fn an_old_reset_does_not_come_back() {
    let mut flash = Flash::new(3);
    let mut store = flash.open();
    store.put("x", b"one").unwrap();
    assert_eq!(position(&store).0, 3);
    store.flash().cut = Some(Cut::After(slot_word(0)));
    assert_eq!(store.clear(), Err(FAILED));
    drop(store);
    flash.restart();
    let decision = flash.hide(slot_word(0));
    assert_eq!(flash.value("x").as_deref(), Some(&b"one"[..]));

    flash.break_sector(1);
    let mut store = flash.open();
    store.put("x", b"two").unwrap();
    assert_eq!(position(&store).0, 3);
    store.flash().cut = Some(Cut::Erase(0));
    assert_eq!(store.put("large", &[2; 500]), Err(FAILED));
    drop(store);

    flash.restart();
    come_back(&mut flash, &decision);
    let openings = [0, 1, 2].map(|sector| flash.opening(sector));
    assert_eq!(openings, [Some((0, 3, false)), Some((1, 4, false)), Some((0, 5, true))]);
    assert_eq!(flash.value("x").as_deref(), Some(&b"two"[..]));
    assert_eq!(flash.value("large").as_deref(), Some(&[2; 500][..]));
}

/// 1. The spare, number 4, refuses its erase, and is passed over. A compaction from number 3 into
///    number 5 is cut when its decision is complete. The decision reads as blank at the next
///    power-up, which goes on in number 3, declares the slot void, and puts "x" there.
/// 2. The erase of number 4 works after all. It becomes the head.
/// 3. Number 5 goes bad before it is erased in advance for the next compaction, and is passed over.
///    The log is long, so what is live in number 3 moves into number 4. Number 3 is retired, and its
///    sector is erased for number 6. That is cut. The decision reads as complete now.
///
/// A mount that trusts it takes number 5, with the state before "x" was put, for the head.
#[test]
fn an_old_decision_for_the_sector_after_next_does_not_come_back() {
    let mut flash = Flash::new(3);
    flash.break_sector(1);
    let mut store = flash.open();
    store.put("x", b"one").unwrap();
    store.put("first", &[1; 100]).unwrap();
    store.put("first", &[2; 150]).unwrap();
    assert_eq!(position(&store).0, 3);
    store.flash().cut = Some(Cut::After(slot_word(0)));
    assert_eq!(store.put("large", &[9; 600]), Err(FAILED));
    drop(store);
    flash.restart();
    let decision = flash.hide(slot_word(0));
    flash.failing_erases.clear();
    assert_eq!(flash.value("x").as_deref(), Some(&b"one"[..]));

    let mut store = flash.open();
    store.put("x", b"two").unwrap();
    assert_eq!(position(&store).0, 3);
    store.flash().break_sector(2);
    store.flash().cut = Some(Cut::Erase(0));
    assert_eq!(store.put("large", &[8; 600]), Err(FAILED));
    drop(store);

    flash.restart();
    come_back(&mut flash, &decision);
    let openings = [0, 1, 2].map(|sector| flash.opening(sector));
    assert_eq!(openings, [Some((0, 3, false)), Some((0, 4, false)), Some((0, 5, true))]);
    assert_eq!(flash.value("x").as_deref(), Some(&b"two"[..]));
    assert_eq!(flash.value("large").as_deref(), Some(&[8; 600][..]));
}

/// What the erase of sector 0 leaves that was cut: the opening, and the decision in the first slot,
/// whose interrupted program reads as complete now.
fn come_back(flash: &mut Flash, decision: &[u8]) {
    let word = slot_word(0);
    flash.half_erase(0, word.end);
    flash.show(word, decision);
}
