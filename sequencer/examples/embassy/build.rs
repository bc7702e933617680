//! The memory map of the part goes into the linker's path.

fn main() {
    let here = std::env::var("CARGO_MANIFEST_DIR").expect("cargo sets it");
    println!("cargo::rustc-link-search={here}");
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
    println!("cargo::rustc-link-arg-bins=-Tlink-rp.x");
    println!("cargo::rerun-if-changed={here}/memory.x");
}
