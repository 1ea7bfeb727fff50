//! What a chip says about itself, read until two readings agree.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

use crate::bus::{Bus, Command};
use crate::checksum::Checksum;
use crate::deadline::Deadline;
use crate::error::{Error, Work};
use crate::id::{JedecId, stuck};
use crate::opcode;
use crate::options::Policy;
use crate::sfdp::{Sfdp, SfdpError};

/// Time between two attempts to read the ID of a chip that is busy.
const ID_PAUSE_US: u32 = 1_000;
/// How often something is read until it reads the same twice in a row.
const READINGS: u32 = 4;

/// Reads the chip's ID. A chip whose supply just came up does not answer yet, and neither does one
/// that shows only in its flag status that it is busy.
pub(crate) fn identify<SPI: SpiDevice, D: DelayNs>(
    bus: &mut Bus<SPI, D>,
    policy: &Policy,
) -> Result<Option<JedecId>, Error<SPI::Error>> {
    let mut deadline = Deadline::new(policy.start_timeout_us);
    let mut before = None;
    let mut readings = 0;
    loop {
        let mut answer = [0; JedecId::ANSWER_BYTES];
        bus.receive(Command::plain(opcode::READ_ID), &mut answer).map_err(Error::Bus)?;
        let Some(level) = stuck(&answer) else {
            let id = JedecId::parse(&answer);
            if before.replace(id) == Some(id) {
                return Ok(id);
            }
            readings += 1;
            match id {
                Some(id) if readings >= READINGS => return Err(Error::BadId(id)),
                _ if readings >= READINGS => return Ok(None),
                _ => continue,
            }
        };
        let flags = bus.ask(Command::plain(opcode::READ_FLAG_STATUS)).map_err(Error::Bus)?;
        if flags == level || flags & opcode::FLAG_READY != 0 {
            if deadline.has_spent(policy.power_up_us) {
                return Err(Error::BusStuck(level));
            }
        } else if deadline.is_over() {
            return Err(Error::StillBusy { work: Work::Start, status: flags });
        }
        bus.delay.delay_us(ID_PAUSE_US);
        deadline.spend(ID_PAUSE_US);
    }
}

/// Reads the tables of the chip, which have no checksum, until two readings agree.
pub(crate) fn read_tables<SPI: SpiDevice, D: DelayNs>(
    bus: &mut Bus<SPI, D>,
    transfer_bytes: usize,
) -> Result<Sfdp, SfdpError<SPI::Error>> {
    let mut before = None;
    for _ in 0..READINGS {
        let mut sum = Checksum::new();
        let tables = Sfdp::read(|at, out| fetch(bus, transfer_bytes, &mut sum, at, out));
        // What was decoded follows from the bytes.
        if matches!(tables, Err(SfdpError::Bus(_))) || before.replace(sum) == Some(sum) {
            return tables;
        }
    }
    Err(SfdpError::ReadingsDiffer)
}

/// Reads some bytes of the tables.
// Outlined, since the decoder calls it in several places.
#[inline(never)]
fn fetch<SPI: SpiDevice, D: DelayNs>(
    bus: &mut Bus<SPI, D>,
    transfer_bytes: usize,
    sum: &mut Checksum,
    mut at: u32,
    out: &mut [u8],
) -> Result<(), SPI::Error> {
    let command = |at| Command::with_three(opcode::READ_SFDP, at).with_dummy();
    let room = transfer_bytes.saturating_sub(command(at).len()).max(1);
    for piece in out.chunks_mut(room) {
        bus.receive(command(at), piece)?;
        piece.iter().for_each(|byte| sum.push(*byte));
        at = at.wrapping_add(piece.len() as u32);
    }
    Ok(())
}
