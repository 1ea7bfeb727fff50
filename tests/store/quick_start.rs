//! The quick start of the README.
//!
//! Goal: a reader who copies it gets code that compiles and that says the right thing whatever
//! `open` finds. Method: the lines between the two markers below are compared with the README, they
//! are compiled here, and the errors are made on simulated parts.

use outlast_faultsim::part::spi::{Profile, SpiChip};
use outlast_faultsim::part::{Bias, Chip, Geometry, Nor, Part, Tear};
use outlast_kvstore::Change;
use outlast_kvstore::embedded_storage::nor_flash::ErrorType;

// README: begin
use outlast_kvstore::{Error, Found, Layout, Store};
use outlast_serialnor::embedded_hal::{delay::DelayNs, spi::SpiDevice};
use outlast_serialnor::{Options, SerialNor};

/// Called by the board's `main`. The driver need not verify, since the store does.
fn run(spi: impl SpiDevice, delay: impl DelayNs) -> Result<u8, &'static str> {
    let flash: SerialNor<_, _> = SerialNor::new(spi, delay, Options::new().with_verify(false))
        .map_err(|_| "no flash chip: check the wiring")?;
    // The last 16 KiB of an 8 MiB chip. Nothing else may use them.
    let layout = Layout::serial_nor().with_range(0x7F_C000..0x80_0000);
    let mut store: Store<_, 64> = Store::open(flash, layout).map_err(what_to_do)?;
    let mut buffer = [0; 32];
    let channel = match store.get("radio.channel", &mut buffer) {
        Ok(Some(&[channel])) => channel,
        Ok(_) | Err(Error::Corrupt) => 11, // never set, or lost: see is_doubtful
        Err(error) => return Err(what_to_do(error)),
    };
    store.put("radio.channel", &[channel]).map_err(what_to_do)?;
    store.rest().map_err(what_to_do)?; // before a planned power-off
    Ok(channel)
}

/// Each message says who must act. None of these errors is a reason to erase without asking.
fn what_to_do<E>(error: Error<E>) -> &'static str {
    match error {
        Error::Flash(_) | Error::Worn => "the flash failed: check it, then open again",
        Error::Layout(rule) => rule, // a developer must correct the layout
        Error::IndexFull => "more keys are stored than 64: build with a larger index",
        Error::NotAStore(Found::Counters) => "build with the feature `counters`",
        Error::NotAStore(Found::NewerFormat) => "newer firmware made this store: update",
        Error::NotAStore(Found::OlderFormat) => "older firmware made it: convert it first",
        Error::NotAStore(Found::OtherLayout) => "use the layout and range it was made with",
        Error::NotAStore(_) => "other data, or a damaged store: format if nobody needs it",
        Error::Full => "delete something, or give the store more sectors",
        Error::ReopenNeeded => "an earlier call failed: open again",
        _ => "keep a dump and look into it with `outlast image check`",
    }
}
// README: end

#[test]
fn the_calls_in_five_lines() -> Result<(), Error<<Nor<1, 1> as ErrorType>::Error>> {
    let part = part();
    let flash = part.nor::<1, 1>();
    // README: begin of the calls
    let mut store: Store<_, 64> = Store::open(flash, Layout::serial_nor())?; // up to 64 keys
    store.put("radio.channel", &[11])?;
    let mut buffer = [0; 32];
    let channel = store.get("radio.channel", &mut buffer)?; // Some(&[11])
    // All or nothing:
    store.commit(&[Change::put("net.address", &[10, 0, 0, 7]), Change::delete("net.lease")])?;
    // README: end of the calls
    assert_eq!(channel, Some(&[11][..]));
    Ok(())
}

#[test]
fn the_readme_shows_this_code() {
    let between = |from: &str, to: &str| {
        let (_, code) = include_str!("quick_start.rs").split_once(from).unwrap();
        code.split_once(to).unwrap().0
    };
    let program = between("// README: begin\n", "// README: end\n");
    let calls = between("// README: begin of the calls\n", "    // README: end of the calls\n");
    for code in [program, &calls.replace("\n    ", "\n")[4..]] {
        let block = format!("```rust\n{code}```\n");
        assert!(include_str!("../../README.md").contains(&block), "not in the README:\n{block}");
    }
}

type Small<const N: usize> = Result<Store<Nor<1, 1>, N>, Error<<Nor<1, 1> as ErrorType>::Error>>;

fn part() -> Part {
    Part::new(Chip::new(Geometry::new(4, 4096, 1, 256).unwrap()))
}

fn open<const N: usize>(part: &Part, layout: Layout) -> Small<N> {
    Store::open(part.nor(), layout)
}

/// What the quick start says of a part that does not open.
fn advice<const N: usize>(part: &Part, layout: Layout) -> &'static str {
    what_to_do(open::<N>(part, layout).expect_err("it opened"))
}

#[test]
fn each_error_of_open_names_who_must_act() {
    // Blank: no error, but a new store.
    let blank = part();
    let mut store = open::<4>(&blank, Layout::serial_nor()).unwrap();
    for key in ["a", "b", "c"] {
        store.put(key, b"1").unwrap();
    }
    assert!(advice::<2>(&blank, Layout::serial_nor()).contains("larger index"));
    let half = Layout::serial_nor().with_sector_bytes(8192);
    assert!(advice::<4>(&blank, half).contains("layout and range"));
    let odd = Layout::serial_nor().with_range(1..4096);
    assert!(advice::<4>(&blank, odd).contains("sector boundaries"));

    let foreign = part();
    foreign.chip_mut().program(100, b"somebody else's").unwrap();
    assert!(advice::<4>(&foreign, Layout::serial_nor()).contains("other data"));

    let dead = part();
    let now = dead.chip().step_count();
    dead.chip_mut().cut_at(now, Tear::NOTHING);
    assert!(advice::<4>(&dead, Layout::serial_nor()).contains("open again"));
    let image = dead.chip().image().clone();
    dead.chip_mut().power_up(&image, Bias::ONES);
    assert!(open::<4>(&dead, Layout::serial_nor()).is_ok());
}

/// The simulated chip has its cells in another range, so this range reads as blank and accepts no
/// program: the whole path runs, and ends in an error instead of a value that is not there.
#[test]
fn it_runs_on_a_chip() {
    let part = part();
    let spi = SpiChip::new(&part, Profile::of(&part.chip().geometry()));
    let pause = spi.pause();
    assert!(run(spi, pause).is_err());
}
