//! A part as it describes itself in its SFDP tables (JESD216), read from a file.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use outlast_faultsim::part::DeviceTime;
use outlast_serialnor::sfdp::{EraseType, Sfdp};
use outlast_serialnor::{SfdpError, Times};

/// The tables take a few hundred bytes; a file above this size is something else.
const MOST_BYTES: u64 = 1 << 20;
const SIGNATURE: &[u8] = b"SFDP";
/// The page size for which the simulated part has its times.
const TIMED_PAGE: u64 = 256;

/// The tables of a chip.
#[derive(Debug)]
pub(super) struct Tables {
    /// For messages.
    pub(super) name: String,
    sfdp: Sfdp,
}

impl Tables {
    /// Reads a dump: raw bytes, or pairs of hex digits.
    pub(super) fn read(path: &Path) -> Result<Self, String> {
        let cannot = |why| format!("cannot read {}: {why}", path.display());
        let mut file = Vec::new();
        let opened = File::open(path).map_err(cannot)?;
        opened.take(MOST_BYTES + 1).read_to_end(&mut file).map_err(cannot)?;
        Self::decode(&path.display().to_string(), &file)
            .map_err(|why| format!("{}: {why}", path.display()))
    }

    fn decode(name: &str, file: &[u8]) -> Result<Self, String> {
        if file.len() as u64 > MOST_BYTES {
            return Err(
                "larger than any SFDP tables; give what the chip returns for command 5Ah from \
                        address 0, not its content"
                    .to_owned(),
            );
        }
        let bytes = if file.starts_with(SIGNATURE) {
            file.to_vec()
        } else {
            std::str::from_utf8(file).ok().and_then(from_hex).unwrap_or_else(|| file.to_vec())
        };
        if !bytes.starts_with(SIGNATURE) {
            return Err(format!(
                "no SFDP tables: begins with {}, not with 53 46 44 50 ('SFDP'); give what the chip \
                 returns for command 5Ah from address 0, as raw bytes or as pairs of hex digits",
                start(&bytes)
            ));
        }
        let sfdp = Sfdp::read(|at, out| -> Result<(), usize> {
            let end = at as usize + out.len();
            let chunk = bytes.get(at as usize..end).ok_or(end)?;
            out.copy_from_slice(chunk);
            Ok(())
        });
        let sfdp = sfdp.map_err(|why: SfdpError<usize>| match why {
            SfdpError::Bus(end) => format!(
                "cut short: {} bytes, but the tables needed extend at least to byte {end}; read more from \
                 the chip",
                bytes.len()
            ),
            why => format!("tables that cannot be used: {why}"),
        })?;
        Ok(Self { name: name.to_owned(), sfdp })
    }

    /// Which tables these are, as text.
    pub(super) fn source(&self) -> String {
        let (major, minor) = self.sfdp.revision;
        let assumed = if self.sfdp.basic.page_bytes.is_none() { ", page assumed" } else { "" };
        format!(
            "SFDP tables in {} (revision {major}.{minor}, {} bytes{assumed})",
            self.name, self.sfdp.basic.size_bytes
        )
    }

    /// How many sectors of this size the chip has.
    pub(super) fn sectors(&self, sector_bytes: u32) -> u32 {
        let sectors = self.sfdp.basic.size_bytes / u64::from(sector_bytes.max(1));
        u32::try_from(sectors).unwrap_or(u32::MAX)
    }

    /// The page size; revision 1.0 does not give it.
    pub(super) fn page_bytes(&self) -> Option<u32> {
        self.sfdp.basic.page_bytes
    }

    /// The default sector size: 4096 if the chip can erase that, otherwise the next larger size.
    pub(super) fn default_sector_bytes(&self) -> Result<u32, String> {
        let sizes = self.erase_types()?.into_iter().map(|erase| erase.bytes);
        sizes.filter(|bytes| (4096..=128 * 1024).contains(bytes)).min().ok_or_else(|| {
            format!("{}: there is no erase command for 4096 to 131072 bytes", self.name)
        })
    }

    /// The erase commands that have the same meaning everywhere on the chip, as in the driver.
    fn erase_types(&self) -> Result<Vec<EraseType>, String> {
        let types: Vec<EraseType> = self.sfdp.basic.erase_types.into_iter().flatten().collect();
        let means_two =
            |a: &EraseType| types.iter().any(|b| a.opcode == b.opcode && a.bytes != b.bytes);
        if self.sfdp.has_sector_map || types.iter().all(means_two) {
            return Err(format!(
                "{}: it is not clear from these tables which erase command works where; take sector_bytes \
                 and sector_erase_ms from the data sheet and put them under [part] in a product file",
                self.name
            ));
        }
        Ok(types.iter().filter(|erase| !means_two(erase)).copied().collect())
    }

    /// The time to erase a sector of this size with the largest command that fits, as the driver
    /// does. `None` if the tables have no times.
    pub(super) fn sector_erase(&self, sector_bytes: u32) -> Result<Option<DeviceTime>, String> {
        let types = self.erase_types()?;
        let fitting = types.iter().filter(|erase| erase.bytes <= sector_bytes);
        let erase = fitting.max_by_key(|erase| erase.bytes).ok_or_else(|| {
            let smallest = types.iter().map(|erase| erase.bytes).min().unwrap_or(0);
            format!(
                "--sector-bytes {sector_bytes}: {} erases {smallest} bytes or more at once",
                self.name
            )
        })?;
        // Both are powers of two.
        let commands = u64::from(sector_bytes / erase.bytes);
        Ok(erase.times.map(|times| {
            let one = nanoseconds(times);
            DeviceTime {
                typical_ns: commands.saturating_mul(one.typical_ns),
                maximal_ns: commands.saturating_mul(one.maximal_ns),
            }
        }))
    }

    /// The time to program a single byte.
    pub(super) fn byte_program(&self) -> Option<DeviceTime> {
        self.sfdp.basic.first_byte_program.map(nanoseconds)
    }

    /// The time to program 256 bytes, if each byte after the first takes the same time.
    pub(super) fn page_program(&self) -> Option<DeviceTime> {
        let basic = &self.sfdp.basic;
        let (byte, page) = (self.byte_program()?, nanoseconds(basic.page_program?));
        let further = u64::from(basic.page_bytes?).saturating_sub(1).max(1);
        let timed = |byte: u64, page: u64| {
            byte + page.saturating_sub(byte).saturating_mul(TIMED_PAGE - 1) / further
        };
        Some(DeviceTime {
            typical_ns: timed(byte.typical_ns, page.typical_ns),
            maximal_ns: timed(byte.maximal_ns, page.maximal_ns),
        })
    }
}

fn nanoseconds(times: Times) -> DeviceTime {
    DeviceTime {
        typical_ns: times.typical_us.saturating_mul(1000),
        maximal_ns: times.maximal_us.saturating_mul(1000),
    }
}

/// Bytes from pairs of hexadecimal digits, which may have `0x` before them and white space or
/// commas between them. `None` if the text is something else.
fn from_hex(text: &str) -> Option<Vec<u8>> {
    let words = text.split(|c: char| c.is_ascii_whitespace() || c == ',');
    let mut bytes = Vec::new();
    for word in words.filter(|word| !word.is_empty()) {
        let digits = word.strip_prefix("0x").or_else(|| word.strip_prefix("0X")).unwrap_or(word);
        for pair in digits.as_bytes().chunks(2) {
            let &[high, low] = pair else { return None };
            let digit = |c: u8| char::from(c).to_digit(16);
            bytes.push((digit(high)? * 16 + digit(low)?) as u8);
        }
    }
    (!bytes.is_empty()).then_some(bytes)
}

/// The first bytes as text.
fn start(bytes: &[u8]) -> String {
    let digits: Vec<String> = bytes.iter().take(4).map(|byte| format!("{byte:02x}")).collect();
    if digits.is_empty() { "nothing".to_owned() } else { digits.join(" ") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use outlast_costs::sheet::Sheet;
    use serde_json::Value;

    fn dump(name: &str) -> Vec<u8> {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/serialnor/tests/sfdp");
        std::fs::read(format!("{folder}/{name}")).unwrap()
    }

    fn tables(name: &str) -> Tables {
        Tables::decode(name, &dump(&format!("{name}.hex"))).unwrap()
    }

    fn us(time: Option<DeviceTime>) -> Option<(u64, u64)> {
        time.map(|time| (time.typical_ns / 1000, time.maximal_ns / 1000))
    }

    /// Tables of real chips, compared with the independent decode next to them; see
    /// `serialnor/tests/sfdp/README.md`.
    #[test]
    fn real_chips_as_decoded_elsewhere() {
        let expected: Value = serde_json::from_slice(&dump("expected.json")).unwrap();
        let expected = expected.as_object().unwrap();
        assert_eq!(expected.len(), 16);
        let mut timed = 0;
        for (name, chip) in expected {
            let tables = tables(name);
            let number = |value: &Value, key: &str| value.get(key).and_then(Value::as_u64);
            let pair =
                |value: &Value, a, b, per| Some((number(value, a)? * per, number(value, b)? * per));
            assert_eq!(u64::from(tables.sectors(4096)) * 4096, number(chip, "size_bytes").unwrap());
            assert_eq!(tables.page_bytes().map(u64::from), number(chip, "page_size"), "{name}");
            let byte = pair(chip, "byte_first_typ_us", "byte_first_max_us", 1);
            assert_eq!(us(tables.byte_program()), byte, "{name}");
            let page = pair(chip, "page_prog_typ_us", "page_prog_max_us", 1);
            timed += u32::from(page.is_some());
            if tables.page_bytes() == Some(256) {
                assert_eq!(us(tables.page_program()), page, "{name}");
            }
            if matches!(&**name, "s25fs256t" | "s28hs02gt") {
                // One has a command with two sizes, the other a map of commands.
                assert!(tables.default_sector_bytes().unwrap_err().contains("not clear"), "{name}");
                continue;
            }
            assert_eq!(tables.default_sector_bytes(), Ok(4096), "{name}");
            let types = chip.get("erase").and_then(Value::as_array).unwrap();
            let small = types.iter().find(|kind| number(kind, "size") == Some(4096)).unwrap();
            let erase = pair(small, "typ_ms", "max_ms", 1000);
            assert_eq!(us(tables.sector_erase(4096).unwrap()), erase, "{name}");
        }
        assert_eq!(timed, 10);
    }

    /// The parts known by name whose times were typed in by hand from tables.
    #[test]
    fn the_parts_known_by_name() {
        for (dump, name) in [("mx66l1g45g", "mx66l1g45g"), ("mt25qu256a", "mt25ql128a")] {
            let (tables, sheet) = (tables(dump), Sheet::by_name(name).unwrap().timing);
            assert_eq!(tables.byte_program(), Some(sheet.byte_program));
            assert_eq!(tables.page_program(), Some(sheet.page_program));
            assert_eq!(tables.sector_erase(4096), Ok(Some(sheet.erase_4k)));
        }
    }

    /// mt25qu256a: 48 ms for 4 KiB, 112 for 32 KiB, 160 for 64 KiB.
    #[test]
    fn large_sectors_use_large_commands() {
        let tables = tables("mt25qu256a");
        let ms = |bytes| us(tables.sector_erase(bytes).unwrap()).unwrap().0 / 1000;
        assert_eq!([4096, 8192, 32_768, 65_536, 131_072].map(ms), [48, 96, 112, 160, 320]);
        assert!(tables.sector_erase(2048).unwrap_err().contains("4096 bytes or more"));
    }

    /// 128 bytes in 640 us, the first in 128: 512 us for 127 more, so 255 more take 1028.
    #[test]
    fn times_are_scaled_to_pages_of_256_bytes() {
        let page = us(tables("s25fs256t").page_program());
        assert_eq!(page, Some((128 + 512 * 255 / 127, 512 + 2048 * 255 / 127)));
    }

    #[test]
    fn raw_bytes_and_digits_are_the_same() {
        let raw = from_hex(std::str::from_utf8(&dump("mt25qu256a.hex")).unwrap()).unwrap();
        assert_eq!(raw.len(), 136);
        let plain: String = raw.iter().map(|byte| format!("{byte:02X}")).collect();
        let list: Vec<String> = raw.iter().map(|byte| format!("0x{byte:02x}")).collect();
        for form in [raw, plain.into_bytes(), list.join(", ").into_bytes()] {
            assert_eq!(Tables::decode("", &form).unwrap().sfdp, tables("mt25qu256a").sfdp);
        }
    }

    #[test]
    fn errors_in_a_dump_are_explained() {
        let raw = from_hex(std::str::from_utf8(&dump("mt25qu256a.hex")).unwrap()).unwrap();
        let refused = |file: &[u8]| Tables::decode("", file).unwrap_err();
        for len in 4..raw.len() {
            assert!(refused(&raw[..len]).contains("cut short"), "{len}");
        }
        assert!(refused(&[]).contains("begins with nothing"));
        assert!(refused(&[0xFF; 256]).contains("begins with ff ff ff ff"));
        assert!(refused(b"hello").contains("5Ah"));
        assert!(refused(&vec![0; 1 << 20 | 1]).contains("not its content"));
        let with = |at: usize, byte: u8| {
            let mut changed = raw.clone();
            changed[at] = byte;
            refused(&changed)
        };
        assert!(with(5, 2).contains("revision 2"));
        assert!(with(11, 3).contains("complete basic table"));
    }
}
