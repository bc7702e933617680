//! A document as one HTML file: no scripts, nothing fetched, printable on A4 and Letter.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Bitmap, Block, Document, DocumentTable};
use crate::chart::Picture;

/// Styles; the printer chooses the page size.
const STYLE: &str = include_str!("style.css");

/// The page. Everything in it is escaped by construction: `maud` escapes what it is given as text, and only the style
/// sheet and the charts' own markup are not text.
pub fn page(document: &Document) -> String {
    // A page break is an attribute of the block that follows it.
    let mut broken = false;
    let blocks: Vec<(usize, bool, &Block)> = document
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
        html lang=(document.language.tag()) {
            head {
                meta charset="utf-8";
                // By this it is known again, and may be replaced by a newer one.
                meta name="generator" content="seathold";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (document.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    h1 { (document.title) }
                    @for (number, page_size, block) in blocks { "\n" (write(number, page_size, block)) }
                }
                footer { p { (document.foot) } }
            }
        }
    }
    .into_string()
}

fn write(number: usize, page_size: bool, block: &Block) -> Markup {
    let class = page_size.then_some("sheet");
    match block {
        Block::Heading(2, text) => html! { h2 class=[class] { (text) } },
        Block::Heading(_, text) => html! { h3 class=[class] { (text) } },
        Block::Text(text) => html! { p class=[class] { (text) } },
        Block::Notice(what, text) => html! { p class="notice" { strong { (what) } " " (text) } },
        Block::Facts(facts) => html! { dl { @for (name, value) in facts { dt { (name) } dd { (value) } } } },
        Block::List(items) => html! { ul { @for item in items { li { (item) } } } },
        Block::Table(of) => table(of),
        Block::LargeTable(of) => html! { div class={ "large" @if page_size { " sheet" } } { (table(of)) } },
        Block::Figure(picture, caption) => figure(&format!("picture-{number}"), picture, caption),
        Block::Pair(pair) => html! {
            div class="pair" { @for (place, (picture, caption)) in pair.iter().enumerate() {
                (figure(&format!("picture-{number}-{place}"), picture, caption))
            } }
        },
        Block::Code { code, caption } => html! {
            figure class="code" {
                (code.svg(&format!("code-{number}")))
                @if !caption.is_empty() { figcaption { (caption) } }
            }
        },
        Block::Letterhead(mark, text) => {
            html! { div class={ "letterhead" @if page_size { " sheet" } } { (bitmap(mark)) p { (text) } } }
        }
        Block::Photograph(photograph, caption) => html! {
            figure class={ "photograph" @if page_size { " sheet" } } { (bitmap(photograph)) figcaption { (caption) } }
        },
        Block::NewSheet => html! {},
    }
}

/// Within the page: nothing is fetched.
fn bitmap(bitmap: &Bitmap) -> Markup {
    let Bitmap { bytes, kind, size_mm: (wide, high), about } = bitmap;
    let data = format!("data:{};base64,{}", kind.mime_type(), BASE64_STANDARD.encode(bytes));
    html! { img src=(data) alt=(about) style=(format!("width:{wide:.1}mm;aspect-ratio:{wide:.1}/{high:.1}")); }
}

fn figure(id: &str, picture: &Picture, caption: &str) -> Markup {
    html! { figure { (picture.svg(id)) figcaption { (caption) } } }
}

fn table(table: &DocumentTable) -> Markup {
    let whole: u32 = table.columns.iter().map(|column| u32::from(column.share)).sum();
    let class = |column: usize| table.columns.get(column).is_some_and(|c| c.number).then_some("n");
    let width = |share: u8| format!("width:{:.1}%", f64::from(share) * 100.0 / f64::from(whole.max(1)));
    // A short table is not split between pages.
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
