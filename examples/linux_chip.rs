//! A real chip from a desk: a serial NOR chip on the SPI bus of a single-board computer with Linux.
//!
//! ```text
//! cargo run --release --example linux_chip -- DEVICE identify
//! cargo run --release --example linux_chip -- DEVICE tables FILE
//! cargo run --release --example linux_chip -- DEVICE dump START..END FILE
//! cargo run --release --example linux_chip -- DEVICE store START..END [--erase]
//! ```
//!
//! DEVICE is `/dev/spidev0.0`, or `/dev/spidev0.0@HERTZ` for another clock than 1 MHz, or
//! `simulated` for a chip in memory, to try the commands. START and END are addresses like
//! `0x7f0000`, on borders of 4 KiB.
//!
//! `identify` prints the ID and what the driver found out. `tables` writes the chip's SFDP tables to a
//! file, for a bug report. `dump` writes a range to a file, for `outlast image check`. `store` opens a
//! store in the range, counts its starts in the setting `bench.starts`, and lists all settings. It
//! refuses a range that is neither blank nor a store unless `--erase` is given, which destroys what is
//! there.
//!
//! Only `store` changes the chip. Caution: check twice which chip it is and what else is in it. A boot
//! loader that is overwritten leaves a board that does not start. The supply of the chip must be that of
//! its data sheet: 3.3 V destroys parts for 1.8 V.
//!
//! Exit codes: 0 done, 1 failed or refused, 2 the command line is not understood.

use std::error::Error;
use std::fs;
use std::ops::Range;
use std::process::ExitCode;

use outlast_faultsim::part::spi::{Pause, Profile, SpiChip};
use outlast_faultsim::part::{Chip, Geometry, Part};
use outlast_kvstore::{Error as StoreError, Layout, Store};
use outlast_serialnor::embedded_hal::delay::DelayNs;
use outlast_serialnor::embedded_hal::spi::{Operation, SpiDevice};
use outlast_serialnor::embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use outlast_serialnor::{Options, SerialNor};

/// As much of the tables as any chip known here has.
const TABLE_BYTES: usize = 1024;
/// Linux passes no more than this to most controllers at once (`spidev.bufsiz`).
const TRANSFER_BYTES: usize = 4096;

const USAGE: &str = "\
linux_chip DEVICE identify
linux_chip DEVICE tables FILE
linux_chip DEVICE dump START..END FILE
linux_chip DEVICE store START..END [--erase]
DEVICE is /dev/spidev0.0, /dev/spidev0.0@HERTZ or simulated; START and END are addresses like 0x7f0000.";

/// What to do.
enum Job {
    Identify,
    Tables(String),
    Dump(Range<u32>, String),
    Store { range: Range<u32>, erase: bool },
}

impl Job {
    fn parse(words: &[String]) -> Option<Self> {
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        Some(match words[..] {
            ["identify"] => Self::Identify,
            ["tables", file] => Self::Tables(file.to_owned()),
            ["dump", range, file] => Self::Dump(parse_range(range)?, file.to_owned()),
            ["store", range] => Self::Store { range: parse_range(range)?, erase: false },
            ["store", range, "--erase"] => Self::Store { range: parse_range(range)?, erase: true },
            _ => return None,
        })
    }

    fn run<SPI: SpiDevice, D: DelayNs>(&self, mut spi: SPI, delay: D) -> Result<(), Box<dyn Error>>
    where
        SPI::Error: 'static,
    {
        // Before the driver starts, since a chip whose tables it refuses is one to report.
        if let Self::Tables(file) = self {
            let tables = read_tables(&mut spi).map_err(|error| format!("{error:?}"))?;
            fs::write(file, &tables)?;
            println!("{} bytes written to {file}", tables.len());
            return Ok(());
        }
        // The store reads back itself.
        let options = Options::new().with_verify(false).with_transfer_bytes(TRANSFER_BYTES);
        let mut chip: SerialNor<SPI, D> =
            SerialNor::new(spi, delay, options).map_err(|error| error.to_string())?;
        let capacity = chip.capacity() as u64;
        match self {
            Self::Identify | Self::Tables(_) => identify(&chip),
            Self::Dump(range, file) => {
                check(range, capacity)?;
                let mut bytes = vec![0; range.len()];
                chip.read(range.start, &mut bytes).map_err(|error| error.to_string())?;
                fs::write(file, &bytes)?;
                println!("{} bytes written to {file}", bytes.len());
            }
            Self::Store { range, erase } => {
                check(range, capacity)?;
                store(&mut chip, range, *erase)?;
            }
        }
        Ok(())
    }
}

fn parse_range(text: &str) -> Option<Range<u32>> {
    let address = |text: &str| match text.strip_prefix("0x") {
        Some(digits) => u32::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    };
    let (start, end) = text.split_once("..")?;
    Some(address(start)?..address(end)?)
}

fn shown(range: &Range<u32>) -> String {
    format!("{:#x}..{:#x}", range.start, range.end)
}

fn check(range: &Range<u32>, capacity: u64) -> Result<(), String> {
    if range.is_empty() || u64::from(range.end) > capacity {
        let range = shown(range);
        return Err(format!("the chip has the addresses 0x0..{capacity:#x}, not all of {range}"));
    }
    Ok(())
}

/// The tables as they are (JESD216: command 5Ah, three address bytes, one dummy byte).
fn read_tables<SPI: SpiDevice>(spi: &mut SPI) -> Result<Vec<u8>, SPI::Error> {
    let mut bytes = vec![0; TABLE_BYTES];
    let command = [0x5A, 0, 0, 0, 0];
    spi.transaction(&mut [Operation::Write(&command), Operation::Read(&mut bytes)])?;
    Ok(bytes)
}

fn identify<SPI: SpiDevice, D: DelayNs>(chip: &SerialNor<SPI, D>) {
    match chip.id() {
        Some(id) => println!("ID              {id}"),
        None => println!("ID              none"),
    }
    let facts = chip.chip();
    println!("capacity        {} bytes", chip.capacity());
    println!("page            {} bytes", facts.page_bytes);
    println!("addresses       {:?}", facts.addressing);
    for erase in facts.erase_types.iter().flatten() {
        println!("erase           {} bytes by command {:02x}h", erase.bytes, erase.opcode);
    }
}

fn store<SPI: SpiDevice, D: DelayNs>(
    chip: &mut SerialNor<SPI, D>,
    range: &Range<u32>,
    erase: bool,
) -> Result<(), String> {
    let layout = Layout::serial_nor().with_range(range.clone());
    let opened = match Store::<_, 64>::open(&mut *chip, layout.clone()) {
        Err(error @ StoreError::NotAStore(_)) if !erase => {
            return Err(format!("{error}; --erase destroys what is there and starts a store"));
        }
        Err(error @ StoreError::NotAStore(_)) => {
            println!("{error}; now it is erased");
            Store::format(chip, layout)
        }
        opened => opened,
    };
    let mut store = opened.map_err(|error| error.to_string())?;
    let starts = count_start(&mut store).map_err(|error| error.to_string())?;
    println!("start {starts} of the store in {}", shown(range));
    store
        .for_each_key(|key, len| println!("{}: {len} bytes", String::from_utf8_lossy(key)))
        .map_err(|error| error.to_string())?;
    store.rest().map_err(|error| error.to_string())
}

/// Counts the starts of the store, and returns their number.
fn count_start<F: NorFlash>(store: &mut Store<F, 64>) -> Result<u32, StoreError<F::Error>> {
    let mut buffer = [0; 4];
    let before = store.get("bench.starts", &mut buffer)?;
    let before = before.and_then(|bytes| bytes.try_into().ok()).map_or(0, u32::from_le_bytes);
    let starts = before.saturating_add(1);
    store.put("bench.starts", &starts.to_le_bytes())?;
    Ok(starts)
}

/// A chip of 128 MiB, in which only four sectors keep what is programmed. It prints which.
fn simulated() -> Result<(SpiChip, Pause), Box<dyn Error>> {
    let part = Part::new(Chip::new(Geometry::new(4, 4096, 1, 256)?));
    let geometry = part.chip().geometry();
    let profile = Profile::of(&geometry);
    let start = profile.base();
    println!("simulated       {}", shown(&(start..start + geometry.bytes())));
    let spi = SpiChip::new(&part, profile);
    let pause = spi.pause();
    Ok((spi, pause))
}

#[cfg(target_os = "linux")]
fn on_device(device: &str, job: &Job) -> Result<(), Box<dyn Error>> {
    use linux_embedded_hal::spidev::{SpiModeFlags, SpidevOptions};
    use linux_embedded_hal::{Delay, SpidevDevice};

    let (path, hertz) = match device.split_once('@') {
        Some((path, hertz)) => (path, hertz.parse()?),
        None => (device, 1_000_000),
    };
    let mut spi = SpidevDevice::open(path).map_err(|error| format!("{path}: {error}"))?;
    let options = SpidevOptions::new()
        .bits_per_word(8)
        .max_speed_hz(hertz)
        .mode(SpiModeFlags::SPI_MODE_0)
        .build();
    spi.configure(&options).map_err(|error| format!("{path}: {error}"))?;
    job.run(spi, Delay)
}

#[cfg(not(target_os = "linux"))]
fn on_device(device: &str, _: &Job) -> Result<(), Box<dyn Error>> {
    Err(format!("{device}: only Linux has such devices; try simulated").into())
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let parsed = words.split_first().and_then(|(device, job)| Some((device, Job::parse(job)?)));
    let Some((device, job)) = parsed else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    let done = match device.as_str() {
        "simulated" => simulated().and_then(|(spi, pause)| job.run(spi, pause)),
        device => on_device(device, &job),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}
