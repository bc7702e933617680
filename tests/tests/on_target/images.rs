//! Where a board's images lie, and what runs them.

use std::fs;
use std::path::{Path, PathBuf};
use toml_edit::{DocumentMut, Item};

pub(crate) const WHY_IGNORED: &str = "set SEATHOLD_IMAGES to the folder of built images, or run `.ci/run on-target`";

pub(crate) fn boards() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../sequencer/boards")
}

pub(crate) fn toml(path: &Path) -> DocumentMut {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Target and emulator command of a board, from its own cargo configuration: what `cargo run` there uses.
pub(crate) fn target_and_runner(board: &str) -> (String, Vec<String>) {
    let config = toml(&boards().join(board).join(".cargo/config.toml"));
    let text = |item: Option<&Item>| {
        item.and_then(Item::as_str).unwrap_or_else(|| panic!("{board}: no such entry")).to_owned()
    };
    let target = text(config["build"].get("target"));
    let runner = text(config["target"][&target].get("runner"));
    (target, runner.split(' ').map(str::to_owned).collect())
}

pub(crate) fn image(board: &str, name: &str) -> PathBuf {
    image_in(board, "release", name)
}

/// An image from the folder of a build of its own.
pub(crate) fn image_in(board: &str, build: &str, name: &str) -> PathBuf {
    let images = std::env::var_os("SEATHOLD_IMAGES").unwrap_or_else(|| panic!("{WHY_IGNORED}"));
    let path = PathBuf::from(images).join(board).join(target_and_runner(board).0).join(build).join(name);
    assert!(path.exists(), "{} is not there: {WHY_IGNORED}", path.display());
    path
}
