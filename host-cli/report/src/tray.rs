//! The page for the bench where fittings are laid out and bolted: what lies in which class, and which goes with which, in the order of
//! bolting. In letters that are read at arm's length; black and grey alone.

use seathold_document::{Block, Document, DocumentColumn, DocumentTable};
use seathold_text::messages::counted;

/// What is laid out, in words and in millimetres.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TrayPage {
    /// Its title.
    pub title: String,
    /// A few words for the foot.
    pub foot: String,
    /// The date that it bears, RFC 3339.
    pub moment: String,
    /// How many valves are made of it: "23 of 24 valves conform".
    pub tally: String,
    /// What it rests on: names and values.
    pub facts: Vec<(String, String)>,
    /// Width of the classes.
    pub class_width: String,
    /// The classes from left to right.
    pub classes: Vec<TrayClass>,
    /// The valves, in the order of bolting.
    pub valves: Vec<TrayValve>,
    /// Fittings that are in no valve.
    pub left: Vec<TrayLeft>,
    /// Bodies that are empty.
    pub empty: Vec<String>,
    /// What else may help.
    pub hints: Vec<String>,
}

/// A class, as a place in the tray.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TrayClass {
    /// The length it begins with.
    pub from: String,
    /// The fittings in it, the shortest first.
    pub fittings: Vec<String>,
}

/// A valve as it is to be bolted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TrayValve {
    /// Its serial, or the body's name.
    pub valve: String,
    /// Its fittings, the shorter first: each with its class.
    pub fittings: [(String, String); 2],
    /// Its finished length, forecast.
    pub finished: String,
    /// How far that is off nominal, with its sign.
    pub off: String,
}

/// A fitting that is in no valve.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TrayLeft {
    /// Its name.
    pub fitting: String,
    /// Its class.
    pub class: String,
    /// Its length.
    pub length: String,
    /// What would make a valve of it.
    pub helps: String,
}

/// Most columns of classes beside each other, and how many characters of names are beside each other.
const ACROSS: (usize, usize) = (9, 64);
/// Beside a line of its own nothing stands where a cell is empty.
const NOTHING: &str = "·";
/// To be ticked by hand.
const TO_TICK: &str = "____";

/// The page.
pub fn document(page: &TrayPage) -> Document {
    let mut blocks = vec![Block::Notice("Forecast".into(), format!("{}: measure every finished valve.", page.tally))];
    blocks.push(Block::Facts(page.facts.clone()));
    blocks.push(Block::Heading(2, "Classes, from left to right".into()));
    blocks.extend(classes(page));
    if !page.valves.is_empty() {
        blocks.push(Block::NewSheet);
        blocks.push(Block::Heading(2, "In the order of bolting".into()));
        blocks.push(Block::LargeTable(order(page)));
    }
    if !page.left.is_empty() || !page.empty.is_empty() {
        blocks.push(Block::Heading(2, "Left over".into()));
        if !page.empty.is_empty() {
            let bodies = if page.empty.len() == 1 { "Without fittings: body" } else { "Without fittings: bodies" };
            blocks.push(Block::Text(format!("{bodies} {}.", page.empty.join(", "))));
        }
        if !page.left.is_empty() {
            blocks.push(Block::LargeTable(left(page)));
        }
    }
    if !page.hints.is_empty() {
        blocks.push(Block::List(page.hints.clone()));
    }
    Document {
        title: page.title.clone(),
        foot: page.foot.clone(),
        moment: page.moment.clone(),
        blocks,
        ..Document::default()
    }
}

/// A column a class, as the tray lies; what does not fit beside each other goes below.
fn classes(page: &TrayPage) -> Vec<Block> {
    let longest = page
        .classes
        .iter()
        .flat_map(|class| class.fittings.iter().chain([&class.from]))
        .map(|name| name.chars().count());
    let (most, characters) = ACROSS;
    let beside = (characters / (longest.max().unwrap_or(1) + 1)).clamp(2, most);
    let rows = page.classes.len().div_ceil(beside);
    // As even as can be.
    let beside = page.classes.len().div_ceil(rows.max(1)).max(1);
    let mut blocks = Vec::new();
    for (row, some) in page.classes.chunks(beside).enumerate() {
        let mut columns = vec![DocumentColumn::words("From, mm", 3)];
        // A last row that is shorter has columns of the same width.
        columns
            .extend((0..beside).map(|at| DocumentColumn::words(some.get(at).map_or(NOTHING, |class| &class.from), 2)));
        let cell = |text: Option<String>| text.unwrap_or_else(|| NOTHING.into());
        let line = |name: &str, of: &dyn Fn(&TrayClass) -> Option<String>| {
            let mut cells = vec![name.to_owned()];
            cells.extend((0..beside).map(|at| cell(some.get(at).and_then(of))));
            cells
        };
        let mut lines = vec![line("How many", &|class| Some(class.fittings.len().to_string()))];
        let deepest = some.iter().map(|class| class.fittings.len()).max().unwrap_or_default();
        for depth in 0..deepest {
            let name = if depth == 0 { "Fittings" } else { NOTHING };
            lines.push(line(name, &|class| class.fittings.get(depth).cloned()));
        }
        let caption = match (row, rows) {
            (_, 1) => format!(
                "Classes of {} mm: from which length, how many, and which, the shortest at the top",
                page.class_width
            ),
            (row, rows) => format!("Classes of {} mm, row {} of {rows}", page.class_width, row + 1),
        };
        blocks.push(Block::LargeTable(DocumentTable { caption, columns, rows: lines }));
    }
    blocks
}

fn order(page: &TrayPage) -> DocumentTable {
    let columns = vec![
        DocumentColumn::words("Valve", 6),
        DocumentColumn::words("Fitting", 5),
        DocumentColumn::words("of class", 4),
        DocumentColumn::words("Fitting", 5),
        DocumentColumn::words("of class", 4),
        DocumentColumn::number("Finished, mm", 5),
        DocumentColumn::number("off, mm", 4),
        DocumentColumn::words("Bolted", 4),
    ];
    let row = |valve: &TrayValve| {
        let [(a, class_a), (b, class_b)] = valve.fittings.clone();
        vec![valve.valve.clone(), a, class_a, b, class_b, valve.finished.clone(), valve.off.clone(), TO_TICK.into()]
    };
    let caption = format!("Which fittings go to which valve: {}", counted(page.valves.len() as u64, "valve"));
    DocumentTable { caption, columns, rows: page.valves.iter().map(row).collect() }
}

fn left(page: &TrayPage) -> DocumentTable {
    let mut columns = vec![
        DocumentColumn::words("Fitting", 4),
        DocumentColumn::words("of class", 3),
        DocumentColumn::number("Length, mm", 4),
    ];
    let is_known = page.left.iter().any(|left| !left.helps.is_empty());
    if is_known {
        columns.push(DocumentColumn::words("What would make a valve of it", 14));
    }
    let row = |left: &TrayLeft| {
        let mut cells = vec![left.fitting.clone(), left.class.clone(), left.length.clone()];
        let helps = if left.helps.is_empty() { NOTHING.into() } else { left.helps.clone() };
        cells.extend(is_known.then_some(helps));
        cells
    };
    let caption = format!("In no valve: {}", counted(page.left.len() as u64, "fitting"));
    DocumentTable { caption, columns, rows: page.left.iter().map(row).collect() }
}
