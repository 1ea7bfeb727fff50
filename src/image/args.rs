//! Arguments of `outlast image`.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use outlast_image::container::Container;
use outlast_image::find::Known;
use outlast_image::settings::Format;
use outlast_image::value::Type;

use super::help;
use crate::args::whole;

/// What an image command has to do.
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
    /// A settings file that gives the types of values.
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
#[command(after_help = help::image())]
pub(crate) struct TypedImage {
    #[command(subcommand)]
    command: Typed,
}

#[derive(Debug, Subcommand)]
enum Typed {
    /// Build images from a settings file: one, or one for each unit in a table
    #[command(after_help = help::build())]
    Build(TypedBuild),
    /// Show what is in a dump: sectors, keys and values
    #[command(after_help = help::show())]
    Show(TypedShow),
    /// Check a dump: clean, interrupted, damaged or no store; and what the next mount will do
    #[command(after_help = help::check())]
    Check(TypedCheck),
    /// Print the value of a key
    #[command(after_help = help::get())]
    Get(TypedGet),
    /// Put a value into a copy of a dump
    #[command(after_help = help::put())]
    Put(TypedPut),
    /// Delete keys in a copy of a dump
    #[command(after_help = help::delete())]
    Delete(TypedDelete),
    /// Put all values of a settings file into a copy of a dump
    #[command(after_help = help::import())]
    Import(TypedImport),
    /// Write the settings of a dump to a settings file
    #[command(after_help = help::export())]
    Export(TypedExport),
    /// Compare the settings and the wear of two dumps
    #[command(after_help = help::diff())]
    Diff(TypedDiff),
    /// Extract every intact record from a damaged dump
    #[command(after_help = help::salvage())]
    Salvage(TypedSalvage),
}

#[derive(Debug, Args)]
struct TypedDump {
    /// The dump: raw binary, Intel HEX or UF2
    dump: PathBuf,
    #[command(flatten)]
    place: TypedPlace,
    /// Settings file (TOML, JSON, CSV) that gives the types of values
    #[arg(long, value_name = "FILE")]
    types: Option<PathBuf>,
}

/// A dump whose values are not shown.
#[derive(Debug, Args)]
struct TypedBareDump {
    /// The dump: raw binary, Intel HEX or UF2
    dump: PathBuf,
    #[command(flatten)]
    place: TypedPlace,
}

#[derive(Debug, Args)]
struct TypedPlace {
    /// Address of the region, or its offset in a raw dump
    #[arg(long, value_name = "ADDRESS", value_parser = whole::<u32>)]
    base: Option<u32>,
    /// Number of sectors, 2 to 4096
    #[arg(long, value_name = "COUNT", value_parser = whole::<u32>)]
    sectors: Option<u32>,
    /// Sector size, 512 to 131072
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    sector_bytes: Option<u32>,
    /// Page: the bytes that one program operation can touch
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    page: Option<u32>,
    /// Program unit: 1, 2, 4, 8, 16 or 32 bytes
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    unit: Option<u32>,
}

#[derive(Debug, Args)]
struct TypedOutput {
    /// The file to write
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,
    /// File format [default: by the extension .bin, .hex or .uf2, else that of the dump, or raw]
    #[arg(long, value_name = "KIND")]
    format: Option<TypedContainer>,
    /// Overwrite existing files
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
    /// CSV table of units: a header that lists settings, then one line for each unit
    #[arg(long, value_name = "FILE")]
    units: Option<PathBuf>,
    #[command(flatten)]
    output: TypedOutput,
    #[command(flatten)]
    place: TypedPlace,
    /// Pad with FF to this many bytes
    #[arg(long, value_name = "BYTES", value_parser = whole::<u32>)]
    pad_to: Option<u32>,
    /// Leave blank pages out of HEX and UF2; only for parts that are erased first
    #[arg(long)]
    skip_blank: bool,
    /// Family number in the blocks of a UF2 file
    #[arg(long, value_name = "NUMBER", value_parser = whole::<u32>)]
    family: Option<u32>,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedShow {
    #[command(flatten)]
    dump: TypedDump,
    /// Show all versions of this key that are still in flash, newest first
    #[arg(long, value_name = "KEY", conflicts_with_all = ["raw", "html"])]
    history: Option<String>,
    /// Explain the bytes of one record: its address, like 0x1234, or a key for its newest record
    #[arg(long, value_name = "RECORD", conflicts_with = "html")]
    raw: Option<String>,
    /// Also write a page with a map of the sectors
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Overwrite existing files
    #[arg(long, requires = "html")]
    force: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long, conflicts_with = "raw")]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedCheck {
    #[command(flatten)]
    dump: TypedDump,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedGet {
    #[command(flatten)]
    dump: TypedDump,
    /// The key; \xNN stands for a byte
    key: String,
    /// Type of the value
    #[arg(long = "type", value_name = "TYPE")]
    kind: Option<Type>,
    /// Print the bytes of the value as they are
    #[arg(long, conflicts_with = "json")]
    raw: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedPut {
    #[command(flatten)]
    dump: TypedDump,
    /// The key; \xNN stands for a byte
    key: String,
    /// The value; the numbers of a list are separated by spaces
    #[arg(allow_hyphen_values = true)]
    value: String,
    /// Type of the value, if --types does not give it [default: text]
    #[arg(long = "type", value_name = "TYPE")]
    kind: Option<Type>,
    #[command(flatten)]
    output: TypedOutput,
}

#[derive(Debug, Args)]
struct TypedDelete {
    #[command(flatten)]
    dump: TypedBareDump,
    /// The keys; \xNN stands for a byte
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
    /// Format of the settings file [default: by the extension, else toml]
    #[arg(long, value_name = "KIND")]
    format: Option<TypedFormat>,
    /// Overwrite existing files
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
    /// Settings file (TOML, JSON, CSV) that gives the types of values
    #[arg(long, value_name = "FILE")]
    types: Option<PathBuf>,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct TypedSalvage {
    #[command(flatten)]
    dump: TypedDump,
    /// Write the newest values to this settings file: .toml, .json or .csv
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite existing files
    #[arg(long)]
    force: bool,
    /// Print one JSON object and nothing else on standard output
    #[arg(long)]
    json: bool,
}

impl TypedPlace {
    const fn known(&self) -> Known {
        let Self { base, sectors, sector_bytes, page, unit } = *self;
        Known { base, sectors, sector_bytes, page_bytes: page, unit }
    }
}

impl TypedDump {
    fn into_dump(self) -> Dump {
        Dump { path: self.dump, known: self.place.known(), types: self.types }
    }
}

impl TypedBareDump {
    fn into_dump(self) -> Dump {
        Dump { path: self.dump, known: self.place.known(), types: None }
    }
}

impl TypedOutput {
    fn into_output(self) -> Output {
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
    /// Turns the arguments into a task.
    pub(crate) fn into_task(self) -> Task {
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
                let (output, known) = (output.into_output(), place.known());
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
                Task::Show { dump: dump.into_dump(), json, html, history, raw, force }
            }
            Typed::Check(TypedCheck { dump, json }) => Task::Check { dump: dump.into_dump(), json },
            Typed::Get(TypedGet { dump, key, kind, raw, json }) => {
                Task::Get { dump: dump.into_dump(), key, kind, raw, json }
            }
            Typed::Put(TypedPut { dump, key, value, kind, output }) => {
                Task::Put { dump: dump.into_dump(), key, value, kind, output: output.into_output() }
            }
            Typed::Delete(TypedDelete { dump, keys, output }) => {
                Task::Delete { dump: dump.into_dump(), keys, output: output.into_output() }
            }
            Typed::Import(TypedImport { dump, settings, output }) => {
                Task::Import { dump: dump.into_dump(), settings, output: output.into_output() }
            }
            Typed::Export(TypedExport { dump, output, format, force }) => {
                let format = match format {
                    Some(TypedFormat::Toml) => Some(Format::Toml),
                    Some(TypedFormat::Json) => Some(Format::Json),
                    Some(TypedFormat::Csv) => Some(Format::Csv),
                    None => None,
                };
                Task::Export { dump: dump.into_dump(), output, format, force }
            }
            Typed::Diff(TypedDiff { first, second, place, types, json }) => {
                let dump = |path| Dump { path, known: place.known(), types: types.clone() };
                Task::Diff { first: dump(first), second: dump(second), json }
            }
            Typed::Salvage(TypedSalvage { dump, output, force, json }) => {
                Task::Salvage { dump: dump.into_dump(), output, force, json }
            }
        }
    }
}
