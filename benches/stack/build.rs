//! Links with the start-up code. The memory layout comes from the crate `firmware`.
fn main() {
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
}
