//! Storage code in another language, as a separate program that communicates over a pipe.
//!
//! Why a program and not a linked library? Firmware keeps its state in static variables, which one
//! process cannot provide for several power-ups at a time. Code that writes outside its memory or
//! never returns must not take the rig down with it. And nobody needs a Rust tool chain, an FFI or
//! the same compiler flags. The price is a context switch per request.
//!
//! `examples/c-subject/` holds the other end in C, so that a firmware team only writes the code
//! that opens, writes and reads. Any language will do that can read and write bytes. In both
//! directions, a message is a letter, the length of the rest in 4 bytes, and the rest. Numbers are
//! little-endian.
//!
//! Requests of the rig. The answer is `D` if nothing else is said:
//!
//! - `O` power up: sectors, sector bytes, unit and page, each 4 bytes; then all cells, or nothing
//!   if some of them are marginal.
//! - `P` put: length of the name (1 byte), name, value.
//! - `E` delete: name.
//! - `C` clear and `T` tidy: nothing.
//! - `B` batch: changes, each of them length of the name (1 byte), name, and then either 1, length
//!   (4 bytes) and value, or 0 to delete.
//! - `G` get: name. The answer is `D` with the value.
//! - `X` power off: nothing. The answer is `K`.
//! - `L` limit, sent before a power-up: the seconds for each request from then on (4 bytes), after
//!   which the code is to be killed by signal 14. There is no answer, and the program may ignore
//!   it.
//!
//! Answers of the rig to the program: `d` data, with the bytes read; and `k` done, `f` power is off
//! and `e` refused, with nothing.
//!
//! Messages of the program:
//!
//! - `H` hello, once at the start: version of this protocol (1 byte: 1), name of the storage
//!   implementation.
//! - `r` read: address and length, each 4 bytes.
//! - `p` program: the earlier reads; address, data.
//! - `e` erase: the earlier reads; address and length, each 4 bytes.
//! - `n` note: the earlier reads.
//! - `D` done: the earlier reads; then 0 done, 1 absent, 2 full, 3 damaged, 4 refused or 5 broken;
//!   then value or reason.
//! - `K` dead: number of the signal that killed what `O` began (1 byte), or 0; then its exit code
//!   (1 byte).
//!
//! *The earlier reads*: a program that was given all cells with `O` reads them without asking, and
//! reports later what it read, so that bounds are checked and endless loops found: the number of
//! reads (2 bytes), then address and length of each. After `f` it must end what `O` began, since
//! the power is gone.

use std::fmt;
use std::io::{self, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::Duration;

use crate::part::{Part, PartError};
use crate::subject::{Change, KeyNames, Op, OpKind, Subject, Trouble};

/// The version of the protocol above.
const VERSION: u8 = 1;
/// The longest message that is accepted from a program, and the longest read.
const MOST_BYTES: u32 = 1 << 27;
/// Signals that no code sends to itself: SIGHUP, SIGINT, SIGKILL and SIGTERM (POSIX.1-2017,
/// "kill"). Whoever ends a run may send them to the programs too.
const FROM_OUTSIDE: [u8; 4] = [1, 2, 9, 15];
/// The time to wait after such a signal, so that the rig learns first that the run is being ended.
const SHUTDOWN_TIME: Duration = Duration::from_millis(100);
/// The signal of `alarm`, with which a program ends a request that takes too long.
const ALARM: u8 = 14;
/// The seconds that a program grants a request.
const SECONDS_PER_REQUEST: u32 = 10;
/// The seconds it is asked to grant after [`FULL_TIMEOUTS`] requests took too long. From then on,
/// each further image with an endless loop costs as much.
const SECONDS_ONCE_KNOWN: u32 = 2;
/// The number of requests that may take the full time.
const FULL_TIMEOUTS: u32 = 2;
/// The time a program has to say hello.
const HELLO_TIME: Duration = Duration::from_secs(10);

/// Storage code as a separate program.
///
/// The program is started once per thread. [`Subject::open`] asks it to begin afresh each time.
#[derive(Debug)]
pub struct Program {
    shared: Arc<Shared>,
    name: &'static str,
}

#[derive(Debug)]
struct Shared {
    program: std::path::PathBuf,
    idle: Mutex<Vec<Running>>,
    /// Requests that were not answered in time.
    timeouts: AtomicU32,
}

impl Shared {
    /// The seconds for each request of the next power-up.
    fn limit(&self) -> u32 {
        let known = self.timeouts.load(Ordering::Relaxed) >= FULL_TIMEOUTS;
        if known { SECONDS_ONCE_KNOWN } else { SECONDS_PER_REQUEST }
    }
}

/// A process, with the power off.
#[derive(Debug)]
struct Running {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    /// The seconds that it has for a request.
    limit: u32,
}

/// Why a program cannot be tested by the rig.
#[derive(Debug)]
#[non_exhaustive]
pub enum ProgramError {
    /// It could not be started.
    Start(io::Error),
    /// It ended, said nothing for ten seconds, or said something other than hello.
    Hello(String),
}

impl fmt::Display for ProgramError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Start(error) => write!(out, "it cannot be started: {error}"),
            Self::Hello(why) => write!(out, "it does not speak the protocol of the rig: {why}"),
        }
    }
}

impl std::error::Error for ProgramError {}

impl Program {
    /// Starts the program and asks for its name.
    ///
    /// # Errors
    ///
    /// [`ProgramError`].
    pub fn start(program: &Path) -> Result<Self, ProgramError> {
        let (running, name) = Running::start(program)?;
        let idle = Mutex::new(vec![running]);
        let shared = Shared { program: program.to_owned(), idle, timeouts: AtomicU32::new(0) };
        // A subject lives as long as the run, and reports may ask for its name at any time.
        Ok(Self { shared: Arc::new(shared), name: name.leak() })
    }
}

impl Subject for Program {
    type Store = Powered;

    fn name(&self) -> &'static str {
        self.name
    }

    fn open(&self, part: &Part) -> Result<Powered, Trouble> {
        let idle = self.shared.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut running = match idle {
            Some(running) => running,
            None => {
                let started = Running::start(&self.shared.program);
                started.map_err(|error| Trouble::Crashed(error.to_string()))?.0
            }
        };
        let shared = Arc::clone(&self.shared);
        if shared.limit() != running.limit {
            running.limit = shared.limit();
            // If the program is gone, the next request reports that.
            let _ = running.send(b'L', &running.limit.to_le_bytes());
        }
        let mut store = Powered { running: Some(running), alive: true, part: part.clone(), shared };
        let chip = part.chip();
        let geometry = chip.geometry();
        let sizes = [geometry.sectors, geometry.sector_bytes, geometry.unit, geometry.page];
        let mut request: Vec<u8> = sizes.iter().flat_map(|size| size.to_le_bytes()).collect();
        if !chip.image().has_marginal() {
            request.extend(chip.image().bytes());
        }
        drop(chip);
        let up = store.ask(b'O', &request)?;
        up.map(|_| store).ok_or_else(|| not_absent("a power-up"))
    }

    fn apply(&self, store: &mut Powered, op: &Op, keys: &KeyNames) -> Result<(), Trouble> {
        let (letter, rest) = request(op, keys)?;
        match store.ask(letter, &rest)? {
            // Deleting a setting that is absent is not an error.
            None if op.kind() != OpKind::Delete => Err(not_absent(&format!("a {}", op.kind()))),
            _ => Ok(()),
        }
    }

    fn get(&self, store: &mut Powered, key: &str, out: &mut Vec<u8>) -> Result<bool, Trouble> {
        out.clear();
        let value = store.ask(b'G', key.as_bytes())?;
        Ok(value.map(|value| out.extend(value)).is_some())
    }
}

/// Encodes an operation as a message.
fn request(op: &Op, keys: &KeyNames) -> Result<(u8, Vec<u8>), Trouble> {
    let named = |key: u16| -> Result<Vec<u8>, Trouble> {
        let name = keys.name(key).as_bytes();
        let len = u8::try_from(name.len());
        let len = len.map_err(|_| Trouble::Refused("name longer than 255 bytes".to_owned()))?;
        Ok([&[len], name].concat())
    };
    Ok(match op {
        Op::Put { key, value } => (b'P', [named(*key)?, value.clone()].concat()),
        Op::Delete { key } => (b'E', keys.name(*key).as_bytes().to_vec()),
        Op::Batch(changes) => {
            let mut rest = Vec::new();
            for change in changes {
                match change {
                    Change::Put { key, value } => {
                        rest.extend(named(*key)?);
                        rest.push(1);
                        rest.extend(u32::try_from(value.len()).unwrap_or(u32::MAX).to_le_bytes());
                        rest.extend(value);
                    }
                    Change::Delete { key } => {
                        rest.extend(named(*key)?);
                        rest.push(0);
                    }
                }
            }
            (b'B', rest)
        }
        Op::Clear => (b'C', Vec::new()),
        Op::Tidy => (b'T', Vec::new()),
        Op::Reopen => return Ok((b'T', Vec::new())),
    })
}

/// The program during one power-up.
#[derive(Debug)]
pub struct Powered {
    /// `None` once the program has stopped answering.
    running: Option<Running>,
    /// Whether what `O` began is still running.
    alive: bool,
    part: Part,
    shared: Arc<Shared>,
}

impl Powered {
    /// Sends a request, and serves what the program asks of the part until the request is answered.
    fn ask(&mut self, letter: u8, rest: &[u8]) -> Result<Option<Vec<u8>>, Trouble> {
        if !self.alive {
            return Err(Trouble::Crashed("the program died earlier in this power-up".to_owned()));
        }
        // If the part stops code that ignores errors, the process is dropped during the unwinding.
        let Some(mut running) = self.running.take() else {
            return Err(Trouble::Crashed("the program is gone".to_owned()));
        };
        let answer = running.send(letter, rest).and_then(|()| running.serve(&self.part));
        if answer.is_ok() {
            self.running = Some(running);
        }
        match answer {
            Ok(Answer::Done(status, rest)) => answered(status, rest),
            Ok(Answer::Dead { signal, code }) => {
                self.alive = false;
                if self.part.chip().is_off() {
                    return Err(Trouble::PowerOff);
                }
                if FROM_OUTSIDE.contains(&signal) {
                    std::thread::sleep(SHUTDOWN_TIME);
                }
                if signal == ALARM {
                    let running = self.running.as_ref();
                    let limit = running.map_or(SECONDS_PER_REQUEST, |running| running.limit);
                    self.shared.timeouts.fetch_add(1, Ordering::Relaxed);
                    let sentence = format!("the program did not answer within {limit} seconds");
                    return Err(Trouble::TimedOut(sentence));
                }
                Err(Trouble::Crashed(died(signal, code)))
            }
            Err(error) => {
                std::thread::sleep(SHUTDOWN_TIME);
                Err(Trouble::Crashed(format!("the program does not answer: {error}")))
            }
        }
    }
}

/// The error for a program that answers `absent` instead of acknowledging an operation.
fn not_absent(what: &str) -> Trouble {
    Trouble::Broken(format!(
        "it answers {what} with 'absent' (status 1), which is for get and delete"
    ))
}

fn answered(status: u8, rest: Vec<u8>) -> Result<Option<Vec<u8>>, Trouble> {
    let reason = |without: &str| match String::from_utf8_lossy(&rest) {
        text if text.is_empty() => format!("{without} (status {status})"),
        text => text.into_owned(),
    };
    match status {
        0 => Ok(Some(rest)),
        1 => Ok(None),
        2 => Err(Trouble::Full),
        3 => Err(Trouble::Corrupt),
        4 => Err(Trouble::Refused(reason("it gives no reason"))),
        5 => Err(Trouble::Broken(reason("it says it is broken"))),
        _ => Err(Trouble::Broken(format!("unknown status {status}"))),
    }
}

fn died(signal: u8, code: u8) -> String {
    // These numbers are fixed by POSIX.1-2017, "kill", for these names; 11 is the customary one.
    match signal {
        0 => format!("the program ended by itself, exit code {code}"),
        6 => "the program was killed by signal 6 (abort)".to_owned(),
        11 => "the program was killed by signal 11 (bad memory access)".to_owned(),
        signal => format!("the program was killed by signal {signal}"),
    }
}

impl Drop for Powered {
    fn drop(&mut self) {
        let Some(mut running) = self.running.take() else { return };
        // After a cut, what `O` began has already ended.
        if self.alive {
            let over = running.send(b'X', &[]).and_then(|()| running.serve(&self.part));
            if !matches!(over, Ok(Answer::Dead { .. })) {
                return;
            }
        }
        self.shared.idle.lock().unwrap_or_else(PoisonError::into_inner).push(running);
    }
}

enum Answer {
    Done(u8, Vec<u8>),
    Dead { signal: u8, code: u8 },
}

fn protocol_error(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, what)
}

impl Running {
    fn start(program: &Path) -> Result<(Self, String), ProgramError> {
        let mut command = Command::new(program);
        command.stdin(Stdio::piped()).stdout(Stdio::piped());
        // Ctrl-C goes to all processes of a group. The rig is to end these processes itself, once
        // it has its result. If the rig ends in another way, its end of the pipe closes, and they
        // end too.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let mut child = command.spawn().map_err(ProgramError::Start)?;
        let (Some(to), Some(out)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(ProgramError::Hello("it has no pipes".to_owned()));
        };
        // A program that knows nothing of the rig may wait for input forever.
        let (send, receive) = mpsc::channel();
        let reader = std::thread::spawn(move || {
            let mut from = BufReader::new(out);
            let hello = receive_from(&mut from);
            // Nothing is listening any more once the time is up.
            let _ = send.send((hello, from));
        });
        let Ok((hello, from)) = receive.recv_timeout(HELLO_TIME) else {
            let _ = child.kill();
            let _ = child.wait();
            return Err(ProgramError::Hello("it says nothing".to_owned()));
        };
        let _ = reader.join();
        let running = Self { child, to, from, limit: SECONDS_PER_REQUEST };
        let (letter, rest) = hello.map_err(|error| ProgramError::Hello(error.to_string()))?;
        match (letter, rest.split_first()) {
            (b'H', Some((&VERSION, name))) if !name.is_empty() && name.len() < 64 => {
                let name = String::from_utf8(name.to_vec());
                let name =
                    name.map_err(|_| ProgramError::Hello("its name is not text".to_owned()))?;
                Ok((running, name))
            }
            (b'H', Some((version, name))) => {
                let why = format!(
                    "it says version {version} and a name of {} bytes; expected are version \
                     {VERSION} and 1 to 63 bytes",
                    name.len()
                );
                Err(ProgramError::Hello(why))
            }
            _ => Err(ProgramError::Hello("it does not begin with hello".to_owned())),
        }
    }

    fn send(&mut self, letter: u8, rest: &[u8]) -> io::Result<()> {
        let len = u32::try_from(rest.len()).map_err(|_| protocol_error("message too long"))?;
        let mut message = Vec::with_capacity(5 + rest.len());
        message.push(letter);
        message.extend(len.to_le_bytes());
        message.extend(rest);
        self.to.write_all(&message)?;
        self.to.flush()
    }

    /// Serves the program until it has answered.
    fn serve(&mut self, part: &Part) -> io::Result<Answer> {
        loop {
            let (letter, rest) = receive_from(&mut self.from)?;
            let mut rest = Fields(&rest);
            if matches!(letter, b'p' | b'e' | b'n' | b'D')
                && let Err(error) = repeat_reads(&mut rest, part)?
            {
                // The reads failed, so whatever comes with them is not carried out.
                match letter {
                    b'D' => {}
                    _ => {
                        self.refuse(error)?;
                        continue;
                    }
                }
            }
            let result = match letter {
                b'r' => {
                    let (at, len) = (rest.number()?, rest.number()?);
                    if len > MOST_BYTES {
                        return Err(protocol_error("read too long"));
                    }
                    let mut bytes = vec![0; len as usize];
                    match part.chip_mut().read(at, &mut bytes) {
                        Ok(()) => {
                            self.send(b'd', &bytes)?;
                            continue;
                        }
                        Err(error) => Err(error),
                    }
                }
                b'p' => {
                    let at = rest.number()?;
                    part.chip_mut().program(at, rest.0)
                }
                b'e' => {
                    let (at, len) = (rest.number()?, rest.number()?);
                    part.chip_mut().erase(at, at.saturating_add(len))
                }
                b'n' => Ok(()),
                b'D' => {
                    let status = rest.byte()?;
                    return Ok(Answer::Done(status, rest.0.to_vec()));
                }
                b'K' => return Ok(Answer::Dead { signal: rest.byte()?, code: rest.byte()? }),
                _ => return Err(protocol_error("it sent a message that is not in the protocol")),
            };
            match result {
                Ok(()) => self.send(b'k', &[])?,
                Err(error) => self.refuse(error)?,
            }
        }
    }

    fn refuse(&mut self, error: PartError) -> io::Result<()> {
        self.send(if error == PartError::PowerOff { b'f' } else { b'e' }, &[])
    }
}

/// Repeats the reads that the program did without asking, so that they count.
fn repeat_reads(rest: &mut Fields<'_>, part: &Part) -> io::Result<Result<(), PartError>> {
    let count = rest.short()?;
    let mut chip = part.chip_mut();
    let mut bytes = Vec::new();
    let mut result = Ok(());
    for _ in 0..count {
        let (at, len) = (rest.number()?, rest.number()?);
        if len > MOST_BYTES {
            return Err(protocol_error("read too long"));
        }
        bytes.resize(len as usize, 0);
        if result.is_ok() {
            result = chip.read(at, &mut bytes);
        }
    }
    Ok(result)
}

fn receive_from(from: &mut impl Read) -> io::Result<(u8, Vec<u8>)> {
    let mut head = [0; 5];
    from.read_exact(&mut head).map_err(|error| match error.kind() {
        io::ErrorKind::UnexpectedEof => protocol_error("it ended"),
        _ => error,
    })?;
    let [letter, len @ ..] = head;
    let len = u32::from_le_bytes(len);
    if len > MOST_BYTES {
        return Err(protocol_error("its message is too long"));
    }
    let mut rest = vec![0; len as usize];
    from.read_exact(&mut rest)?;
    Ok((letter, rest))
}

/// The rest of a message, which is parsed field by field.
struct Fields<'rest>(&'rest [u8]);

impl Fields<'_> {
    fn take<const N: usize>(&mut self) -> io::Result<[u8; N]> {
        let (first, rest) =
            self.0.split_first_chunk().ok_or_else(|| protocol_error("short message"))?;
        self.0 = rest;
        Ok(*first)
    }

    fn byte(&mut self) -> io::Result<u8> {
        self.take().map(|[byte]| byte)
    }

    fn short(&mut self) -> io::Result<u16> {
        self.take().map(u16::from_le_bytes)
    }

    fn number(&mut self) -> io::Result<u32> {
        self.take().map(u32::from_le_bytes)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Kills only a process started here, which would otherwise stay as a zombie.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn programs_without_the_protocol_are_refused() {
        let why = |path: &str| Program::start(Path::new(path)).unwrap_err().to_string();
        assert!(why("/no/such/program").starts_with("it cannot be started: "));
        assert!(why("true").contains("it ended"), "{}", why("true"));
        assert!(why("env").contains("it"), "{}", why("env"));
    }

    #[test]
    fn statuses_become_messages() {
        let words = |status, rest: &[u8]| format!("{:?}", answered(status, rest.to_vec()));
        assert!(words(5, b"").contains("it says it is broken (status 5)"));
        assert!(words(5, b"no crystal").contains("\"no crystal\""));
        assert!(words(4, b"").contains("(status 4)"));
        assert!(words(77, b"").contains("unknown status 77"));
    }

    #[test]
    fn requests_are_encoded_as_documented() {
        let keys = KeyNames::new(["a", "bc"]);
        let batch =
            Op::Batch(vec![Change::Put { key: 1, value: vec![7] }, Change::Delete { key: 0 }]);
        let (letter, rest) = request(&batch, &keys).unwrap();
        assert_eq!((letter, rest.as_slice()), (b'B', &b"\x02bc\x01\x01\0\0\0\x07\x01a\x00"[..]));
        let put = Op::Put { key: 0, value: vec![1, 2] };
        assert_eq!(request(&put, &keys).unwrap(), (b'P', b"\x01a\x01\x02".to_vec()));
    }
}
