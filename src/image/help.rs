//! Examples and exit codes of the image commands, which end their help.

use crate::exit::after_help;

// What several image commands can end with.
const BAD_FILE: (u8, &str) = (5, "a file cannot be read or written, or its contents are wrong");
const DOES_NOT_FIT: (u8, &str) = (8, "the settings do not fit into the image");
const INTERRUPTED: (u8, &str) = (10, "interrupted: the log ends as a power cut leaves it");
const DAMAGED: (u8, &str) = (11, "damaged, or the dump is cut short");
const DOUBTFUL: (u8, &str) =
    (11, "done, but the dump is damaged: a value may be old or lost; see stderr");
const LOST: (u8, &str) = (11, "the dump is damaged: the value may be old or lost; see stderr");
const NO_STORE: (u8, &str) = (12, "no store in the dump");
const OTHER_VERSION: (u8, &str) = (13, "a store of an older or newer format version");

pub(super) fn image() -> String {
    after_help(
        "\
Examples:
  outlast image build gauge.toml --output gauge.hex
  outlast image show dump.bin --types gauge.toml
  outlast image put dump.bin gauge.datum 1250 --type i32 --output new.bin
  outlast image salvage broken.bin --output saved.toml
  outlast image show --help                options and exit codes of a command

A dump is a raw binary, Intel HEX or UF2 file. The store in it is found automatically. No command \
changes its input.",
        &[(0, "done; each command lists its own exit codes")],
    )
}

pub(super) fn build() -> String {
    after_help(
        "Examples:
  outlast image build gauge.toml --output gauge.hex
  outlast image build gauge.toml --units units.csv --output '{unit.serial}.hex'

The layout is that of the options, else of the settings file, else 4 sectors of 4096 bytes with a \
program unit of 1.",
        &[(0, "built"), BAD_FILE, DOES_NOT_FIT],
    )
}

pub(super) fn show() -> String {
    after_help(
        "Examples:
  outlast image show dump.bin --types gauge.toml
  outlast image show dump.bin --history gauge.datum     all versions of a key
  outlast image show dump.bin --html dump.html",
        &[
            (0, "clean"),
            (1, "there is no such key or record"),
            BAD_FILE,
            INTERRUPTED,
            DAMAGED,
            NO_STORE,
            OTHER_VERSION,
        ],
    )
}

pub(super) fn check() -> String {
    after_help(
        "Examples:
  outlast image check dump.bin
  outlast image check --json dump.bin | jq .verdict",
        &[(0, "clean"), BAD_FILE, INTERRUPTED, DAMAGED, NO_STORE, OTHER_VERSION],
    )
}

pub(super) fn get() -> String {
    after_help(
        "Examples:
  outlast image get dump.bin gauge.datum --type i32",
        &[(0, "printed"), (1, "there is no such key"), BAD_FILE, LOST, NO_STORE, OTHER_VERSION],
    )
}

pub(super) fn put() -> String {
    after_help(
        "Examples:
  outlast image put dump.bin gauge.datum 1250 --type i32 --output new.bin
  outlast image put dump.bin radio.table '868 869' --type 'u16[2]' -o new.bin",
        &[(0, "written"), BAD_FILE, DOES_NOT_FIT, DOUBTFUL, NO_STORE, OTHER_VERSION],
    )
}

pub(super) fn delete() -> String {
    after_help(
        "Examples:
  outlast image delete dump.bin alarm.low alarm.high --output new.bin",
        &[
            (0, "written"),
            (1, "there is no such key; nothing was written"),
            BAD_FILE,
            DOUBTFUL,
            NO_STORE,
            OTHER_VERSION,
        ],
    )
}

pub(super) fn import() -> String {
    after_help(
        "Examples:
  outlast image import dump.bin gauge.toml --output new.bin",
        &[(0, "written"), BAD_FILE, DOES_NOT_FIT, DOUBTFUL, NO_STORE, OTHER_VERSION],
    )
}

pub(super) fn export() -> String {
    after_help(
        "Examples:
  outlast image export dump.bin --types gauge.toml --output saved.toml",
        &[(0, "written"), BAD_FILE, DOUBTFUL, NO_STORE, OTHER_VERSION],
    )
}

pub(super) fn diff() -> String {
    after_help(
        "Examples:
  outlast image diff before.bin after.bin --types gauge.toml",
        &[
            (0, "no setting differs"),
            (1, "settings differ"),
            BAD_FILE,
            DOUBTFUL,
            NO_STORE,
            OTHER_VERSION,
        ],
    )
}

pub(super) fn salvage() -> String {
    after_help(
        "Examples:
  outlast image salvage broken.bin --output saved.toml
  outlast image salvage broken.bin --sectors 4 --sector-bytes 4096",
        &[
            (0, "every value is the newest one, unless the end of the log is damaged"),
            BAD_FILE,
            (11, "damaged: a value may be old or lost"),
            (12, "no store in the dump, or no intact record"),
            OTHER_VERSION,
        ],
    )
}
