//! Tables as strips: a row each, or a line each where a row is very high.

use super::flow::{Flow, Hold, Piece, SMALL, Strip, base, line_height};
use super::letters::{BOLD, PLAIN, Weight};
use super::parts::{Part, Role};
use crate::report::{Column, Table};

/// Free above and below the words of a row.
const PAD: f32 = 2.2;
/// Free between columns.
const GAP: f32 = 8.0;
/// A table of so many rows is not torn between sheets.
const SHORT: usize = 16;

pub(super) fn add(flow: &mut Flow<'_>, table: &Table) {
    let of = flow.parts.add(Role::Table, None);
    let caption = flow.parts.add(Role::Caption, Some(of));
    let mut strips = flow.lines(0.0, flow.across, BOLD, SMALL, &table.caption, caption);
    strips.iter_mut().for_each(|strip| strip.hold = Hold::Firm);

    let columns = places(&table.columns, flow.across);
    let head_part = flow.parts.add(Role::TableHead, Some(of));
    let row_part = flow.parts.add(Role::Row, Some(head_part));
    let cells: Vec<(&str, Role)> = table.columns.iter().map(|c| (c.name.as_str(), Role::ColumnHead)).collect();
    let head = row(flow, &columns, &cells, row_part, BOLD, (1.2, 0)).pop();
    let number = flow.heads.len();
    if let Some(mut head) = head {
        head.hold = Hold::Firm;
        flow.heads.push(head.clone());
        strips.push(head);
    }

    let body = flow.parts.add(Role::TableBody, Some(of));
    let many = table.rows.len();
    for (i, cells) in table.rows.iter().enumerate() {
        let part = flow.parts.add(Role::Row, Some(body));
        let role = |column: usize| if column == 0 { Role::RowHead } else { Role::Cell };
        let cells: Vec<(&str, Role)> = cells.iter().enumerate().map(|(c, text)| (text.as_str(), role(c))).collect();
        let mut lines = row(flow, &columns, &cells, part, PLAIN, (0.5, 150));
        for strip in &mut lines {
            strip.head = Some(number);
        }
        // Neither the first row nor the last stands alone.
        let loose = i + 1 < many && (many <= SHORT || i == 0 || i + 2 == many);
        if let (true, Some(last)) = (loose, lines.last_mut()) {
            last.hold = Hold::Loose;
        }
        strips.append(&mut lines);
    }
    if many == 0
        && let Some(last) = strips.last_mut()
    {
        last.hold = Hold::No;
    }
    if let Some(first) = strips.first_mut() {
        first.before = 9.0;
    }
    flow.strips.append(&mut strips);
}

/// Where a column's words stand, and whether they end at its right edge.
struct Place {
    x: f32,
    width: f32,
    number: bool,
}

fn places(columns: &[Column], across: f32) -> Vec<Place> {
    let whole: f32 = columns.iter().map(|column| f32::from(column.share)).sum::<f32>().max(1.0);
    let mut x = 0.0;
    let mut places = Vec::new();
    for (i, column) in columns.iter().enumerate() {
        let width = across * f32::from(column.share) / whole;
        let gap = if i + 1 < columns.len() { GAP } else { 0.0 };
        places.push(Place { x, width: (width - gap).max(1.0), number: column.number });
        x += width;
    }
    places
}

/// A row with a rule of a height and a grey below it. Cell stands after cell, so that whoever copies a row finds them
/// one by one; only a row that would leave a hole at the foot of a sheet is a strip for each line.
fn row(
    flow: &mut Flow<'_>,
    places: &[Place],
    cells: &[(&str, Role)],
    part: Part,
    weight: Weight,
    rule: (f32, u8),
) -> Vec<Strip> {
    let mut columns: Vec<Vec<Piece>> = Vec::new();
    for (place, (text, role)) in places.iter().zip(cells) {
        let cell = flow.parts.add(role.clone(), Some(part));
        let text = flow.letters.shown(text);
        let lines = flow.letters.lines(weight, SMALL, &text, place.width, 0.0);
        let word = |text: String| {
            let wide = flow.letters.width(weight, SMALL, text.trim_end());
            let x = if place.number { place.x + place.width - wide } else { place.x };
            Piece::Words { x, base: base(SMALL), weight, size: SMALL, text, part: cell }
        };
        columns.push(lines.into_iter().map(word).collect());
    }
    let many = columns.iter().map(Vec::len).max().unwrap_or(0).max(1);
    let line = line_height(SMALL);
    let head = weight == BOLD;
    let mut strips = Vec::new();
    if head || many as f32 * line <= flow.down / 3.0 {
        let mut pieces = Vec::new();
        for column in columns {
            // Names of columns stand on the rule, all else hangs from the one above.
            let above = if head { many - column.len() } else { 0 };
            for (i, mut piece) in column.into_iter().enumerate() {
                super::flow::lower(std::slice::from_mut(&mut piece), PAD + (above + i) as f32 * line);
                pieces.push(piece);
            }
        }
        strips.push(Strip::of(many as f32 * line + 2.0 * PAD, pieces));
    } else {
        let mut columns: Vec<_> = columns.into_iter().map(Vec::into_iter).collect();
        for _ in 0..many {
            let pieces = columns.iter_mut().filter_map(Iterator::next).collect();
            strips.push(Strip::of(line, pieces));
        }
    }
    if let Some(last) = strips.last_mut() {
        let (height, grey) = rule;
        last.pieces.push(Piece::Ink { x: 0.0, y: last.height - height, width: flow.across, height, grey });
    }
    strips
}
