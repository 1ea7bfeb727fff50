//! The emulator.
//!
//! Builds the firmware, runs the emulator as a process, and talks to its serial line and monitor.

use std::env;
use std::fs::{self, File};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::ops::Range;
use std::os::unix::fs::FileExt as _;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

/// A program of the example, and what it runs on.
#[derive(Debug)]
pub(crate) struct Program {
    name: &'static str,
    target: &'static str,
    board: &'static str,
    features: &'static str,
    emulator: &'static str,
    /// The package of the emulator.
    package: &'static str,
    path: OnceLock<Option<PathBuf>>,
}

/// The settings are in a serial NOR chip.
pub(crate) static WITH_CHIP: Program = Program {
    name: "firmware",
    target: "thumbv7em-none-eabi",
    board: "ast1030-evb",
    features: "",
    emulator: "qemu-system-arm",
    package: "qemu-system-arm",
    path: OnceLock::new(),
};
/// The settings are in the flash of the microcontroller.
pub(crate) static INTERNAL: Program = Program {
    name: "internal",
    target: "thumbv6m-none-eabi",
    board: "microbit",
    features: "microbit",
    emulator: "qemu-system-arm",
    package: "qemu-system-arm",
    path: OnceLock::new(),
};
/// The settings are in a serial NOR chip on another controller, and the core is another one.
pub(crate) static RISCV: Program = Program {
    name: "riscv",
    target: "riscv32imac-unknown-none-elf",
    board: "sifive_u",
    features: "sifive",
    emulator: "qemu-system-riscv32",
    package: "qemu-system-misc",
    path: OnceLock::new(),
};

/// A chip that the emulator knows.
#[derive(Debug)]
pub(crate) struct Model {
    /// The emulator's name for it.
    pub(crate) name: &'static str,
    /// Its size in MiB.
    pub(crate) size: u64,
    /// How much of it the firmware uses, in MiB.
    pub(crate) used: u64,
}

/// The chip that the board was designed for. Its tables say everything.
pub(crate) const MODEL: Model = Model { name: "mx66l1g45g", size: 128, used: 128 };
/// Where the firmware keeps its settings in that chip.
pub(crate) const SETTINGS: Range<u64> = MODEL.settings();

impl Model {
    /// Where the firmware keeps its settings.
    pub(crate) const fn settings(&self) -> Range<u64> {
        let end = self.used << 20;
        end - 4 * 4096..end
    }
}

/// Longer than any answer takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

impl Program {
    /// What is not installed, and how to install it.
    pub(crate) fn missing(&self) -> Option<String> {
        let Self { target, board, emulator, package, .. } = self;
        let Ok(machines) = Command::new(emulator).args(["-M", "help"]).output() else {
            return Some(format!("{emulator} is missing: apt-get install {package}"));
        };
        if !String::from_utf8_lossy(&machines.stdout).contains(board) {
            return Some(format!("{emulator} has no board {board}: install version 7.1 or later"));
        }
        let rustc = env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
        let library =
            Command::new(rustc).args(["--print", "target-libdir", "--target", target]).output();
        let folder =
            library.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned());
        if !folder.is_ok_and(|folder| Path::new(&folder).is_dir()) {
            return Some(format!("the target is missing: rustup target add {target}"));
        }
        None
    }

    /// The path of the program, which is built once.
    pub(crate) fn path(&self) -> Result<&Path, String> {
        let Self { name, target, features, .. } = self;
        let built = self.path.get_or_init(|| {
            let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("firmware");
            let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
            let status = Command::new(cargo)
                .args(["build", "--quiet", "--release", "--locked", "--bin", name])
                .args(["--target", target, "--features", features])
                .args([
                    "--manifest-path",
                    concat!(env!("CARGO_MANIFEST_DIR"), "/examples/firmware/Cargo.toml"),
                ])
                .arg("--target-dir")
                .arg(&folder)
                .status();
            let built = status.is_ok_and(|status| status.success());
            built.then(|| folder.join(target).join("release").join(name))
        });
        built.as_deref().ok_or_else(|| "the firmware does not build".into())
    }
}

/// The file that is the chip. It is removed when this value is dropped.
#[derive(Debug)]
pub(crate) struct Chip(PathBuf, &'static Model);

impl Chip {
    /// The usual chip. Its last sectors are blank. The rest reads as zeros, since the firmware has no
    /// business there.
    pub(crate) fn new(name: &str) -> Result<Self, String> {
        Self::of(name, &MODEL)
    }

    /// The same with any chip.
    pub(crate) fn of(name: &str, model: &'static Model) -> Result<Self, String> {
        let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.img"));
        let file = File::create(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        let chip = Self(path, model);
        file.set_len(model.size << 20).map_err(|error| error.to_string())?;
        chip.write(model.settings().start, &[0xFF; (SETTINGS.end - SETTINGS.start) as usize])?;
        Ok(chip)
    }

    /// Changes the chip. The emulator must not be running.
    pub(crate) fn write(&self, at: u64, bytes: &[u8]) -> Result<(), String> {
        let file = File::options().write(true).open(&self.0);
        file.and_then(|file| file.write_all_at(bytes, at)).map_err(|error| error.to_string())
    }

    /// The bytes of the settings.
    pub(crate) fn settings(&self) -> Result<Vec<u8>, String> {
        let mut bytes = vec![0; (SETTINGS.end - SETTINGS.start) as usize];
        let file = File::open(&self.0);
        file.and_then(|file| file.read_exact_at(&mut bytes, self.1.settings().start))
            .map_err(|error| error.to_string())?;
        Ok(bytes)
    }

    /// Whether everything but the settings is as `new` made it.
    pub(crate) fn rest_is_untouched(&self) -> Result<bool, String> {
        let mut file = File::open(&self.0).map_err(|error| error.to_string())?;
        let (settings, mut bytes) = (self.1.settings(), vec![0; 4096]);
        for start in (0..self.1.size << 20).step_by(bytes.len()) {
            file.read_exact(&mut bytes).map_err(|error| error.to_string())?;
            if !settings.contains(&start) && bytes.iter().any(|byte| *byte != 0) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// What a traced emulator logged about the chip.
    pub(crate) fn log(&self) -> Result<String, String> {
        fs::read_to_string(self.log_path()).map_err(|error| error.to_string())
    }

    fn log_path(&self) -> PathBuf {
        self.0.with_extension("log")
    }

    /// Leaves the file where it is, so that it can be examined.
    pub(crate) fn keep(self) -> PathBuf {
        let path = self.0.clone();
        std::mem::forget(self);
        path
    }
}

impl Drop for Chip {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
        let _ = fs::remove_file(self.log_path());
    }
}

/// Why there was no answer.
#[derive(Debug)]
pub(crate) enum NoAnswer {
    /// The emulator has ended.
    Ended,
    /// It runs and prints nothing.
    Silent,
}

impl From<NoAnswer> for String {
    fn from(why: NoAnswer) -> Self {
        match why {
            NoAnswer::Ended => "the emulator ended by itself".into(),
            NoAnswer::Silent => "the firmware does not answer".into(),
        }
    }
}

/// A running emulator. It is killed when this value is dropped.
pub(crate) struct Emulator {
    process: Child,
    serial: ChildStdin,
    lines: Receiver<String>,
    monitor: PathBuf,
    connection: Option<BufReader<UnixStream>>,
}

impl Emulator {
    /// Starts the firmware with that chip.
    pub(crate) fn start(firmware: &Path, chip: &Chip) -> Result<Self, String> {
        Self::start_with(firmware, chip, &[])
    }

    /// As `start`, and logs each command to the chip and each complaint of the emulator.
    pub(crate) fn start_traced(firmware: &Path, chip: &Chip) -> Result<Self, String> {
        let log = chip.log_path();
        let log = log.to_str().ok_or("the build folder's name is not UTF-8")?;
        let trace = ["-d", "guest_errors", "-trace", "m25p80_command_decoded", "-D", log];
        Self::start_with(firmware, chip, &trace)
    }

    fn start_with(firmware: &Path, chip: &Chip, options: &[&str]) -> Result<Self, String> {
        let board = format!("ast1030-evb,fmc-model={}", chip.1.name);
        // It need not wait for the disk: the file must outlive the emulator, not the machine.
        let drive = format!("if=mtd,format=raw,cache=unsafe,file={}", chip.0.display());
        // A single thread writes to the file, so what the chip did first is in the file first.
        let in_order = ["-object", "main-loop,id=main-loop,thread-pool-max=1"];
        let options = [&in_order[..], &["-drive", &drive], options].concat();
        Self::launch(&WITH_CHIP, firmware, &board, &options)
    }

    /// Starts the program on the board whose microcontroller has the settings in its own flash.
    pub(crate) fn start_internal(firmware: &Path) -> Result<Self, String> {
        Self::launch(&INTERNAL, firmware, INTERNAL.board, &[])
    }

    /// Starts the program on the RISC-V core. The board has a chip of its own kind.
    pub(crate) fn start_riscv(firmware: &Path, chip: &Chip) -> Result<Self, String> {
        let drive = format!("if=mtd,format=raw,cache=unsafe,file={}", chip.0.display());
        let options = ["-bios", "none", "-drive", &drive];
        Self::launch(&RISCV, firmware, RISCV.board, &options)
    }

    fn launch(
        program: &Program,
        firmware: &Path,
        board: &str,
        options: &[&str],
    ) -> Result<Self, String> {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let n = COUNT.fetch_add(1, Ordering::Relaxed);
        // A short path: the name of a socket has room for about a hundred bytes.
        let monitor = env::temp_dir().join(format!("outlast-{}-{n}", std::process::id()));
        let _ = fs::remove_file(&monitor);
        let mut process = Command::new(program.emulator)
            .args(["-M", board, "-display", "none"])
            .args(["-monitor", "none", "-serial", "stdio", "-qmp"])
            .arg(format!("unix:{},server=on,wait=off", monitor.display()))
            .args(options)
            .arg("-kernel")
            .arg(firmware)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|error| format!("{} does not start: {error}", program.emulator))?;
        let (Some(serial), Some(output)) = (process.stdin.take(), process.stdout.take()) else {
            unreachable!("both are pipes");
        };
        let (sender, lines) = mpsc::channel();
        thread::spawn(move || {
            let mut output = BufReader::new(output);
            let mut line = Vec::new();
            while output.read_until(b'\n', &mut line).is_ok_and(|len| len > 0) {
                let text = String::from_utf8_lossy(&line);
                if sender.send(text.trim_end_matches(['\r', '\n']).into()).is_err() {
                    return;
                }
                line.clear();
            }
        });
        Ok(Self { process, serial, lines, monitor, connection: None })
    }

    /// The next line the firmware prints.
    pub(crate) fn line(&self) -> Result<String, NoAnswer> {
        self.lines.recv_timeout(PATIENCE).map_err(|error| match error {
            RecvTimeoutError::Timeout => NoAnswer::Silent,
            RecvTimeoutError::Disconnected => NoAnswer::Ended,
        })
    }

    /// Waits for a line that starts like this, and returns it.
    pub(crate) fn line_with(&self, start: &str) -> Result<String, NoAnswer> {
        loop {
            let line = self.line()?;
            if line.starts_with(start) {
                return Ok(line);
            }
        }
    }

    /// Waits for a line that ends like this. It may begin with what was printed before a reset.
    pub(crate) fn line_ending(&self, end: &str) -> Result<(), NoAnswer> {
        while !self.line()?.ends_with(end) {}
        Ok(())
    }

    /// Resets the microcontroller, at whatever it is doing.
    pub(crate) fn reset(&mut self) -> Result<(), String> {
        self.tell_monitor("system_reset")
    }

    /// Types a line.
    pub(crate) fn send(&mut self, line: &str) -> Result<(), NoAnswer> {
        let typed = self.serial.write_all(format!("{line}\n").as_bytes());
        typed.and_then(|()| self.serial.flush()).map_err(|_| NoAnswer::Ended)
    }

    /// What is printed from now to the end of an answer, without the echo. The last line is `ok` or
    /// an error.
    pub(crate) fn answer(&self) -> Result<Vec<String>, NoAnswer> {
        let mut lines = Vec::new();
        loop {
            let line = self.line()?;
            if line.starts_with("> ") {
                continue;
            }
            let is_last = line == "ok" || line.starts_with("error: ");
            lines.push(line);
            if is_last {
                return Ok(lines);
            }
        }
    }

    /// Types a line and waits for the answer.
    pub(crate) fn ask(&mut self, line: &str) -> Result<Vec<String>, NoAnswer> {
        self.send(line)?;
        self.answer()
    }

    /// As `ask`, but the answer must end with `ok`, which is left out.
    pub(crate) fn expect_ok(&mut self, line: &str) -> Result<Vec<String>, String> {
        let mut lines = self.ask(line)?;
        match lines.pop() {
            Some(last) if last == "ok" => Ok(lines),
            last => Err(format!("{line}: {}", last.unwrap_or_default())),
        }
    }

    /// Waits until everything the chip did is in the file. The emulator writes to it later than the
    /// firmware works, and finishes that when it is stopped.
    pub(crate) fn drain(&mut self) -> Result<(), String> {
        self.tell_monitor("stop")?;
        self.tell_monitor("cont")
    }

    fn tell_monitor(&mut self, command: &str) -> Result<(), String> {
        if self.connection.is_none() {
            let deadline = Instant::now() + PATIENCE;
            let stream = loop {
                match UnixStream::connect(&self.monitor) {
                    Ok(stream) => break stream,
                    Err(error) if Instant::now() > deadline => {
                        return Err(format!("the emulator's monitor: {error}"));
                    }
                    Err(_) => thread::sleep(Duration::from_millis(5)),
                }
            };
            stream.set_read_timeout(Some(PATIENCE)).map_err(|error| error.to_string())?;
            self.connection = Some(BufReader::new(stream));
            self.execute("qmp_capabilities")?;
        }
        self.execute(command)
    }

    fn execute(&mut self, command: &str) -> Result<(), String> {
        let Some(connection) = &mut self.connection else { return Err("not connected".into()) };
        let request = format!("{{\"execute\": \"{command}\"}}\n");
        connection.get_mut().write_all(request.as_bytes()).map_err(|error| error.to_string())?;
        loop {
            let mut line = String::new();
            let len = connection.read_line(&mut line).map_err(|error| error.to_string())?;
            let answer: Value = serde_json::from_str(&line).unwrap_or_default();
            if answer.get("return").is_some() {
                return Ok(());
            }
            if len == 0 || answer.get("error").is_some() {
                return Err(format!("the emulator's monitor refuses {command}: {line}"));
            }
            // Anything else is the greeting or an event.
        }
    }

    /// Cuts the power: the process gets no chance to write anything more.
    pub(crate) fn kill(mut self) -> Result<(), String> {
        self.process.kill().map_err(|error| error.to_string())?;
        self.process.wait().map_err(|error| error.to_string())?;
        Ok(())
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
        let _ = fs::remove_file(&self.monitor);
    }
}
