//! Tables as strips: a row each, or a line each where a row is very high.

use super::font::{BOLD, PLAIN, Weight};
use super::layout::{DocumentLayout, KeepWithNext, Piece, Strip, base, line_height};
use super::tagging::{Role, TagId};
use crate::{DocumentColumn, DocumentTable};

/// Free above and below the words of a row.
const PAD: f32 = 2.2;
/// Free between columns.
const GAP: f32 = 8.0;
/// A table of so many rows is not split between pages.
const SHORT: usize = 16;

/// Adds a table in letters of a size.
pub(super) fn add(layout: &mut DocumentLayout<'_>, table: &DocumentTable, size: f32) {
    let of = layout.parts.add(Role::Table, None);
    let caption = layout.parts.add(Role::Caption, Some(of));
    let mut strips = layout.lines(0.0, layout.across, BOLD, size, &table.caption, caption);
    strips.iter_mut().for_each(|strip| strip.hold = KeepWithNext::Firm);

    let columns = places(&table.columns, layout.across);
    let head_part = layout.parts.add(Role::TableHead, Some(of));
    let row_part = layout.parts.add(Role::Row, Some(head_part));
    let cells: Vec<(&str, Role)> = table.columns.iter().map(|c| (c.name.as_str(), Role::ColumnHead)).collect();
    let head = row(layout, &columns, &cells, row_part, (BOLD, size), (1.2, 0)).pop();
    let number = layout.heads.len();
    if let Some(mut head) = head {
        head.hold = KeepWithNext::Firm;
        layout.heads.push(head.clone());
        strips.push(head);
    }

    let body = layout.parts.add(Role::TableBody, Some(of));
    let many = table.rows.len();
    for (i, cells) in table.rows.iter().enumerate() {
        let part = layout.parts.add(Role::Row, Some(body));
        let role = |column: usize| if column == 0 { Role::RowHead } else { Role::Cell };
        let cells: Vec<(&str, Role)> = cells.iter().enumerate().map(|(c, text)| (text.as_str(), role(c))).collect();
        let mut lines = row(layout, &columns, &cells, part, (PLAIN, size), (0.5, 150));
        for strip in &mut lines {
            strip.head = Some(number);
        }
        // Neither the first row nor the last stands alone.
        let loose = i + 1 < many && (many <= SHORT || i == 0 || i + 2 == many);
        if let (true, Some(last)) = (loose, lines.last_mut()) {
            last.hold = KeepWithNext::Loose;
        }
        strips.append(&mut lines);
    }
    if many == 0
        && let Some(last) = strips.last_mut()
    {
        last.hold = KeepWithNext::No;
    }
    if let Some(first) = strips.first_mut() {
        first.before = 9.0;
    }
    layout.strips.append(&mut strips);
}

/// Position of a column's text, and whether it is right-aligned.
struct ColumnBox {
    x: f32,
    width: f32,
    number: bool,
}

fn places(columns: &[DocumentColumn], across: f32) -> Vec<ColumnBox> {
    let whole: f32 = columns.iter().map(|column| f32::from(column.share)).sum::<f32>().max(1.0);
    let mut x = 0.0;
    let mut places = Vec::new();
    for (i, column) in columns.iter().enumerate() {
        let width = across * f32::from(column.share) / whole;
        let gap = if i + 1 < columns.len() { GAP } else { 0.0 };
        places.push(ColumnBox { x, width: (width - gap).max(1.0), number: column.number });
        x += width;
    }
    places
}

/// A row with a rule of a height and a grey below it. Cells follow each other, so that a copied row keeps their order;
/// only a row that would leave a gap at the foot of a page is a strip for each line.
fn row(
    layout: &mut DocumentLayout<'_>,
    places: &[ColumnBox],
    cells: &[(&str, Role)],
    part: TagId,
    (weight, size): (Weight, f32),
    rule: (f32, u8),
) -> Vec<Strip> {
    let mut columns: Vec<Vec<Piece>> = Vec::new();
    for (place, (text, role)) in places.iter().zip(cells) {
        let cell = layout.parts.add(role.clone(), Some(part));
        let text = layout.fonts.shown(text);
        let lines = layout.fonts.lines(weight, size, &text, place.width, 0.0);
        let word = |text: String| {
            let wide = layout.fonts.width(weight, size, text.trim_end());
            let x = if place.number { place.x + place.width - wide } else { place.x };
            Piece::Words { x, base: base(size), weight, size, text, part: cell }
        };
        columns.push(lines.into_iter().map(word).collect());
    }
    let many = columns.iter().map(Vec::len).max().unwrap_or(0).max(1);
    let line = line_height(size);
    let head = weight == BOLD;
    let mut strips = Vec::new();
    if head || many as f32 * line <= layout.down / 3.0 {
        let mut pieces = Vec::new();
        for column in columns {
            // Column names are aligned to the bottom, all else to the top.
            let above = if head { many - column.len() } else { 0 };
            for (i, mut piece) in column.into_iter().enumerate() {
                super::layout::lower(std::slice::from_mut(&mut piece), PAD + (above + i) as f32 * line);
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
        last.pieces.push(Piece::Ink { x: 0.0, y: last.height - height, width: layout.across, height, grey });
    }
    strips
}
