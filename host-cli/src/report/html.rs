//! A paper as one HTML file: no scripts, nothing fetched, printable on A4 and Letter.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Block, Paper, Table};
use crate::picture::Picture;

/// Printed sheets: which sizes fit is the printer's to say.
const STYLE: &str = include_str!("style.css");

/// The page. Everything in it is escaped by construction: `maud` escapes what it is given as text, and only the style
/// sheet and pictures' own marks are not text.
pub fn page(paper: &Paper) -> String {
    // A sheet break is a mark on the block that follows it.
    let mut broken = false;
    let blocks: Vec<(usize, bool, &Block)> = paper
        .blocks
        .iter()
        .enumerate()
        .filter_map(|(i, block)| {
            if *block == Block::NewSheet {
                broken = true;
                return None;
            }
            Some((i, std::mem::take(&mut broken), block))
        })
        .collect();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (paper.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    h1 { (paper.title) }
                    @for (number, sheet, block) in blocks { "\n" (write(number, sheet, block)) }
                }
                footer { p { (paper.foot) } }
            }
        }
    }
    .into_string()
}

fn write(number: usize, sheet: bool, block: &Block) -> Markup {
    let class = sheet.then_some("sheet");
    match block {
        Block::Heading(2, text) => html! { h2 class=[class] { (text) } },
        Block::Heading(_, text) => html! { h3 class=[class] { (text) } },
        Block::Text(text) => html! { p class=[class] { (text) } },
        Block::Notice(what, text) => html! { p class="notice" { strong { (what) } " " (text) } },
        Block::Facts(facts) => html! { dl { @for (name, value) in facts { dt { (name) } dd { (value) } } } },
        Block::List(items) => html! { ul { @for item in items { li { (item) } } } },
        Block::Table(of) => table(of),
        Block::Figure(picture, caption) => figure(&format!("picture-{number}"), picture, caption),
        Block::Pair(pair) => html! {
            div class="pair" { @for (place, (picture, caption)) in pair.iter().enumerate() {
                (figure(&format!("picture-{number}-{place}"), picture, caption))
            } }
        },
        Block::NewSheet => html! {},
    }
}

fn figure(id: &str, picture: &Picture, caption: &str) -> Markup {
    html! { figure { (picture.svg(id)) figcaption { (caption) } } }
}

fn table(table: &Table) -> Markup {
    let whole: u32 = table.columns.iter().map(|column| u32::from(column.share)).sum();
    let class = |column: usize| table.columns.get(column).is_some_and(|c| c.number).then_some("n");
    let width = |share: u8| format!("width:{:.1}%", f64::from(share) * 100.0 / f64::from(whole.max(1)));
    // A short table is not torn between sheets.
    let short = (table.rows.len() <= 16).then_some("short");
    html! {
        table class=[short] {
            caption { (table.caption) }
            colgroup { @for column in &table.columns { col style=(width(column.share)); } }
            thead { tr { @for (i, column) in table.columns.iter().enumerate() {
                th scope="col" class=[class(i)] { (column.name) }
            } } }
            tbody { @for row in &table.rows { "\n" tr { @for (i, cell) in row.iter().enumerate() {
                @if i == 0 { th scope="row" class=[class(i)] { (cell) } } @else { td class=[class(i)] { (cell) } }
            } } } }
        }
    }
}
