//! Goal: the tables of a chip are decoded as JESD216 defines them, and any bytes are decoded or
//! refused without a panic.
//!
//! Method: the tables of 16 real chips are compared with an independent decode of them, and random
//! or damaged bytes are fed to the decoder. Sources: `tests/sfdp/README.md`; field positions from
//! JESD216 by way of Micron TN-25-06 Rev D.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::path::PathBuf;

use outlast_serialnor::sfdp::{AddressBytes, Basic, Sfdp};
use outlast_serialnor::{SfdpError, Times};
use proptest::prelude::*;
use serde_json::Value;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sfdp")
}

fn dump(name: &str) -> Vec<u8> {
    let text = std::fs::read_to_string(folder().join(name).with_extension("hex")).unwrap();
    text.split_ascii_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// Reads like a chip: FFh after the end of the known bytes.
fn read(bytes: &[u8]) -> Result<Sfdp, SfdpError<Infallible>> {
    Sfdp::read(|at, out| {
        assert!(at < 1 << 24);
        for (byte, at) in out.iter_mut().zip(at as usize..) {
            *byte = bytes.get(at).copied().unwrap_or(0xFF);
        }
        Ok(())
    })
}

fn expected() -> BTreeMap<String, Value> {
    serde_json::from_slice(&std::fs::read(folder().join("expected.json")).unwrap()).unwrap()
}

fn number(value: &Value, key: &str) -> Option<u64> {
    value.get(key).and_then(Value::as_u64)
}

fn hex(value: Option<&Value>) -> Option<u8> {
    u8::from_str_radix(value?.as_str()?, 16).ok()
}

fn bits(value: &Value, key: &str) -> Option<u64> {
    u64::from_str_radix(value.get(key)?.as_str()?, 2).ok()
}

fn check_times(name: &str, ours: Option<Times>, value: &Value, prefix: &str, unit: &str, per: u64) {
    let of = |kind: &str| number(value, &format!("{prefix}{kind}_{unit}")).map(|time| time * per);
    let ours = ours.map(|times| (times.typical_us, times.maximal_us));
    assert_eq!(ours, of("typ").zip(of("max")), "{name} {prefix}");
}

#[test]
fn real_tables_decode_as_published() {
    let expected = expected();
    assert_eq!(expected.len(), 16);
    for (name, value) in &expected {
        let sfdp = read(&dump(name)).unwrap();
        let Basic { dwords, size_bytes, address_bytes, erase_types, page_bytes, .. } = sfdp.basic;
        let revision = format!("{}.{}", sfdp.revision.0, sfdp.revision.1);
        assert_eq!(Some(&*revision), value["rev"].as_str(), "{name}");
        assert_eq!(Some(u64::from(dwords)), number(value, "bfpt_dwords"), "{name}");
        assert_eq!(Some(size_bytes), number(value, "size_bytes"), "{name}");
        let words = match address_bytes {
            AddressBytes::Three => "3",
            AddressBytes::ThreeOrFour => "3 or 4",
            AddressBytes::Four => "4",
            AddressBytes::Unknown => "reserved",
        };
        assert_eq!(Some(words), value["addr_bytes"].as_str(), "{name}");
        for (ours, value) in erase_types.iter().zip(value["erase"].as_array().unwrap()) {
            match ours {
                None => assert_eq!(number(value, "size"), Some(0), "{name}"),
                Some(ours) => {
                    assert_eq!(Some(u64::from(ours.bytes)), number(value, "size"), "{name}");
                    assert_eq!(Some(ours.opcode), hex(value.get("opcode")), "{name}");
                    check_times(name, ours.times, value, "", "ms", 1_000);
                }
            }
        }
        assert_eq!(page_bytes.map(u64::from), number(value, "page_size"), "{name}");
        check_times(name, sfdp.basic.page_program, value, "page_prog_", "us", 1);
        check_times(name, sfdp.basic.first_byte_program, value, "byte_first_", "us", 1);
        check_times(name, sfdp.basic.next_byte_program, value, "byte_add_", "us", 1);
        check_times(name, sfdp.basic.chip_erase, value, "chip_erase_", "ms", 1_000);
        let power_down = sfdp.basic.power_down;
        assert_eq!(power_down.map(|down| down.enter_opcode), hex(value.get("dpd_enter")), "{name}");
        assert_eq!(power_down.map(|down| down.exit_opcode), hex(value.get("dpd_exit")), "{name}");
        let delay = power_down.map(|down| f64::from(down.exit_delay_ns) / 1000.0);
        assert_eq!(delay, value.get("dpd_exit_delay_us").and_then(Value::as_f64), "{name}");
        let polls = |key| number(value, key) == Some(1);
        assert_eq!(sfdp.basic.has_status_polling, polls("poll_sr05_bit0"), "{name}");
        assert_eq!(sfdp.basic.has_flag_status_polling, polls("poll_fsr70_bit7"), "{name}");
        let or_none = |key| bits(value, key).unwrap_or(0);
        assert_eq!(u64::from(sfdp.basic.four_byte_entry), or_none("enter4b"), "{name}");
        assert_eq!(u64::from(sfdp.basic.four_byte_exit), or_none("exit4b"), "{name}");
        assert_eq!(u64::from(sfdp.basic.soft_reset), or_none("soft_reset"), "{name}");
        assert_eq!(u64::from(sfdp.basic.status_volatility), or_none("sr1_vol"), "{name}");
        assert_eq!(sfdp.basic.quad_enable.map(u64::from), number(value, "qer"), "{name}");
        assert_eq!(sfdp.four_byte.is_some(), value.get("4bait").is_some(), "{name}");
        if let (Some(ours), Some(value)) = (sfdp.four_byte, value.get("4bait")) {
            assert_eq!(Some(u64::from(ours.read)), number(value, "read13"), "{name}");
            assert_eq!(Some(u64::from(ours.fast_read)), number(value, "fast0c"), "{name}");
            assert_eq!(Some(u64::from(ours.program)), number(value, "pp12"), "{name}");
            let opcodes = value["erase_op"].as_array().unwrap();
            let supported = value["erase_supported"].as_array().unwrap();
            for (index, ours) in ours.erase_opcodes.iter().enumerate() {
                let theirs = (supported[index] == 1).then(|| hex(opcodes.get(index)).unwrap());
                assert_eq!(*ours, theirs, "{name}");
            }
        }
    }
    assert!(read(&dump("s28hs02gt")).unwrap().has_sector_map);
}

/// Tables of the first revision, with a basic table of nine DWORDs and this density.
fn small(density: u32) -> Vec<u8> {
    let mut bytes = dump("mx25l3233f");
    bytes[0x34..0x38].copy_from_slice(&density.to_le_bytes());
    bytes
}

// JESD216, DWORD 2 of the basic table; limits as in the Linux driver (exponent up to 63).
#[test]
fn densities_decode_or_are_refused() {
    for (word, size) in [
        (0x07FF_FFFF, 16 << 20),
        (0x7FFF_FFFF, 256 << 20),
        (0x8000_0020, 512 << 20),
        (0x8000_0021, 1 << 30),
        (0x0000_0FFF, 512),
    ] {
        assert_eq!(read(&small(word)).unwrap().basic.size_bytes, size, "{word:#x}");
    }
    for word in [0x8000_0040, 0x8000_0002, 0xFFFF_FFFF] {
        assert_eq!(read(&small(word)), Err(SfdpError::BadDensity(word)));
    }
}

#[test]
fn a_wrong_density_is_reported_as_it_stands() {
    // The data sheet says 128 Mbit: only a data sheet given by the user can correct this.
    assert_eq!(read(&dump("zd25q128c_wrong_density")).unwrap().basic.size_bytes, 2 << 20);
}

// DWORD 10 as intended for S25FL064L: type 3 takes typically 512 ms and at most 2048 ms; as shipped
// in early parts, 1 ms and 4 ms (vendor staff in a forum).
#[test]
fn erase_times_of_a_data_sheet_discussion() {
    let mut bytes = dump("mx66l1g45g");
    let mut type_three = |word: u32| {
        bytes[0x54..0x58].copy_from_slice(&word.to_le_bytes());
        let times = read(&bytes).unwrap().basic.erase_types[2].unwrap().times.unwrap();
        (times.typical_us, times.maximal_us)
    };
    assert_eq!(type_three(0xFF0D_9231), (512_000, 2_048_000));
    assert_eq!(type_three(0xEE00_9231), (1_000, 4_000));
}

#[test]
fn bytes_that_are_not_tables_are_refused() {
    assert_eq!(read(&[]), Err(SfdpError::NoSignature));
    assert_eq!(read(&[0; 64]), Err(SfdpError::NoSignature));
    let mut bytes = dump("mx66l1g45g");
    bytes[5] = 2;
    assert_eq!(read(&bytes), Err(SfdpError::UnknownRevision(2)));
    let mut bytes = dump("mx66l1g45g");
    bytes[11] = 8;
    assert_eq!(read(&bytes), Err(SfdpError::NoBasicTable));
}

#[test]
fn the_latest_basic_table_is_used() {
    // A second basic table of a later minor revision, as JESD216B allows.
    let mut bytes = dump("mx25l3233f");
    let longer = dump("mx66l1g45g");
    bytes[6] = 1;
    bytes[16..24].copy_from_slice(&[0x00, 6, 1, 16, 0x80, 0, 0, 0xFF]);
    bytes.resize(0x80, 0xFF);
    bytes.extend(&longer[0x30..0x70]);
    assert_eq!(read(&bytes).unwrap().basic, read(&longer).unwrap().basic);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4096, ..ProptestConfig::default() })]

    #[test]
    fn no_bytes_make_the_decoder_panic(mut bytes in prop::collection::vec(any::<u8>(), 0..700), sign: bool) {
        if sign && bytes.len() >= 8 {
            let last = bytes[6] % 8;
            bytes[..8].copy_from_slice(&[0x53, 0x46, 0x44, 0x50, 8, 1, last, 0xFF]);
            // Make basic tables frequent, at any address and of any length.
            for header in bytes[8..].chunks_exact_mut(8).take(8) {
                if header[7] & 1 == 1 {
                    header[0] = [0x00, 0x84, 0x81, 0x00][usize::from(header[0] % 4)];
                    header[2] = 1;
                    header[5] &= 1;
                    header[6] = 0;
                    header[7] = 0xFF;
                }
            }
        }
        let _ = read(&bytes);
    }

    #[test]
    fn one_wrong_byte_causes_no_panic(at in 0_usize..612, value: u8, index in 0_usize..16) {
        let name = expected().into_keys().nth(index).unwrap();
        let mut bytes = dump(&name);
        let len = bytes.len();
        bytes[at % len] = value;
        let _ = read(&bytes);
    }
}
