//! Passes the memory layout of the emulated board to the linker. A feature tells which board it is.

use std::path::Path;
use std::{env, fs};

fn main() {
    let has = |feature: &str| env::var_os(format!("CARGO_FEATURE_{feature}")).is_some();
    let board = match (has("MICROBIT"), has("SIFIVE")) {
        (true, _) => "microbit",
        (_, true) => "sifive",
        _ => "ast1030",
    };
    let out = env::var("OUT_DIR").expect("cargo sets it");
    let layout = format!("boards/{board}.x");
    fs::copy(&layout, Path::new(&out).join("memory.x")).expect("the build folder can be written");
    println!("cargo:rustc-link-search={out}");
    if board == "sifive" {
        println!("cargo:rustc-link-arg-bins=-Tmemory.x");
    }
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rerun-if-changed={layout}");
}
