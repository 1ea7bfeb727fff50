//! Which outcomes of a cut the tears reach.
//!
//! Goal: tears stay within what a real part may do, and reach everything that recovery code could
//! distinguish. Method: random steps on random images; lists and random draws are compared with
//! outcomes that the tests compute on their own, where possible with all 2^n subsets.

use std::collections::{BTreeSet, HashSet};

use super::super::{Geometry, Image, Level, Step, Tear};
use super::{below, data, geometry, rng, step, used};

fn torn(g: &Geometry, image: &Image, step: &Step, tear: &Tear) -> Image {
    let mut torn = image.clone();
    torn.apply_torn(g, step, tear);
    torn
}

fn outcomes(g: &Geometry, level: Level, image: &Image, step: &Step) -> Vec<Image> {
    let list = Tear::list(g, level, image, step, 1);
    list.iter().map(|tear| torn(g, image, step, tear)).collect()
}

fn marginal_mask(image: &Image, at: usize) -> u8 {
    image
        .marginal()
        .iter()
        .find(|marginal| marginal.at as usize == at)
        .map_or(0, |marginal| marginal.mask)
}

/// Geometries, images and steps of all kinds.
fn cases(count: u64) -> impl Iterator<Item = (Geometry, Image, Step)> {
    (0..count).map(|seed| {
        let rng = &mut rng(seed);
        let g = [geometry(2, 64, 1, 16), geometry(2, 128, 4, 64), geometry(3, 64, 16, 32)]
            [below(rng, 3) as usize];
        let image = used(&g, rng);
        (g, image, step(&g, rng))
    })
}

#[test]
fn a_step_changes_nothing_outside_itself() {
    for (case, (g, image, step)) in cases(400).enumerate() {
        let rng = &mut rng(case as u64);
        let mut tears = Tear::list(&g, Level::F4, &image, &step, 1);
        tears.extend((0..100).map(|_| Tear::draw(&g, Level::F4, &image, &step, rng)));
        let range = step.range(&g);
        for tear in tears {
            let after = torn(&g, &image, &step, &tear);
            for at in 0..image.bytes().len() {
                let (old, new) = (image.bytes()[at], after.bytes()[at]);
                let (old_marginal, new_marginal) =
                    (marginal_mask(&image, at), marginal_mask(&after, at));
                if !range.contains(&(at as u32)) {
                    assert_eq!((old, old_marginal), (new, new_marginal), "{step}: {tear}");
                } else if let Step::Program { data, .. } = &step {
                    let commanded = !data[at - range.start as usize] & (old | old_marginal);
                    let changed = (old ^ new) | (old_marginal ^ new_marginal);
                    assert_eq!(changed & !commanded, 0, "{step}: {tear}");
                    assert_eq!(new & !old, 0, "{step}: {tear}");
                }
            }
        }
    }
}

#[test]
fn collateral_damage_stays_in_the_sector_and_outside_the_program() {
    let (mut cleared, mut set, mut marginal, mut in_page, mut in_sector) = (0, 0, 0, 0, 0);
    for (case, (g, image, step)) in cases(300).enumerate() {
        let rng = &mut rng(case as u64);
        let mut tears = Tear::list(&g, Level::F5, &image, &step, 1);
        tears.extend((0..100).map(|_| Tear::draw(&g, Level::F5, &image, &step, rng)));
        let range = step.range(&g);
        let part_of = |size: u32| range.start / size * size..(range.start / size + 1) * size;
        let (page, sector) = (part_of(g.page), part_of(g.sector_bytes));
        for tear in tears.iter().filter(|tear| tear.is_collateral()) {
            let after = torn(&g, &image, &step, tear);
            let sound = torn(&g, &image, &step, &tear.without_collateral().unwrap());
            let mut beyond_page = false;
            for at in 0..image.bytes().len() {
                let (old, new) = (sound.bytes()[at], after.bytes()[at]);
                let (old_marginal, new_marginal) =
                    (marginal_mask(&sound, at), marginal_mask(&after, at));
                let same = (old, old_marginal) == (new, new_marginal);
                let number = at as u32;
                assert!(same || sector.contains(&number) && !range.contains(&number), "{tear}");
                cleared += u32::from(old & !new != 0);
                set += u32::from(new & !old != 0);
                marginal += u32::from(new_marginal & !old_marginal != 0);
                beyond_page |= !same && !page.contains(&number);
            }
            in_page += u32::from(!beyond_page);
            in_sector += u32::from(beyond_page);
        }
    }
    for count in [cleared, set, marginal, in_page, in_sector] {
        assert!(count > 5_000, "{cleared} {set} {marginal} {in_page} {in_sector}");
    }
}

#[test]
fn lists_are_reproducible_short_and_free_of_duplicates() {
    let mut largest_erase = 0;
    for (g, image, step) in cases(600) {
        let mut before = Vec::new();
        for level in Level::ALL {
            let list = Tear::list(&g, level, &image, &step, 1);
            assert_eq!(list, Tear::list(&g, level, &image, &step, 1));
            assert_eq!(list[..2], [Tear::NOTHING, Tear::EVERYTHING]);
            if level == Level::F7 {
                assert_eq!(list, Tear::list(&g, level.of_tears(), &image, &step, 1));
                continue;
            }
            // A higher level only adds to a lower one.
            assert_eq!(list[..before.len()], before);
            before = list;

            let effects: Vec<_> = before.iter().map(|tear| torn(&g, &image, &step, tear)).collect();
            let distinct: HashSet<_> = effects.iter().skip(2).collect();
            assert_eq!(distinct.len(), before.len() - 2, "{step}");
            assert!(!distinct.contains(&effects[0]) && !distinct.contains(&effects[1]));
            if level < Level::F3 {
                let allowed = image.marginal().len();
                assert!(effects.iter().all(|effect| effect.marginal().len() <= allowed));
            }
        }
        match &step {
            Step::Program { data, .. } => {
                let bits: u32 = data.iter().map(|byte| byte.count_zeros()).sum();
                let collateral = before.iter().filter(|tear| tear.is_collateral()).count();
                assert!(collateral <= 560, "{collateral}");
                let most = 4 * bits as usize + 180 + collateral;
                assert!(before.len() <= most, "{} of {bits} bits", before.len());
            }
            Step::Erase { .. } => largest_erase = largest_erase.max(before.len()),
        }
    }
    assert!((200..500).contains(&largest_erase), "{largest_erase}");
}

#[test]
fn thinning_keeps_representatives() {
    let g = geometry(1, 4096, 1, 256);
    let image = Image::blank(&g);
    for (step, floor) in [
        (Step::Program { at: 0, data: vec![0x55; 64] }, 60),
        (Step::Program { at: 512, data: vec![0x00; 200] }, 60),
        (Step::Erase { sector: 0 }, 60),
    ] {
        let full = Tear::list(&g, Level::F4, &image, &step, 1);
        for thin in [0, 2, 8, 64, u32::MAX] {
            let thinned = Tear::list(&g, Level::F4, &image, &step, thin);
            // When duplicates are dropped, a different tear with the same effect may be kept, so
            // compare effects.
            let all: HashSet<_> = full.iter().map(|tear| torn(&g, &image, &step, tear)).collect();
            assert!(thinned.iter().all(|tear| all.contains(&torn(&g, &image, &step, tear))));
            let share = full.len() / thin.max(1) as usize;
            assert!(thinned.len() >= share.max(floor).min(full.len()), "{}", thinned.len());
            assert!(thinned.len() <= share + 260, "{} of {}", thinned.len(), full.len());
        }
    }
    // The outcome with a single missing bit is still there.
    let step = Step::Program { at: 0, data: vec![0x55; 64] };
    let mut almost = vec![0x55; 64];
    almost[63] = 0xD5;
    let found = Tear::list(&g, Level::F2, &image, &step, 1000)
        .iter()
        .any(|tear| torn(&g, &image, &step, tear).bytes()[..64] == almost);
    assert!(found);
}

#[test]
fn thinned_lists_of_neighbouring_steps_differ() {
    let g = geometry(1, 4096, 1, 256);
    let image = Image::blank(&g);
    let mut seen = BTreeSet::new();
    for at in 0..64 {
        let step = Step::Program { at, data: vec![0; 8] };
        for tear in Tear::list(&g, Level::F2, &image, &step, 8) {
            let after = torn(&g, &image, &step, &tear);
            seen.insert(after.bytes()[at as usize..][..8].to_vec());
        }
    }
    // Each of the 63 + 63 + 62 + 62 distinct linear outcomes occurs somewhere.
    let linear = outcomes(&g, Level::F2, &image, &Step::Program { at: 0, data: vec![0; 8] });
    let linear: BTreeSet<_> = linear[2..252].iter().map(|after| &after.bytes()[..8]).collect();
    let missed = linear.iter().filter(|outcome| !seen.contains(**outcome)).count();
    assert_eq!(missed, 0);
}

#[test]
fn at_f0_a_step_happens_completely_or_not_at_all() {
    for (g, image, step) in cases(100) {
        assert_eq!(Tear::list(&g, Level::F0, &image, &step, 1).len(), 2);
        let rng = &mut rng(1);
        for _ in 0..20 {
            let tear = Tear::draw(&g, Level::F0, &image, &step, rng);
            assert!(tear == Tear::NOTHING || tear == Tear::EVERYTHING);
        }
    }
}

#[test]
fn at_f1_units_are_done_in_order() {
    for (g, image, step) in cases(300) {
        let Step::Program { at, data } = &step else { continue };
        let unit = g.unit as usize;
        let prefixes: HashSet<Image> = (0..=data.len() / unit)
            .map(|units| {
                let mut after = image.clone();
                after.apply(&g, &Step::Program { at: *at, data: data[..units * unit].to_vec() });
                after
            })
            .collect();
        let listed: HashSet<_> = outcomes(&g, Level::F1, &image, &step).into_iter().collect();
        assert_eq!(listed, prefixes);
        let rng = &mut rng(2);
        for _ in 0..50 {
            let tear = Tear::draw(&g, Level::F1, &image, &step, rng);
            assert!(prefixes.contains(&torn(&g, &image, &step, &tear)));
        }
    }
}

#[test]
fn steps_with_few_bits_are_torn_in_every_way() {
    let g = geometry(1, 64, 1, 16);
    let image = Image::blank(&g);
    let step = Step::Program { at: 3, data: vec![0xFE, 0x7D, 0xFF, 0x3D] };
    let listed: BTreeSet<_> =
        outcomes(&g, Level::F2, &image, &step).iter().map(|i| i.bytes().to_vec()).collect();
    assert_eq!(listed.len(), 64);
    let rng = &mut rng(3);
    let drawn: BTreeSet<_> = (0..20_000)
        .map(|_| torn(&g, &image, &step, &Tear::draw(&g, Level::F2, &image, &step, rng)))
        .map(|image| image.bytes().to_vec())
        .collect();
    assert_eq!(drawn, listed);
}

/// What recovery code can find out about a field: none of its bits are done (0), all of them (1),
/// or neither (2).
fn status(done: u32, from: u32, len: u32) -> u8 {
    let field = ((1 << len) - 1) << from;
    match done & field {
        0 => 0,
        all if all == field => 1,
        _ => 2,
    }
}

/// The classes of F2 give every pair of disjoint contiguous fields every pair of statuses that any
/// subset could give, wherever the fields begin and end. Checked against all 2^n subsets.
#[test]
fn classes_reach_all_pairs_of_field_statuses() {
    let g = geometry(1, 64, 1, 16);
    let image = Image::blank(&g);
    for seed in 0..30 {
        let rng = &mut rng(seed);
        // Data with 7 to 12 bits to clear, which is more than the limit up to which all subsets are
        // listed.
        let (data, bits) = loop {
            let data = data(4, rng);
            let bits = data.iter().map(|byte| byte.count_zeros()).sum::<u32>();
            if (7..=12).contains(&bits) {
                break (data, bits);
            }
        };
        let step = Step::Program { at: 5, data: data.clone() };
        // Each outcome as a set of done bits, numbered by address.
        let listed: BTreeSet<u32> = outcomes(&g, Level::F2, &image, &step)
            .iter()
            .map(|after| {
                let places = (0..32).filter(|bit| data[bit / 8] >> (bit % 8) & 1 == 0);
                places.enumerate().fold(0, |done, (number, bit)| {
                    let is_done = after.bytes()[5 + bit / 8] >> (bit % 8) & 1 == 0;
                    done | u32::from(is_done) << number
                })
            })
            .collect();
        assert!(listed.len() < 1 << bits);
        for first in 0..bits {
            for first_len in 1..bits - first {
                for second in first + first_len..bits {
                    for second_len in 1..=bits - second {
                        let pair = |done: &u32| {
                            (status(*done, first, first_len), status(*done, second, second_len))
                        };
                        let reached: BTreeSet<_> = listed.iter().map(pair).collect();
                        let possible: BTreeSet<_> =
                            (0..1 << bits).map(|done| pair(&done)).collect();
                        assert_eq!(
                            reached, possible,
                            "{data:x?} {first}+{first_len} {second}+{second_len}"
                        );
                    }
                }
            }
        }
    }
}

/// A recovery of two records, each a value and its complement, that asks whether each of them is
/// complete, blank or neither: the classes lead to the same set of answers as all 2^16 subsets.
#[test]
fn classes_reach_all_outcomes_of_a_recovery() {
    let g = geometry(1, 64, 1, 16);
    let blank = Image::blank(&g);
    let recovered = |bytes: &[u8]| -> Vec<Result<Option<u8>, ()>> {
        let record = |record: &[u8]| match record {
            [0xFF, 0xFF] => Ok(None),
            [value, check] if *value == !check => Ok(Some(*value)),
            _ => Err(()),
        };
        bytes.chunks(2).map(record).collect()
    };
    for (one, other) in [(0x00, 0x00), (0xFF, 0x00), (0x0F, 0xA5), (0x01, 0x80), (0x7E, 0xC3)] {
        let data = vec![one, !one, other, !other];
        let places: Vec<usize> =
            (0..32).filter(|bit| data[bit / 8] >> (bit % 8) & 1 == 0).collect();
        assert_eq!(places.len(), 16);
        let possible: HashSet<_> = (0..1_u32 << 16)
            .map(|done| {
                let mut bytes = [0xFF_u8; 4];
                for (number, bit) in places.iter().enumerate() {
                    bytes[bit / 8] &= !(((done >> number & 1) as u8) << (bit % 8));
                }
                recovered(&bytes)
            })
            .collect();
        let step = Step::Program { at: 5, data };
        let reached: HashSet<_> = outcomes(&g, Level::F2, &blank, &step)
            .iter()
            .map(|image| recovered(&image.bytes()[5..9]))
            .collect();
        assert_eq!(reached, possible, "{one:#x} {other:#x}");
    }
}

#[test]
fn an_erase_stops_in_any_phase() {
    let g = geometry(2, 512, 1, 64);
    let rng = &mut rng(5);
    let mut image = Image::blank(&g);
    image.apply(&g, &Step::Program { at: 512, data: vec![0x42; 20] });
    image.apply(&g, &Step::Program { at: 532, data: data(30, rng) });
    let step = Step::Erase { sector: 1 };
    let old = image.bytes()[512..].to_vec();
    let listed: HashSet<Vec<u8>> =
        outcomes(&g, Level::F2, &image, &step).iter().map(|i| i.bytes()[512..].to_vec()).collect();
    assert!(listed.contains(&vec![0; 512]) && listed.contains(&vec![0xFF; 512]));
    // Every ordered pair of old, zero and blank, at the ends of the header, of a page, and of
    // what was written.
    let contents = [old.clone(), vec![0; 512], vec![0xFF; 512]];
    for edge in [4, 12, 20, 64, 256] {
        for first in &contents {
            for rest in &contents {
                let expected = [&first[..edge], &rest[edge..]].concat();
                assert!(listed.contains(&expected), "split at {edge}");
            }
        }
    }
    // A field of zeros in a sector that is blank apart from it.
    for field in [0..4, 4..8, 12..16, 20..24, 64..128] {
        let mut expected = vec![0xFF; 512];
        expected[field.clone()].fill(0);
        assert!(listed.contains(&expected), "{field:?}");
    }
    // Random phases: more zeros than there were; zeros lost; neither. Within the first bytes, so
    // that no split at a byte explains them.
    let head = |new: &[u8]| -> Vec<(u8, u8)> {
        new.iter().copied().zip(old.iter().copied()).take(20).collect()
    };
    let heads: Vec<_> = listed.iter().map(|new| head(new)).collect();
    let partly = |head: &[(u8, u8)]| head.iter().any(|(new, old)| ![0, 0xFF, *old].contains(new));
    let gains = |head: &[(u8, u8)]| head.iter().all(|(new, old)| new & !old == 0);
    let loses = |head: &[(u8, u8)]| head.iter().all(|(new, old)| old & !new == 0);
    assert!(heads.iter().filter(|head| partly(head) && gains(head)).count() >= 4);
    assert!(heads.iter().filter(|head| partly(head) && loses(head)).count() >= 4);
    assert!(heads.iter().filter(|head| partly(head) && !gains(head) && !loses(head)).count() >= 4);
}

#[test]
fn what_was_zeroed_does_not_come_back() {
    let g = geometry(1, 256, 1, 64);
    let record = [0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0];
    let mut image = Image::blank(&g);
    image.apply(&g, &Step::Program { at: 0, data: record.to_vec() });
    image.apply(&g, &Step::Program { at: 0, data: vec![0; 8] });
    let step = Step::Erase { sector: 0 };
    let rng = &mut rng(6);
    let drawn =
        (0..5000).map(|_| torn(&g, &image, &step, &Tear::draw(&g, Level::F2, &image, &step, rng)));
    let listed = outcomes(&g, Level::F2, &image, &step);
    for after in listed.into_iter().chain(drawn) {
        assert!(!after.bytes().windows(8).any(|window| window == record));
    }
}

#[test]
fn f3_outcomes_look_sound_and_are_marginal() {
    let g = geometry(1, 512, 1, 256);
    let blank = Image::blank(&g);
    let program = Step::Program { at: 8, data: vec![0x0F; 16] };
    let mut complete = blank.clone();
    complete.apply(&g, &program);
    let marginal_bits = |image: &Image| {
        image.marginal().iter().map(|marginal| marginal.mask.count_ones()).sum::<u32>()
    };
    // Number of marginal bits of the outcomes that store the same as `like`.
    let sound = |list: &[Image], like: &Image| -> BTreeSet<u32> {
        list.iter().filter(|i| i.bytes() == like.bytes()).map(marginal_bits).collect()
    };
    let list = outcomes(&g, Level::F3, &blank, &program);
    assert!(sound(&list, &blank).is_superset(&[0, 1, 64].into()), "looks undone");
    assert!(sound(&list, &complete).is_superset(&[0, 1, 8, 32, 64].into()), "looks done");
    assert!(
        list.iter().all(|image| image.marginal().iter().all(|marginal| marginal.mask & 0x0F == 0))
    );

    let erase = Step::Erase { sector: 0 };
    let list = outcomes(&g, Level::F3, &complete, &erase);
    assert!(sound(&list, &blank).is_superset(&[0, 1, 8, 4096].into()), "looks erased");
    assert!(sound(&list, &complete).is_superset(&[0, 1, 8, 64].into()), "looks untouched");
    let mut zero = blank;
    zero.apply(&g, &Step::Program { at: 0, data: vec![0; 512] });
    assert!(sound(&list, &zero).contains(&4096), "looks zero");
    // The old zeros, and only they, may become marginal.
    assert!(list.iter().any(|image| {
        image.bytes() == complete.bytes()
            && image.marginal().len() == 16
            && image.marginal().iter().all(|marginal| marginal.mask == 0xF0)
    }));
}

#[test]
fn f4_omits_checks_and_headers() {
    let g = geometry(1, 512, 1, 256);
    let blank = Image::blank(&g);
    let data: Vec<u8> = (0..24).map(|index| 0x11 * (index % 15)).collect();
    let step = Step::Program { at: 0, data: data.clone() };
    let list: HashSet<Vec<u8>> =
        outcomes(&g, Level::F4, &blank, &step).iter().map(|i| i.bytes()[..24].to_vec()).collect();
    for gone in [23..24, 20..24, 16..24, 0..1, 0..4, 22..23] {
        let mut expected = data.clone();
        expected[gone.clone()].fill(0xFF);
        assert!(list.contains(&expected), "without bytes {gone:?}");
    }
    // Single units in the middle are omitted too: an evenly spaced choice of them.
    let single_units = (0..24).filter(|byte| {
        let mut expected = data.clone();
        expected[*byte] = 0xFF;
        list.contains(&expected)
    });
    assert!(single_units.count() >= 14);
    // The program looks complete, but the header or the check is marginal.
    let marginal_bytes: HashSet<Vec<u32>> = outcomes(&g, Level::F4, &blank, &step)
        .iter()
        .filter(|after| after.bytes()[..24] == data)
        .map(|after| after.marginal().iter().map(|marginal| marginal.at).collect())
        .collect();
    for marginal in [0..5, 16..24, 20..24, 23..24, 0..1] {
        assert!(
            marginal_bytes.contains(&marginal.clone().collect::<Vec<_>>()),
            "marginal {marginal:?}"
        );
    }
    // Every value that the last byte can take, if it has few bits to clear.
    let step = Step::Program { at: 0, data: [data.as_slice(), &[0xDB, 0x7F, 0x69]].concat() };
    let list: HashSet<Vec<u8>> =
        outcomes(&g, Level::F4, &blank, &step).iter().map(|i| i.bytes()[..27].to_vec()).collect();
    for value in (0x69..=0xFF).filter(|value| value & 0x69 == 0x69) {
        assert!(list.contains(&[data.as_slice(), &[0xDB, 0x7F, value]].concat()), "{value:#x}");
    }
}

#[test]
fn draws_keep_to_their_level_and_reach_the_severe_outcomes() {
    let g = geometry(2, 64, 1, 16);
    let rng = &mut rng(7);
    for (g, image, step) in cases(100) {
        for _ in 0..50 {
            let tear = Tear::draw(&g, Level::F2, &image, &step, rng);
            assert!(torn(&g, &image, &step, &tear).marginal().len() <= image.marginal().len());
        }
    }
    let blank = Image::blank(&g);
    let step = Step::Program { at: 0, data: vec![0x3C; 16] };
    let mut complete = blank.clone();
    complete.apply(&g, &step);
    let (mut looks_undone, mut looks_done, mut mixed) = (0, 0, 0);
    for _ in 0..4000 {
        let after = torn(&g, &blank, &step, &Tear::draw(&g, Level::F3, &blank, &step, rng));
        match after.has_marginal() {
            true if after.bytes() == blank.bytes() => looks_undone += 1,
            true if after.bytes() == complete.bytes() => looks_done += 1,
            true => mixed += 1,
            false => {}
        }
    }
    assert!(looks_undone > 200 && looks_done > 200 && mixed > 500);
}

#[test]
fn unusual_steps_have_lists_and_draws() {
    let g = geometry(2, 64, 1, 16);
    let image = Image::blank(&g);
    let rng = &mut rng(8);
    for step in [
        Step::Program { at: 0, data: vec![] },
        Step::Program { at: 0, data: vec![0xFF; 8] },
        Step::Program { at: 120, data: vec![0; 16] },
        Step::Program { at: u32::MAX, data: vec![0; 16] },
        Step::Erase { sector: 2 },
        Step::Erase { sector: u32::MAX },
    ] {
        for level in Level::ALL {
            let list = Tear::list(&g, level, &image, &step, 1);
            assert_eq!(list[..2], [Tear::NOTHING, Tear::EVERYTHING]);
            for _ in 0..100 {
                torn(&g, &image, &step, &Tear::draw(&g, level, &image, &step, rng));
            }
        }
    }
}
