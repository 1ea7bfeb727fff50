//! Layouts and formatting.
//!
//! Goal: a store opens with its own layout or not at all, and a format leaves nothing of what was
//! there. Method: stores of many layouts over the same flash, opened and formatted with each
//! other's; a refused open must not change a byte.

use std::ops::Range;

use outlast_image::flash::{Ram, Step};
use outlast_kvstore::{Error, Found, Layout, Store};

use crate::opening;

type Flash = Ram<1>;
type Small = Store<Flash, 8>;

const BYTES: usize = 8 * 4096;

struct Parts {
    sector_bytes: u32,
    range: Range<u32>,
}

fn layout(sector_bytes: u32, page_bytes: u32, range: Range<u32>) -> (Layout, Parts) {
    let layout = Layout::serial_nor()
        .with_sector_bytes(sector_bytes)
        .with_page_bytes(page_bytes)
        .with_range(range.clone());
    (layout, Parts { sector_bytes, range })
}

/// These layouts all overlap each other.
fn layouts() -> Vec<(Layout, Parts)> {
    vec![
        layout(4096, 256, 0..0x8000),
        layout(4096, 64, 0..0x8000),
        layout(4096, 1024, 0..0x8000),
        layout(2048, 256, 0..0x8000),
        layout(8192, 256, 0..0x8000),
        layout(16384, 256, 0..0x8000),
        layout(4096, 256, 0..0x4000),
        layout(4096, 256, 0x1000..0x5000),
        layout(4096, 256, 0x2000..0x8000),
        layout(512, 64, 0..0x2000),
    ]
}

/// What a device leaves after this many puts and, after the last of them, this many opens.
fn used(flash: Vec<u8>, layout: &Layout, puts: u32, opens: u32) -> Vec<u8> {
    let mut store = Small::format(Ram::new(flash), layout.clone()).unwrap();
    store.put("serial", b"A17").unwrap();
    for number in 0..puts {
        store.put("level", &number.to_le_bytes().repeat(10)).unwrap();
    }
    for _ in 0..opens {
        store = Small::open(store.into_flash(), layout.clone()).unwrap();
    }
    store.into_flash().into_parts().0
}

/// The open is refused and no byte changes. The reason given depends on what lies where the sectors
/// would have their openings.
fn open_refuses(image: &[u8], (layout, parts): &(Layout, Parts), what: &str) {
    let mut starts = parts.range.clone().step_by(parts.sector_bytes as usize);
    let second = parts.sector_bytes - 32;
    let has_opening = |at: u32| image[at as usize..].starts_with(&[0x0A, 0x57]);
    let found = if starts.any(|at| has_opening(at) || has_opening(at + second)) {
        Found::OtherLayout
    } else {
        Found::ForeignData
    };
    let mut flash = Flash::recording(image.to_vec());
    let refused = Store::<_, 8>::open(&mut flash, layout.clone()).err();
    assert_eq!(refused, Some(Error::NotAStore(found)), "{what}");
    assert_eq!(flash.into_parts().1, [], "{what}");
}

/// This holds too when its sectors contain settle records, which do not name the layout.
#[test]
fn a_store_of_another_layout_is_refused_and_not_touched() {
    for (number, mine) in layouts().iter().enumerate() {
        for (puts, opens) in [(0, 0), (0, 1), (3, 1), (90, 2), (700, 0), (900, 1)] {
            let image = used(vec![0xFF; BYTES], &mine.0, puts, opens);
            for (other_number, other) in layouts().iter().enumerate() {
                let region = &image[other.1.range.start as usize..other.1.range.end as usize];
                // A blank region becomes a new store.
                if number != other_number && region.iter().any(|byte| *byte != 0xFF) {
                    let what = format!("{number} as {other_number}, {puts} puts, {opens} opens");
                    open_refuses(&image, other, &what);
                }
            }
        }
    }
}

/// Nothing of the earlier store is left that its own layout could open.
#[test]
fn a_region_formatted_with_another_layout_does_not_open_with_the_old_one() {
    for (number, old) in layouts().iter().enumerate().take(6) {
        for (new_number, new) in layouts().iter().enumerate().take(6) {
            if number == new_number {
                continue;
            }
            let image = used(vec![0xFF; BYTES], &old.0, 700, 1);
            for (puts, opens) in [(0, 0), (0, 1), (200, 1)] {
                let image = used(image.clone(), &new.0, puts, opens);
                let what = format!("{number}, then {new_number}, {puts} puts, {opens} opens");
                open_refuses(&image, old, &what);
                let mut store = Small::open(Ram::new(image), new.0.clone()).unwrap();
                let level = store.get("level", &mut [0; 64]).unwrap().map(<[u8]>::len);
                assert_eq!(level, (puts > 0).then_some(40), "{what}");
            }
        }
    }
}

/// The version of the format is in each opening, at offset 2 (`kvstore/FORMAT.md`).
#[test]
fn a_newer_format_is_refused() {
    let (layout, _) = layout(4096, 256, 0..0x8000);
    for opens in 0..3 {
        let mut image = used(vec![0xFF; BYTES], &layout, 300, opens);
        for sector in image.chunks_mut(4096).filter(|sector| sector.starts_with(&[0x0A, 0x57])) {
            for copy in [0, 4096 - 32] {
                sector[copy + 2] = 3;
                opening::seal(&mut sector[copy..]);
            }
        }
        let refused = Small::open(Ram::new(image), layout.clone()).err();
        assert_eq!(refused, Some(Error::NotAStore(Found::NewerFormat)), "{opens} opens");
    }
}

/// The opening of version 1 has 31 bytes. A single one is enough: nothing is programmed, whatever
/// else the region holds.
#[test]
fn an_older_format_is_refused_and_not_touched() {
    let (layout, _) = layout(4096, 256, 0..0x8000);
    let start = [0x0A, 0x57, 1, 8 << 3, 0, 0x10, 0, 8, 0];
    let mut opening = [&start[..], &[0, 0, 0, 0, 8, 0, 0, 0, 0, 0, 0, 0, 0, 32, 0, 0]].concat();
    let crc = crc32c::crc32c(&opening);
    opening.extend(crc.to_le_bytes());
    let zeros: u32 = opening.iter().map(|byte| byte.count_zeros()).sum();
    opening.extend((zeros as u16).to_be_bytes());
    assert_eq!(opening.len(), 31);
    let in_use = used(vec![0xFF; BYTES], &layout, 100, 1);
    for (sector, mut image) in (0..8).flat_map(|n| [(n, vec![0xFF; BYTES]), (n, in_use.clone())]) {
        image[sector * 4096..][..31].copy_from_slice(&opening);
        // Its mark stood in the byte after it.
        image[sector * 4096 + 31] = 0;
        let mut flash = Flash::recording(image);
        let refused = Store::<_, 8>::open(&mut flash, layout.clone()).err();
        assert_eq!(refused, Some(Error::NotAStore(Found::OlderFormat)), "in sector {sector}");
        let (image, steps) = flash.into_parts();
        assert_eq!(steps, [], "in sector {sector}");
        // A format is the way out.
        let mut store = Small::format(Ram::new(image), layout.clone()).unwrap();
        assert_eq!(store.get("level", &mut [0; 64]), Ok(None));
        store.put("level", b"1").unwrap();
        let mut store = Small::open(store.into_flash(), layout.clone()).unwrap();
        assert_eq!(store.get("level", &mut [0; 64]), Ok(Some(&b"1"[..])));
    }
}

/// The programs of an open, a clear and a rest, of a log that takes one program for each record.
const FORMAT_PROGRAMS: usize = 12;

/// What the flash holds after these steps.
fn after(mut image: Vec<u8>, steps: &[Step]) -> Vec<u8> {
    for step in steps {
        match step {
            Step::Erase { from, to } => image[*from as usize..*to as usize].fill(0xFF),
            Step::Program { at, bytes } => {
                for (cell, byte) in image[*at as usize..].iter_mut().zip(bytes) {
                    *cell &= byte;
                }
            }
            Step::Refused { from } => panic!("no sector of this flash is bad, nor that at {from}"),
        }
    }
    image
}

/// The number of the last erase.
fn last_erase(steps: &[Step]) -> usize {
    steps.iter().rposition(|step| matches!(step, Step::Erase { .. })).unwrap()
}

/// A cut during a format over a store of the same layout leaves that store, or an empty one. It
/// takes one erase, and no more programs than the documentation of `format` says.
#[test]
fn a_format_over_a_store_is_all_or_nothing() {
    for sectors in [2, 3, 8] {
        let (layout, _) = layout(4096, 256, 0..sectors * 4096);
        for (puts, rests) in [0, 3, 90, 300, 700].map(|puts| [(puts, true), (puts, false)]).concat()
        {
            let blank = vec![0xFF; sectors as usize * 4096];
            let mut store = Small::open(Ram::new(blank), layout.clone()).unwrap();
            for number in 0_u32..puts {
                store.put("level", &number.to_le_bytes().repeat(10)).unwrap();
            }
            if rests {
                store.rest().unwrap();
            }
            let what = format!("{sectors} sectors, {puts} puts, rests: {rests}");
            let last = puts.checked_sub(1).map(|number| number.to_le_bytes().repeat(10));
            let image = store.into_flash().into_parts().0;
            let store = Small::format(Ram::recording(image.clone()), layout.clone()).unwrap();
            assert_eq!(store.usage().keys, 0);
            let steps = store.into_flash().into_parts().1;
            let erases = steps.iter().filter(|step| matches!(step, Step::Erase { .. })).count();
            assert_eq!(erases, 1, "{what}");
            assert!(steps.len() - erases <= FORMAT_PROGRAMS, "{what}: {}", steps.len() - erases);
            let mut empty = false;
            for done in 0..=steps.len() {
                let flash = Ram::new(after(image.clone(), &steps[..done]));
                let mut store = Small::open(flash, layout.clone()).unwrap();
                let mut buffer = [0; 64];
                let found = store.get("level", &mut buffer).unwrap();
                assert!(found == last.as_deref() || found.is_none(), "{what}, {done} steps");
                assert!(!empty || found.is_none(), "{what}, {done} steps: the old store is back");
                empty |= found.is_none();
            }
            assert!(empty, "{what}");
        }
    }
}

/// A store in two sectors right after its second compaction, and the value that it holds.
fn after_two_compactions(layout: &Layout) -> (Small, Vec<u8>) {
    let mut store = Small::open(Ram::recording(vec![0xFF; 2 * 4096]), layout.clone()).unwrap();
    for number in 0_u32.. {
        let value = number.to_le_bytes().repeat(10);
        store.put("level", &value).unwrap();
        if store.usage().compactions >= 2 {
            return (store, value);
        }
    }
    unreachable!("the head is never full");
}

/// The decision that a new head counts may have been the last program before a cut, and may read as
/// blank later. With two sectors it stands in the spare. So before that is erased, a record in the
/// head shows that it counts, or a cut would leave neither the old store nor a new one.
#[test]
fn a_format_over_a_store_confirms_its_head_first() {
    let (layout, _) = layout(4096, 256, 0..2 * 4096);
    let (store, last) = after_two_compactions(&layout);
    // The word of that decision and a seal come before the erase. The cut comes before the seal.
    let steps = store.into_flash().into_parts().1;
    let erase = last_erase(&steps);
    let image = after(vec![0xFF; 2 * 4096], &steps[..erase - 1]);
    let Some(Step::Program { at: word, bytes }) = steps.get(erase - 2) else {
        panic!("no decision")
    };
    assert!(*word < 4096 && bytes.len() == 4, "{word} {bytes:?}");
    let store = Small::format(Ram::recording(image.clone()), layout.clone()).unwrap();
    let steps = store.into_flash().into_parts().1;
    let erase = steps.iter().position(|step| matches!(step, Step::Erase { .. })).unwrap();
    for done in erase..=erase + 1 {
        let mut image = after(image.clone(), &steps[..done]);
        image[*word as usize..][..4].fill(0xFF);
        let mut store = Small::open(Ram::new(image), layout.clone()).unwrap();
        assert_eq!(store.get("level", &mut [0; 64]), Ok(Some(&last[..])), "{done} steps");
    }
}

/// Damage to the first records of a resting head must not make each power-up decide again that it
/// counts: a later record shows it.
#[test]
fn a_damaged_resting_head_is_read_without_programs() {
    let (layout, _) = layout(4096, 256, 0..2 * 4096);
    let (mut store, last) = after_two_compactions(&layout);
    store.put("gain", b"3").unwrap();
    store.rest().unwrap();
    let (mut image, steps) = store.into_flash().into_parts();
    // The seal, then the erase in advance, the trial, the spare record, the put and the rest record.
    let [seal, _, _, spare, put, _] = &steps[last_erase(&steps) - 1..] else {
        panic!("{} steps", steps.len())
    };
    for step in [seal, spare, put] {
        let Step::Program { at, .. } = step else { panic!("no program") };
        image[*at as usize..][..4].fill(0);
    }
    let mut store = Small::open(Ram::recording(image), layout).unwrap();
    assert_eq!(store.get("level", &mut [0; 64]), Ok(Some(&last[..])));
    assert!(store.usage().doubtful_absent);
    assert_eq!(store.into_flash().into_parts().1, []);
}

/// The numbers in the documentation of `open` and `format`.
#[test]
fn a_new_store_costs_what_the_docs_say() {
    let (layout, _) = layout(4096, 256, 0..0x8000);
    let cost = |steps: Vec<Step>| {
        let erases = steps.iter().filter(|step| matches!(step, Step::Erase { .. })).count();
        (steps.len() - erases, erases)
    };
    let store = Small::open(Ram::recording(vec![0xFF; BYTES]), layout.clone()).unwrap();
    assert_eq!(cost(store.into_flash().into_parts().1), (13, 2));
    let garbage = Ram::recording(vec![0x5A; BYTES]);
    let store = Small::format(garbage, layout).unwrap();
    assert_eq!(cost(store.into_flash().into_parts().1), (13, 9));
}
