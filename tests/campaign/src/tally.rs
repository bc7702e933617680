//! Findings, counted, with the shortest run that shows each.

use crate::argued::Argued;
use crate::judge::Broken;
use crate::setup::Fitted;
use crate::spec::Spec;
use crate::world::Outcome;
use std::collections::BTreeMap;
use std::fmt::{self, Write as _};

/// Runs in which one rule was broken by the same faults.
#[derive(Clone, Debug)]
struct Cell {
    by_rig: [u64; Fitted::ALL.len()],
    shortest: Spec,
}

impl Cell {
    fn new(spec: &Spec) -> Self {
        Self { by_rig: [0; Fitted::ALL.len()], shortest: *spec }
    }

    fn add(&mut self, other: &Self) {
        for (mine, theirs) in self.by_rig.iter_mut().zip(other.by_rig) {
            *mine += theirs;
        }
        if other.shortest.length() < self.shortest.length() {
            self.shortest = other.shortest;
        }
    }

    fn total(&self) -> u64 {
        self.by_rig.iter().sum()
    }
}

/// The findings.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Runs made.
    pub runs: u64,
    /// Simulated seconds in them.
    pub seconds: f64,
    found: BTreeMap<(Broken, String), Cell>,
    argued: BTreeMap<usize, Cell>,
}

impl Tally {
    /// Adds a run.
    pub fn take(&mut self, spec: &Spec, outcome: &Outcome, argued: &[Argued]) {
        self.runs += 1;
        self.seconds += outcome.lasted as f64 / 1e6;
        let rig = Fitted::ALL.iter().position(|f| *f == spec.setup.fitted).expect("every rig is in the list");
        for (rule, _) in &outcome.broken {
            let mut one = Cell::new(spec);
            one.by_rig[rig] = 1;
            let cell = match argued.iter().find(|a| a.covers(*rule, spec, outcome)) {
                Some(line) => self.argued.entry(line.line).or_insert_with(|| Cell::new(spec)),
                None => self.found.entry((*rule, spec.names())).or_insert_with(|| Cell::new(spec)),
            };
            cell.add(&one);
        }
    }

    /// Joins two.
    pub fn add(&mut self, other: Self) {
        self.runs += other.runs;
        self.seconds += other.seconds;
        for (key, cell) in other.found {
            self.found.entry(key).or_insert_with(|| Cell::new(&cell.shortest)).add(&cell);
        }
        for (key, cell) in other.argued {
            self.argued.entry(key).or_insert_with(|| Cell::new(&cell.shortest)).add(&cell);
        }
    }

    /// Violations of rules that are not in the argued list.
    pub fn violations(&self) -> u64 {
        self.found.values().map(Cell::total).sum()
    }

    /// The tables; of each rule at most so many rows.
    pub fn tables(&self, argued: &[Argued], rows: usize) -> String {
        let mut text = String::new();
        // Writing to a string does not fail.
        let _ = self.write(&mut text, argued, rows);
        text
    }

    fn write(&self, text: &mut String, argued: &[Argued], rows: usize) -> fmt::Result {
        writeln!(text, "{} runs, {:.0} s simulated", self.runs, self.seconds)?;
        writeln!(text, "\nRules broken and not argued: {}", self.violations())?;
        for rule in Broken::ALL {
            let mut cells: Vec<(&String, &Cell)> =
                self.found.iter().filter(|((r, _), _)| *r == rule).map(|((_, names), cell)| (names, cell)).collect();
            if cells.is_empty() {
                continue;
            }
            cells.sort_by_key(|(_, cell)| std::cmp::Reverse(cell.total()));
            let total: u64 = cells.iter().map(|(_, c)| c.total()).sum();
            writeln!(text, "\n{rule}: {total} times, by {} (combinations of) troubles", cells.len())?;
            head(text)?;
            for (names, cell) in cells.iter().take(rows) {
                row(text, names, cell)?;
                writeln!(text, "  {}", cell.shortest)?;
            }
            if cells.len() > rows {
                let rest: u64 = cells[rows..].iter().map(|(_, c)| c.total()).sum();
                writeln!(text, "  … and {} more, {rest} times", cells.len() - rows)?;
            }
        }
        if !argued.is_empty() {
            writeln!(text, "\nCannot be told apart (argued.txt)")?;
            head(text)?;
            for line in argued {
                let name = &line.what;
                match self.argued.get(&line.line) {
                    Some(cell) => {
                        row(text, name, cell)?;
                        writeln!(text, "  {}: {}", cell.shortest, line.why)?;
                    }
                    None => writeln!(text, "  {name:<42} {:>8}  {}", "none", line.why)?,
                }
            }
        }
        Ok(())
    }
}

fn head(text: &mut String) -> fmt::Result {
    write!(text, "  {:<42} {:>8}", "", "all")?;
    for fitted in Fitted::ALL {
        write!(text, " {:>6}", fitted.to_string())?;
    }
    writeln!(text)
}

fn row(text: &mut String, name: &str, cell: &Cell) -> fmt::Result {
    write!(text, "  {name:<42} {:>8}", cell.total())?;
    for many in cell.by_rig {
        if many == 0 {
            write!(text, " {:>6}", "·")?;
        } else {
            write!(text, " {many:>6}")?;
        }
    }
    Ok(())
}
