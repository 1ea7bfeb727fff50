//! Links with the start-up code; the crate `firmware` tells where the memory is.
fn main() {
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
}
