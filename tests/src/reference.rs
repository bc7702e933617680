//! Published data, read from `tests/reference/`.

use std::path::PathBuf;

/// Rows of numbers of a CSV file with one header line; empty cells are NaN.
pub fn rows(file: &str) -> Vec<Vec<f64>> {
    let number = |cell: &String| cell.parse().unwrap_or(f64::NAN);
    cells(file).iter().map(|row| row.iter().map(number).collect()).collect()
}

/// As [`rows`], with the cells as text.
pub fn cells(file: &str) -> Vec<Vec<String>> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("reference").join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let lines = text.lines().skip(1).filter(|line| !line.trim().is_empty());
    let cells = |line: &str| line.split(',').map(|cell| cell.trim().to_owned()).collect();
    let rows: Vec<Vec<String>> = lines.map(cells).collect();
    // Whoever goes through them would find nothing wrong.
    assert!(!rows.is_empty(), "{}: no rows", path.display());
    rows
}
