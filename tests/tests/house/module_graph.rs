//! Arrows point down: no crate depends on one above it, and within a crate no files depend on each other in a circle.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use syn::visit::Visit;

/// The crates from below to above: each may depend on those before it.
const FLOORS: &[(&str, &str)] = &[
    ("sequencer", "seathold-sequencer"),
    ("sim", "seathold-sim"),
    ("host-cli/quantity", "seathold-quantity"),
    ("host-cli/recording", "seathold-recording"),
    ("host-cli/assembly", "seathold-assembly"),
    ("host-cli/text", "seathold-text"),
    ("host-cli/config", "seathold-config"),
    ("host-cli/document", "seathold-document"),
    ("host-cli/register", "seathold-register"),
    ("host-cli/office", "seathold-office"),
    ("host-cli/analysis", "seathold-analysis"),
    ("host-cli/report", "seathold-report"),
    ("host-cli", "seathold"),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// What a crate depends on, by cargo's own word.
fn dependencies(names: &[&str]) -> BTreeSet<String> {
    let tree = std::process::Command::new(env!("CARGO"))
        .args(["tree", "--offline", "--locked", "--edges", "normal", "--prefix", "none", "--format", "{p}"])
        .args(names.iter().flat_map(|name| ["-p", name]))
        .current_dir(root())
        .output()
        .expect("cargo runs");
    assert!(tree.status.success(), "{}", String::from_utf8_lossy(&tree.stderr));
    let text = String::from_utf8(tree.stdout).expect("text");
    text.lines().filter_map(|line| line.split(' ').next().map(Into::into)).collect()
}

#[test]
fn no_crate_depends_on_one_above_it() {
    for (floor, (folder, name)) in FLOORS.iter().enumerate() {
        let manifest = std::fs::read_to_string(root().join(folder).join("Cargo.toml")).expect(folder);
        assert!(manifest.contains(&format!("name = \"{name}\"")), "{folder} is not {name}");
        let needed = dependencies(&[name]);
        assert!(needed.contains(*name), "cargo's tree is not read as it was: {needed:?}");
        for (_, above) in &FLOORS[floor + 1..] {
            assert!(!needed.contains(*above), "{name} depends on {above}");
        }
    }
}

/// Who reads recordings needs no command line, no database and no PDF.
#[test]
fn a_recording_is_read_without_the_rest() {
    let needed = dependencies(&["seathold-recording"]);
    assert!(needed.contains("seathold-sequencer"), "{needed:?}");
    for heavy in ["clap", "rusqlite", "libsqlite3-sys", "krilla", "maud", "toml_edit", "seathold-sim"] {
        assert!(!needed.contains(heavy), "a recording needs {heavy}");
    }
}

/// Files by their paths in the crate, without tests.
fn modules(source: &Path) -> BTreeMap<Vec<String>, syn::File> {
    let mut found = BTreeMap::new();
    let mut folders = vec![source.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            if path.extension().is_none_or(|ending| ending != "rs") {
                continue;
            }
            let place = path.strip_prefix(source).expect("below").with_extension("");
            let mut place: Vec<String> = place.iter().map(|part| part.to_str().expect("text").to_owned()).collect();
            if place.last().is_some_and(|last| last == "mod") || place == ["lib"] || place == ["main"] {
                place.pop();
            }
            let text = std::fs::read_to_string(&path).expect("text");
            // lib.rs and main.rs are both the root; the library's is the one that counts.
            if path.file_name().is_some_and(|name| name == "main.rs") && found.contains_key(&place) {
                continue;
            }
            found.insert(place, syn::parse_file(&text).expect("Rust"));
        }
    }
    found
}

/// Collects the paths in a file that begin with `crate` or `super`.
struct Paths<'a> {
    here: &'a [String],
    found: Vec<Vec<String>>,
}

impl Paths<'_> {
    fn take(&mut self, path: &[String]) {
        let supers = path.iter().take_while(|part| *part == "super").count();
        let from = match path.first().map(String::as_str) {
            Some("crate") => path[1..].to_vec(),
            Some("super") if supers <= self.here.len() => {
                [&self.here[..self.here.len() - supers], &path[supers..]].concat()
            }
            _ => return,
        };
        self.found.push(from);
    }

    fn tree(&mut self, before: &[String], tree: &syn::UseTree) {
        let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
        match tree {
            syn::UseTree::Path(path) => self.tree(&with(&path.ident), &path.tree),
            syn::UseTree::Name(name) => self.take(&with(&name.ident)),
            syn::UseTree::Rename(name) => self.take(&with(&name.ident)),
            syn::UseTree::Glob(_) => self.take(before),
            syn::UseTree::Group(group) => group.items.iter().for_each(|tree| self.tree(before, tree)),
        }
    }
}

impl<'ast> Visit<'ast> for Paths<'_> {
    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        self.tree(&[], &item.tree);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        self.take(&path.segments.iter().map(|part| part.ident.to_string()).collect::<Vec<_>>());
        syn::visit::visit_path(self, path);
    }

    /// `pub(super)` tells who may look in; it looks nowhere itself.
    fn visit_visibility(&mut self, _: &'ast syn::Visibility) {}

    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        // Tests may look anywhere; other modules within a file are part of it.
        if item.ident != "tests" {
            syn::visit::visit_item_mod(self, item);
        }
    }
}

/// Which files of a crate name which. The root is left out: it only lists the others.
fn arrows(source: &Path) -> BTreeMap<String, BTreeSet<String>> {
    let modules = modules(source);
    let mut arrows = BTreeMap::new();
    for (here, file) in modules.iter().filter(|(here, _)| !here.is_empty()) {
        let mut paths = Paths { here, found: Vec::new() };
        paths.visit_file(file);
        let longest = |path: &Vec<String>| {
            (1..=path.len()).rev().find(|n| modules.contains_key(&path[..*n])).map(|n| path[..n].join("::"))
        };
        let me = here.join("::");
        let to = paths.found.iter().filter_map(longest).filter(|to| *to != me).collect();
        arrows.insert(me, to);
    }
    arrows
}

/// A circle, if there is one: files that each name the next, and the last the first.
fn circle(arrows: &BTreeMap<String, BTreeSet<String>>) -> Option<Vec<String>> {
    let mut left: BTreeMap<&String, BTreeSet<&String>> =
        arrows.iter().map(|(from, to)| (from, to.iter().collect())).collect();
    // Those that name nobody who is left are taken away, until nobody is left or each names another.
    loop {
        let free: BTreeSet<&String> = left.iter().filter(|(_, to)| to.is_empty()).map(|(from, _)| *from).collect();
        if free.is_empty() {
            break;
        }
        left.retain(|from, _| !free.contains(*from));
        left.values_mut().for_each(|to| to.retain(|one| !free.contains(*one)));
    }
    let mut walk = vec![(*left.keys().next()?).clone()];
    loop {
        let next = (*left[walk.last()?].iter().next()?).clone();
        if let Some(first) = walk.iter().position(|one| *one == next) {
            return Some(walk.split_off(first));
        }
        walk.push(next);
    }
}

#[test]
fn files_of_the_host_program_depend_on_each_other_in_one_direction() {
    for (folder, _) in FLOORS.iter().filter(|(folder, _)| folder.starts_with("host-cli")) {
        let arrows = arrows(&root().join(folder).join("src"));
        assert!(!arrows.is_empty(), "{folder}");
        assert_eq!(circle(&arrows), None, "{folder}");
    }
}

/// The test above sees what it is there for.
#[test]
fn a_circle_would_be_seen() {
    let names = |pairs: &[(&str, &[&str])]| {
        pairs
            .iter()
            .map(|(from, to)| ((*from).to_owned(), to.iter().map(|one| (*one).to_owned()).collect()))
            .collect::<BTreeMap<_, BTreeSet<_>>>()
    };
    assert_eq!(circle(&names(&[("a", &["b", "c"]), ("b", &["c"]), ("c", &[])])), None);
    let found = circle(&names(&[("a", &["b"]), ("b", &["c"]), ("c", &["b"])])).expect("a circle");
    assert_eq!(found.len(), 2, "{found:?}");
    // And the arrows are there: the commands use the console, by `use` and by path.
    let arrows = arrows(&root().join("host-cli/src"));
    assert!(arrows["cmd::run"].contains("console") && arrows["cmd::run"].contains("cmd::run_common"), "{arrows:?}");
}
