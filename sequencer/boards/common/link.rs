//! The build script of every board: its own memory map goes into the linker's path, and cortex-m-rt's layout is used.

fn main() {
    let board = std::env::var("CARGO_MANIFEST_DIR").expect("cargo sets it");
    println!("cargo::rustc-link-search={board}");
    println!("cargo::rustc-link-arg-bins=-Tlink.x");
    // Where a board can log over a debug probe, and is configured to.
    if std::env::var_os("CARGO_FEATURE_DEFMT").is_some() {
        println!("cargo::rustc-link-arg-bins=-Tdefmt.x");
        // By default, defmt compiles in errors alone.
        println!("cargo::rerun-if-env-changed=DEFMT_LOG");
        if std::env::var_os("DEFMT_LOG").is_none() {
            println!("cargo::rustc-env=DEFMT_LOG=info");
        }
    }
    println!("cargo::rerun-if-changed={board}/memory.x");
}
