//! Arguments of `outlast image`: what was typed, and what it means.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use outlast_image::container::Container;
use outlast_image::find::Known;
use outlast_image::settings::Format;
use outlast_image::value::Type;

use crate::exit::IMAGE_EXIT_CODES;

/// What an image command is to do.
#[derive(Debug)]
pub(crate) enum Task {
    Build(Build),
    Show {
        dump: Dump,
        json: bool,
        html: Option<PathBuf>,
        history: Option<String>,
        raw: Option<String>,
        force: bool,
    },
    Check {
        dump: Dump,
        json: bool,
    },
    Get {
        dump: Dump,
        key: String,
        kind: Option<Type>,
        raw: bool,
        json: bool,
    },
    Put {
        dump: Dump,
        key: String,
        value: String,
        kind: Option<Type>,
        output: Output,
    },
    Delete {
        dump: Dump,
        keys: Vec<String>,
        output: Output,
    },
    Import {
        dump: Dump,
        settings: PathBuf,
        output: Output,
    },
    Export {
        dump: Dump,
        output: Option<PathBuf>,
        format: Option<Format>,
        force: bool,
    },
    Diff {
        first: Dump,
        second: Dump,
        json: bool,
    },
    Salvage {
        dump: Dump,
        output: Option<PathBuf>,
        force: bool,
        json: bool,
    },
}

/// A dump and what is known about it.
#[derive(Debug)]
pub(crate) struct Dump {
    pub(crate) path: PathBuf,
    pub(crate) known: Known,
    /// A settings file that tells the types of values.
    pub(crate) types: Option<PathBuf>,
}

impl Dump {
    /// The files that are read.
    pub(crate) fn inputs(&self) -> Vec<&Path> {
        [Some(&self.path), self.types.as_ref()]
            .into_iter()
            .flatten()
            .map(PathBuf::as_path)
            .collect()
    }
}

/// Where an image goes.
#[derive(Debug)]
pub(crate) struct Output {
    pub(crate) path: PathBuf,
    pub(crate) container: Option<Container>,
    pub(crate) force: bool,
}

#[derive(Debug)]
pub(crate) struct Build {
    pub(crate) settings: PathBuf,
    pub(crate) units: Option<PathBuf>,
    pub(crate) output: Output,
    pub(crate) known: Known,
    pub(crate) pad_to: Option<u32>,
    pub(crate) skip_blank: bool,
    pub(crate) family: Option<u32>,
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
#[command(after_help = format!("{EXAMPLES}{IMAGE_EXIT_CODES}"))]
pub(crate) struct TypedImage {
    #[command(subcommand)]
    command: Typed,
}

const EXAMPLES: &str = "\
Examples:
  outlast image build gauge.toml --output gauge.hex     an image a device mounts at once
  outlast image build gauge.toml --units units.csv --output 'out/{unit.serial}.hex'
  outlast image show dump.bin --types gauge.toml        what is in it
  outlast image show dump.bin --history gauge.datum     why a setting has its value
  outlast image check dump.bin                          and what the next mount will do
  outlast image put dump.bin gauge.datum 1250 --type i32 --output changed.bin
  outlast image salvage broken.bin --output saved.toml  what can still be read

A dump is a raw binary, Intel HEX or UF2 file; the store in it is found. No command changes it.

";

#[derive(Debug, Subcommand)]
enum Typed {
    /// Make images from a settings file, one or one for each unit of a table
    Build(TypedBuild),
    /// Show what is in a dump: sectors, keys and values
    Show(TypedShow),
    /// Judge a dump: clean, interrupted, damaged or no store
    Check(TypedCheck),
    /// Print the value of a key
    Get(TypedGet),
    /// Store a value in a copy of a dump
    Put(TypedPut),
    /// Delete keys in a copy of a dump
    Delete(TypedDelete),
    /// Store all values of a settings file in a copy of a dump
    Import(TypedImport),
    /// Write the settings of a dump as a settings file
    Export(TypedExport),
    /// Compare two dumps: settings and wear
    Diff(TypedDiff),
    /// Read every record that still passes its checks out of a damaged dump
    Salvage(TypedSalvage),
}

#[derive(Debug, Args)]
struct TypedDump {
    /// The dump: raw binary, Intel HEX or UF2
    dump: PathBuf,
    #[command(flatten)]
    place: TypedPlace,
    /// A settings file (TOML, JSON, CSV) that tells the types of values
    #[arg(long, value_name = "FILE")]
    types: Option<PathBuf>,
}

/// A dump whose values are not looked at.
#[derive(Debug, Args)]
struct TypedBareDump {
    /// The dump: raw binary, Intel HEX or UF2
    dump: PathBuf,
    #[command(flatten)]
    place: TypedPlace,
}

#[derive(Debug, Args)]
struct TypedPlace {
    /// Address of the region; for raw dumps its offset
    #[arg(long, value_name = "ADDRESS", value_parser = number)]
    base: Option<u32>,
    /// Sectors of the region, 2 to 4096
    #[arg(long, value_name = "COUNT", value_parser = number)]
    sectors: Option<u32>,
    /// Bytes of a sector, 512 to 131072
    #[arg(long, value_name = "BYTES", value_parser = number)]
    sector_bytes: Option<u32>,
    /// Bytes that one program operation can touch
    #[arg(long, value_name = "BYTES", value_parser = number)]
    page: Option<u32>,
    /// Bytes of a program unit: 1, 2, 4, 8, 16 or 32
    #[arg(long, value_name = "BYTES", value_parser = number)]
    unit: Option<u32>,
}

#[derive(Debug, Args)]
struct TypedOutput {
    /// The file to write
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,
    /// Kind of file [default: by the ending: .bin, .hex, .uf2; else as the dump]
    #[arg(long, value_name = "KIND")]
    format: Option<TypedContainer>,
    /// Overwrite files
    #[arg(long)]
    force: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum TypedContainer {
    Raw,
    Hex,
    Uf2,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum TypedFormat {
    Toml,
    Json,
    Csv,
}

#[derive(Debug, Args)]
struct TypedBuild {
    /// The settings file: TOML, JSON or CSV
    settings: PathBuf,
    /// A CSV table with a line for each unit: its header names settings
    #[arg(long, value_name = "FILE")]
    units: Option<PathBuf>,
    #[command(flatten)]
    output: TypedOutput,
    #[command(flatten)]
    place: TypedPlace,
    /// Fill up with FF to so many bytes
    #[arg(long, value_name = "BYTES", value_parser = number)]
    pad_to: Option<u32>,
    /// Leave blank parts out of HEX and UF2; only for parts that are erased before
    #[arg(long)]
    skip_blank: bool,
    /// Family number in the blocks of a UF2 file
    #[arg(long, value_name = "NUMBER", value_parser = number)]
    family: Option<u32>,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedShow {
    #[command(flatten)]
    dump: TypedDump,
    /// All versions of this key still in flash, newest first
    #[arg(long, value_name = "KEY", conflicts_with_all = ["raw", "html"])]
    history: Option<String>,
    /// The bytes of one record, explained: its address like 0x1234, or a key for its newest record
    #[arg(long, value_name = "RECORD", conflicts_with = "html")]
    raw: Option<String>,
    /// Write a page with a map of the sectors to this file
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Overwrite files
    #[arg(long, requires = "html")]
    force: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long, conflicts_with = "raw")]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedCheck {
    #[command(flatten)]
    dump: TypedDump,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedGet {
    #[command(flatten)]
    dump: TypedDump,
    /// The key; \xNN is a byte
    key: String,
    /// Type of the value
    #[arg(long = "type", value_name = "TYPE")]
    kind: Option<Type>,
    /// The bytes as they are, and nothing else
    #[arg(long, conflicts_with = "json")]
    raw: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedPut {
    #[command(flatten)]
    dump: TypedDump,
    /// The key; \xNN is a byte
    key: String,
    /// The value
    #[arg(allow_hyphen_values = true)]
    value: String,
    /// Type of the value, if --types does not tell it [default: text]
    #[arg(long = "type", value_name = "TYPE")]
    kind: Option<Type>,
    #[command(flatten)]
    output: TypedOutput,
}

#[derive(Debug, Args)]
struct TypedDelete {
    #[command(flatten)]
    dump: TypedBareDump,
    /// The keys; \xNN is a byte
    #[arg(required = true)]
    keys: Vec<String>,
    #[command(flatten)]
    output: TypedOutput,
}

#[derive(Debug, Args)]
struct TypedImport {
    #[command(flatten)]
    dump: TypedBareDump,
    /// The settings file: TOML, JSON or CSV
    settings: PathBuf,
    #[command(flatten)]
    output: TypedOutput,
}

#[derive(Debug, Args)]
struct TypedExport {
    #[command(flatten)]
    dump: TypedDump,
    /// The file to write [default: standard output]
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Kind of settings file [default: by the ending, else toml]
    #[arg(long, value_name = "KIND")]
    format: Option<TypedFormat>,
    /// Overwrite files
    #[arg(long)]
    force: bool,
}

#[derive(Debug, Args)]
struct TypedDiff {
    /// The first dump
    first: PathBuf,
    /// The second dump
    second: PathBuf,
    #[command(flatten)]
    place: TypedPlace,
    /// A settings file (TOML, JSON, CSV) that tells the types of values
    #[arg(long, value_name = "FILE")]
    types: Option<PathBuf>,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedSalvage {
    #[command(flatten)]
    dump: TypedDump,
    /// Write the newest values as a settings file: .toml, .json or .csv
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite files
    #[arg(long)]
    force: bool,
    /// One JSON object on standard output and nothing else there
    #[arg(long)]
    json: bool,
}

/// A whole number, decimal or with `0x`; blanks as `_`.
fn number(text: &str) -> Result<u32, String> {
    let text = text.replace('_', "");
    let number = match text.strip_prefix("0x") {
        Some(digits) => u32::from_str_radix(digits, 16),
        None => text.parse(),
    };
    number.map_err(|_| "give a whole number, like 4096 or 0x1000".to_owned())
}

impl TypedPlace {
    const fn meaning(&self) -> Known {
        let Self { base, sectors, sector_bytes, page, unit } = *self;
        Known { base, sectors, sector_bytes, page_bytes: page, unit }
    }
}

impl TypedDump {
    fn meaning(self) -> Dump {
        Dump { path: self.dump, known: self.place.meaning(), types: self.types }
    }
}

impl TypedBareDump {
    fn meaning(self) -> Dump {
        Dump { path: self.dump, known: self.place.meaning(), types: None }
    }
}

impl TypedOutput {
    fn meaning(self) -> Output {
        let container = match self.format {
            Some(TypedContainer::Raw) => Some(Container::Raw),
            Some(TypedContainer::Hex) => Some(Container::Hex),
            Some(TypedContainer::Uf2) => Some(Container::Uf2),
            None => Container::of_name(&self.output.to_string_lossy()),
        };
        Output { path: self.output, container, force: self.force }
    }
}

impl TypedImage {
    pub(crate) fn meaning(self) -> Task {
        match self.command {
            Typed::Build(TypedBuild {
                settings,
                units,
                output,
                place,
                pad_to,
                skip_blank,
                family,
                json,
            }) => {
                let (output, known) = (output.meaning(), place.meaning());
                Task::Build(Build {
                    settings,
                    units,
                    output,
                    known,
                    pad_to,
                    skip_blank,
                    family,
                    json,
                })
            }
            Typed::Show(TypedShow { dump, history, raw, html, force, json }) => {
                Task::Show { dump: dump.meaning(), json, html, history, raw, force }
            }
            Typed::Check(TypedCheck { dump, json }) => Task::Check { dump: dump.meaning(), json },
            Typed::Get(TypedGet { dump, key, kind, raw, json }) => {
                Task::Get { dump: dump.meaning(), key, kind, raw, json }
            }
            Typed::Put(TypedPut { dump, key, value, kind, output }) => {
                Task::Put { dump: dump.meaning(), key, value, kind, output: output.meaning() }
            }
            Typed::Delete(TypedDelete { dump, keys, output }) => {
                Task::Delete { dump: dump.meaning(), keys, output: output.meaning() }
            }
            Typed::Import(TypedImport { dump, settings, output }) => {
                Task::Import { dump: dump.meaning(), settings, output: output.meaning() }
            }
            Typed::Export(TypedExport { dump, output, format, force }) => {
                let format = match format {
                    Some(TypedFormat::Toml) => Some(Format::Toml),
                    Some(TypedFormat::Json) => Some(Format::Json),
                    Some(TypedFormat::Csv) => Some(Format::Csv),
                    None => None,
                };
                Task::Export { dump: dump.meaning(), output, format, force }
            }
            Typed::Diff(TypedDiff { first, second, place, types, json }) => {
                let dump = |path| Dump { path, known: place.meaning(), types: types.clone() };
                Task::Diff { first: dump(first), second: dump(second), json }
            }
            Typed::Salvage(TypedSalvage { dump, output, force, json }) => {
                Task::Salvage { dump: dump.meaning(), output, force, json }
            }
        }
    }
}
