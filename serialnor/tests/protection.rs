//! Goal: a program or erase is refused exactly where the chip would ignore it, the error says what
//! protects which blocks, and protection is taken away only as the chip allows. Method: a mock chip
//! that obeys its protection bits and block locks.

mod mock;

use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{
    BlockLocks, BlockProtection, DataSheet, Error as DriverError, Options, OwnCommand, ProtectedBy,
    StatusWrite,
};

use mock::{Chip, Error, Flash, State};

const MIB: u64 = 1 << 20;
/// Bits 2 to 5, blocks of 64 KiB from the top, of 16 MiB: from memory of data sheets.
const FOUR_BITS: BlockProtection = BlockProtection::new(16 * MIB, 0x3C, 64 << 10);
const LOCKS: BlockLocks =
    BlockLocks { read_opcode: 0x3C, locked_bits: 0xFF, block_bytes: 64 << 10 };

fn start(sheet: DataSheet, change: impl FnOnce(&mut State)) -> (Chip, Flash) {
    let chip = Chip::of("at25ql128a", |state| {
        state.clears_latch = true;
        change(state);
    });
    let flash = chip.start(Options::new().with_data_sheet(sheet)).unwrap();
    (chip, flash)
}

#[test]
fn only_what_is_protected_is_refused() {
    let sheet = DataSheet::new().with_block_protection(FOUR_BITS);
    // Bit 5 alone: the upper half.
    let (_, mut flash) = start(sheet, |state| {
        (state.protection, state.status) = (Some(FOUR_BITS), 0x20);
    });
    let half = 8 << 20;
    flash.write(half - 5, b"hello").unwrap();
    flash.erase(half - 8192, half).unwrap();
    let refused = DriverError::Protected {
        status: 0x22,
        by: ProtectedBy::StatusBits(0x20),
        first: 8 << 20,
        last: (16 << 20) - 1,
    };
    assert_eq!(flash.write(half, b"hello"), Err(refused));
    assert_eq!(flash.erase(half, half + 4096), Err(refused));
    let text = refused.to_string();
    assert!(text.contains("0x800000..=0xffffff"), "{text}");
    // Without the data sheet bit 5 has no known meaning: the missing effect is noticed.
    let (chip, mut flash) = start(DataSheet::new(), |state| {
        (state.protection, state.status) = (Some(FOUR_BITS), 0x20);
    });
    assert_eq!(flash.write(half, b"hello"), Err(DriverError::Verify { at: half }));
    assert!(flash.erase(half, half + 4096).is_err());
    // And any of bits 2 to 4 may protect everything.
    chip.0.borrow_mut().status = 0x04;
    let everything = DriverError::Protected {
        status: 0x06,
        by: ProtectedBy::StatusBits(0x04),
        first: 0,
        last: (16 << 20) - 1,
    };
    assert_eq!(flash.write(0, b"hello"), Err(everything));
}

#[test]
fn no_protected_block_is_taken_for_a_free_one() {
    let sheet = DataSheet::new().with_block_protection(FOUR_BITS.with_bottom_bit(0x40));
    let protection = FOUR_BITS.with_bottom_bit(0x40);
    for status in (0..0x80).step_by(4) {
        let (chip, mut flash) = start(sheet, |state| {
            (state.protection, state.status) = (Some(protection), status);
        });
        for at in (0..24).map(|bit| 1 << bit).chain([0, 0xFF_0000]) {
            let result = flash.write(at, &[0x5A]);
            let is_written = chip.0.borrow().cells.contains_key(&at);
            let is_refused = matches!(result, Err(Error::Protected { .. }));
            assert_eq!(
                (result.is_ok(), is_refused),
                (is_written, !is_written),
                "{status:#x} {at:#x}"
            );
        }
    }
}

#[test]
fn locks_of_blocks_are_read() {
    let sheet = DataSheet::new().with_block_locks(LOCKS);
    let (chip, mut flash) = start(sheet, |state| state.locked = vec![2, 5]);
    flash.write(0x1_FFFB, b"hello").unwrap();
    flash.erase(0x3_0000, 0x5_0000).unwrap();
    let locked = |block: u32| DriverError::Protected {
        status: 0x02,
        by: ProtectedBy::BlockLock(0xFF),
        first: block << 16,
        last: (block << 16) + 0xFFFF,
    };
    assert_eq!(flash.write(0x2_1000, b"hello"), Err(locked(2)));
    assert_eq!(flash.erase(0x4_F000, 0x5_1000), Err(locked(5)));
    assert!(!chip.0.borrow().latch);
    // One block among those of a large erase.
    let small = DataSheet::new().with_block_locks(BlockLocks { block_bytes: 4096, ..LOCKS });
    for block in [0x10, 0x17, 0x1F, 0x20] {
        let (chip, mut flash) = start(small, |state| {
            (state.locked, state.lock_bytes) = (vec![block], Some(4096));
        });
        let at = block << 12;
        let refused = DriverError::Protected {
            status: 0x02,
            by: ProtectedBy::BlockLock(0xFF),
            first: at,
            last: at + 4095,
        };
        let erased = flash.erase(0x1_0000, 0x2_0000);
        assert_eq!(erased, if block == 0x20 { Ok(()) } else { Err(refused) });
        let erases = chip.0.borrow().log.iter().filter(|sent| sent[0] == 0xD8).count();
        assert_eq!(erases, usize::from(block == 0x20));
    }
    // All blocks are unlocked at once.
    let (chip, mut flash) =
        start(sheet.with_unlock_all(0x98), |state| state.locked = (0..256).collect());
    assert_eq!(flash.write(0, b"hello"), Err(locked(0)));
    flash.unprotect().unwrap();
    assert!(chip.0.borrow().status_writes.is_empty());
    flash.write(0, b"hello").unwrap();
}

#[test]
fn protection_is_taken_away_as_the_chip_allows() {
    let volatile = StatusWrite { volatile_enable: Some(0x50), with_second: false };
    let for_good = StatusWrite { volatile_enable: None, with_second: true };
    let sheet = DataSheet::new().with_block_protection(FOUR_BITS);
    let protected = |state: &mut State| {
        (state.status, state.second_status) = (0xFC, 0x42);
        state.protection = Some(FOUR_BITS);
    };
    // Only the protection bits are cleared, and only if there are any.
    let (chip, mut flash) = start(sheet.with_status_write(volatile), protected);
    flash.unprotect().unwrap();
    flash.unprotect().unwrap();
    flash.unprotect_for_good().unwrap();
    assert_eq!(chip.0.borrow().status_writes, [(true, vec![0xC0])]);
    flash.write(0, b"hello").unwrap();

    let (chip, mut flash) = start(sheet.with_status_write(for_good), protected);
    assert_eq!(flash.unprotect(), Err(Error::NotSupported));
    flash.unprotect_for_good().unwrap();
    assert_eq!(chip.0.borrow().status_writes, [(false, vec![0xC0, 0x42])]);

    // The tables of AT25QL128A: writing one register clears the other, which cannot be read.
    let (chip, mut flash) = start(sheet, protected);
    assert_eq!(flash.unprotect(), Err(Error::NotSupported));
    assert_eq!(flash.unprotect_for_good(), Err(Error::NotSupported));
    assert!(chip.0.borrow().status_writes.is_empty());

    // The write protect pin is low.
    for way in [volatile, for_good] {
        let (_, mut flash) = start(sheet.with_status_write(way), |state| {
            protected(state);
            state.is_status_locked = true;
        });
        let locked = DriverError::Protected {
            status: 0xFC,
            by: ProtectedBy::StatusBits(0x3C),
            first: 0,
            last: (16 << 20) - 1,
        };
        let result = if way == volatile { flash.unprotect() } else { flash.unprotect_for_good() };
        assert_eq!(result, Err(locked));
    }
}

// Bits 22:20 of DWORD 15 and bits 6:0 of DWORD 16, as decoded in `tests/sfdp/expected.json`.
#[test]
fn the_tables_say_how_the_status_is_written() {
    let of = |name| {
        let flash: Flash = Chip::of(name, |_| ()).start(Options::new()).unwrap();
        flash.chip().status_write()
    };
    let plain = |volatile_enable| Some(StatusWrite { volatile_enable, with_second: false });
    assert_eq!(of("mt25qu256a"), plain(None));
    assert_eq!(of("is25wp256"), plain(None));
    assert_eq!(of("at25ql128a"), None);
    assert_eq!(of("mx25l3233f"), None);
}

#[test]
fn commands_of_the_caller_wait_for_the_chip() {
    let (chip, mut flash) = start(DataSheet::new(), |_| ());
    flash.begin_erase(0, 4096).unwrap();
    let mut unique = [0; 9];
    flash.run_own(OwnCommand::new(&[0x4B, 0, 0, 0, 0]), &mut unique).unwrap();
    assert_eq!(&unique, b"unique id");
    let program = OwnCommand::new(&[0x02, 0, 0x10, 0, 0x5A]).with_write_enable(true);
    assert_eq!(flash.run_own(program, &mut [0]), Err(Error::NotSupported));
    flash.run_own(program, &mut []).unwrap();
    let mut byte = [0];
    flash.read(0x1000, &mut byte).unwrap();
    assert_eq!(byte, [0x5A]);
    assert_eq!(flash.run_own(OwnCommand::new(&[]), &mut []), Err(Error::NotSupported));
    assert!(!chip.0.borrow().latch);
    // The driver sets its address mode again.
    let chip = Chip::of("is25wp256", |_| ());
    let mut flash: Flash = chip.start(Options::new()).unwrap();
    for write_enable in [false, true] {
        let leave = OwnCommand::new(&[0xE9]).with_write_enable(write_enable);
        flash.run_own(leave, &mut []).unwrap();
        assert!(chip.0.borrow().four);
    }
}
