//! The build script of every board: its own memory map goes into the linker's path, and cortex-m-rt's layout is used.

fn main() {
    let board = std::env::var("CARGO_MANIFEST_DIR").expect("cargo sets it");
    println!("cargo::rustc-link-search={board}");
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
    println!("cargo::rerun-if-changed={board}/memory.x");
}
