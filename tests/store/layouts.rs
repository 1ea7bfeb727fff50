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

/// The open is refused and no byte changes. The reason given depends on what lies at the sector
/// starts.
fn open_refuses(image: &[u8], (layout, parts): &(Layout, Parts), what: &str) {
    let mut starts = parts.range.clone().step_by(parts.sector_bytes as usize);
    let found = if starts.any(|at| image[at as usize..].starts_with(&[0x0A, 0x57])) {
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
            sector[2] = 2;
            opening::seal(sector);
        }
        let refused = Small::open(Ram::new(image), layout.clone()).err();
        assert_eq!(refused, Some(Error::NotAStore(Found::NewerFormat)), "{opens} opens");
    }
}

/// A mark may have been the last program before a cut, and may read as blank later. It is
/// programmed again before the sector after the head is erased, or a cut would leave neither the
/// old store nor a new one.
#[test]
fn a_format_over_a_store_confirms_its_head_first() {
    let (layout, _) = layout(4096, 256, 0..0x8000);
    for puts in [0, 3, 90, 300, 700] {
        let mut store = Small::open(Ram::new(vec![0xFF; BYTES]), layout.clone()).unwrap();
        for number in 0_u32..puts {
            store.put("level", &number.to_le_bytes().repeat(10)).unwrap();
        }
        let head = (store.usage().compactions - 1 + 8) % 8;
        let image = store.into_flash().into_parts().0;
        let store = Small::format(Ram::recording(image), layout.clone()).unwrap();
        assert_eq!(store.usage().keys, 0);
        let steps = store.into_flash().into_parts().1;
        let mark = Step::Program { at: head * 4096 + 31, bytes: vec![0] };
        assert_eq!(steps.first(), Some(&mark), "{puts}");
        let erases = steps.iter().filter(|step| matches!(step, Step::Erase { .. })).count();
        assert_eq!(erases, 1, "{puts}");
        // The number in the documentation of `format`.
        assert!(steps.len() - erases <= 10, "{} programs", steps.len() - erases);
    }
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
    assert_eq!(cost(store.into_flash().into_parts().1), (9, 1));
    let garbage = Ram::recording(vec![0x5A; BYTES]);
    let store = Small::format(garbage, layout).unwrap();
    // One for each of 64 erase units of 512 bytes. Seven of them lie in the sector after the head,
    // where the mount sees their zeros.
    assert_eq!(cost(store.into_flash().into_parts().1), (9 + 64 + 7, 1));
}
