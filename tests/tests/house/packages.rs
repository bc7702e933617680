//! Every crate that can be published carries what a package must: the licence, a readme, versions of what it depends on.

use std::fs;
use std::path::{Path, PathBuf};
use toml_edit::{DocumentMut, Item};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

fn manifest(folder: &Path) -> DocumentMut {
    fs::read_to_string(folder.join("Cargo.toml")).unwrap().parse().unwrap()
}

/// Folders of the workspace's packages.
fn members() -> Vec<PathBuf> {
    let top = manifest(&root());
    let members = top["workspace"]["members"].as_array().unwrap();
    members.iter().map(|member| root().join(member.as_str().unwrap())).collect()
}

fn is_published(manifest: &DocumentMut) -> bool {
    manifest["package"]["publish"].as_bool() != Some(false)
}

#[test]
fn a_package_carries_its_licence_and_its_readme() {
    let licence = fs::read_to_string(root().join("LICENSE")).unwrap();
    let published: Vec<PathBuf> = members().into_iter().filter(|folder| is_published(&manifest(folder))).collect();
    assert!(published.len() >= 13, "{published:?}");
    for folder in published {
        let at = folder.display();
        let own = fs::read_to_string(folder.join("LICENSE")).unwrap_or_else(|_| panic!("{at} has no LICENSE"));
        assert_eq!(own, licence, "{at}");
        let readme = fs::read_to_string(folder.join("README.md")).unwrap_or_else(|_| panic!("{at} has no README.md"));
        assert!(readme.starts_with("# "), "{at}: README.md begins with its title");
        let package = manifest(&folder);
        assert!(package["package"]["description"].as_str().is_some_and(|about| about.len() > 20), "{at}");
        // A registry takes no more.
        let words = package["package"].get("keywords").and_then(Item::as_array).map_or(0, |words| words.len());
        assert!(words <= 5, "{at}: {words} keywords");
    }
}

/// Without a version a dependency by path cannot be published; and with one of a package that is not, nobody could fetch it.
#[test]
fn what_is_published_depends_on_what_is_by_its_version() {
    let shared = manifest(&root());
    let shared = shared["workspace"]["dependencies"].as_table().unwrap();
    let ours: Vec<(String, bool)> = members()
        .iter()
        .map(|folder| {
            let package = manifest(folder);
            (package["package"]["name"].as_str().unwrap().to_owned(), is_published(&package))
        })
        .collect();
    let mut compared = 0;
    for folder in members() {
        let package = manifest(&folder);
        let Some(dependencies) = package.get("dependencies").and_then(Item::as_table) else { continue };
        for (name, written) in dependencies {
            let Some((_, published)) = ours.iter().find(|(ours, _)| ours == name) else { continue };
            if !is_published(&package) {
                continue;
            }
            let of = if written.get("workspace").is_some() { &shared[name] } else { written };
            assert!(*published, "{} depends on {name}, which is not published", folder.display());
            assert!(of.get("version").is_some(), "{}: {name} has no version", folder.display());
            compared += 1;
        }
    }
    assert!(compared > 20, "{compared}");
}
