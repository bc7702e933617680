//! Pages as a PDF file.

use std::collections::HashMap;

use jiff::tz::TimeZone;
use krilla::SerializeSettings;
use krilla::color::{luma, rgb};
use krilla::configure::{Accessibility, Archival, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::embed::{AssociationKind, EmbeddedFile, MimeType};
use krilla::geom::{Path, PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::{DateTime, Metadata};
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineJoin, Paint, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{Artifact, ArtifactType, ContentTag, Identifier, SpanTag};
use seathold_language::Catalogue;

use super::font::{Fonts, PLAIN, Weight};
use super::layout::{DocumentLayout, Piece, SMALL, Strip};
use super::pagination::PlacedStrip;
use super::{AttachedFile, PageFormat, PdfError};
use crate::chart::{Anchor, Ink, Mark, Picture};
use crate::matrix_code::MatrixCode;
use crate::{BitmapKind, Block, Document};

/// Writes all pages.
pub(super) fn write(
    document: &Document,
    layout: &DocumentLayout<'_>,
    sheets: &[Vec<PlacedStrip>],
    fonts: &Fonts,
    format: PageFormat,
    attached: &[AttachedFile],
) -> Result<Vec<u8>, PdfError> {
    let date = date(&document.moment);
    let mut kept = ConfigurationBuilder::new().with_accessibility_validator(Accessibility::UA1);
    // The standard for archives asks for a date; a recording whose own cannot be read has none to give.
    if date.is_some() {
        // The second part of the standard allows no files of other kinds in one, the third does.
        let archival = if attached.is_empty() { Archival::A2_A } else { Archival::A3_A };
        kept = kept.with_archival_validator(archival);
    }
    let configuration = kept.finish().map_err(|why| PdfError(format!("{why:?}")))?;
    let mut pdf = krilla::Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    let (width, height) = format.size;
    let page = PageSettings::from_wh(width, height).ok_or_else(|| PdfError("its page has no size".into()))?;
    let mut drawn: Vec<Vec<Identifier>> = (0..layout.parts.len()).map(|_| Vec::new()).collect();
    let images = images(document)?;
    let mut headings = Vec::new();
    for (number, placed) in sheets.iter().enumerate() {
        let mut page = pdf.start_page_with(page.clone());
        let mut pen = Pen { surface: page.surface(), fonts, document, images: &images, drawn: &mut drawn };
        for placed in placed {
            let strip = placed.strip(layout);
            let at = (format.margin, format.margin + placed.top);
            if let Some((level, text)) = &strip.heading {
                headings.push((*level, text.clone(), XyzDestination::new(number, Point::from_xy(at.0, at.1))));
            }
            pen.strip(strip, at, placed.again);
        }
        if format.foot > 0.0 {
            pen.foot(format, number + 1, sheets.len());
        }
        pen.surface.finish();
    }
    let program = format!("seathold {}", env!("CARGO_PKG_VERSION"));
    let mut metadata = Metadata::new()
        .title(fonts.title(&document.title))
        .language(document.language.tag().into())
        .creator(program.clone())
        .producer(program);
    if let Some(date) = date {
        metadata = metadata.creation_date(date);
    }
    pdf.set_metadata(metadata);
    for file in attached {
        let embedded = EmbeddedFile {
            path: file.name.clone(),
            mime_type: MimeType::new(file.mime_type),
            description: Some(file.about.clone()),
            association_kind: AssociationKind::Data,
            data: file.bytes.clone().into(),
            modification_date: date,
            // So that they are found again without a reader of PDF.
            compress: Some(false),
            location: None,
        };
        pdf.embed_file(embedded)
            .ok_or_else(|| PdfError(format!("two files of the name {} are attached", file.name)))?;
    }
    pdf.set_outline(outline(headings));
    pdf.set_tag_tree(layout.parts.tree(drawn, document.language.tag()));
    pdf.finish().map_err(|why| PdfError(reason(&why)))
}

fn reason(why: &krilla::error::KrillaError) -> String {
    match why {
        krilla::error::KrillaError::Validation(broken) => {
            let each: Vec<String> = broken.iter().map(|(rule, _)| format!("{rule:?}")).collect();
            format!("it would break a rule of PDF/A or PDF/UA ({})", each.join(", "))
        }
        other => other.to_string(),
    }
}

/// The bitmaps of a document, by the numbers of their blocks; what several blocks have alike is in the file once.
fn images(document: &Document) -> Result<HashMap<usize, Image>, PdfError> {
    let of = |block: usize| {
        let bitmap = document.bitmap(block)?;
        let bytes = bitmap.bytes.to_vec().into();
        let image = match bitmap.kind {
            BitmapKind::Png => Image::from_png(bytes, false),
            BitmapKind::Jpeg => Image::from_jpeg(bytes, false),
        };
        Some(image.map(|image| (block, image)).map_err(|why| PdfError(format!("a bitmap: {why}"))))
    };
    (0..document.blocks.len()).filter_map(of).collect()
}

/// The day and time of RFC 3339, in UTC.
fn date(moment: &str) -> Option<DateTime> {
    let at = TimeZone::UTC.to_datetime(moment.parse::<jiff::Timestamp>().ok()?);
    let small = |n: i8| u8::try_from(n).unwrap_or(0);
    let date = DateTime::new(u16::try_from(at.year()).ok()?)
        .month(small(at.month()))
        .day(small(at.day()))
        .hour(small(at.hour()))
        .minute(small(at.minute()))
        .second(small(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0);
    Some(date)
}

/// Headings of level 3 are below the one of level 2 before them; the title is the root.
fn outline(headings: Vec<(u8, String, XyzDestination)>) -> Outline {
    let mut outline = Outline::new();
    let mut open: Option<OutlineNode> = None;
    for (level, text, place) in headings {
        let node = OutlineNode::new(text, place);
        match &mut open {
            Some(above) if level > 2 => above.push_child(node),
            _ => {
                if let Some(done) = open.replace(node) {
                    outline.push_child(done);
                }
            }
        }
    }
    if let Some(done) = open {
        outline.push_child(done);
    }
    outline
}

/// Draws on a page.
struct Pen<'a, 's> {
    surface: Surface<'s>,
    fonts: &'a Fonts,
    document: &'a Document,
    images: &'a HashMap<usize, Image>,
    drawn: &'a mut Vec<Vec<Identifier>>,
}

impl Pen<'_, '_> {
    /// A repeated head has no tag.
    fn strip(&mut self, strip: &Strip, (left, top): (f32, f32), again: bool) {
        for piece in &strip.pieces {
            match piece {
                Piece::Words { x, base, weight, size, text, part } => {
                    let tag = if again { layout() } else { ContentTag::Span(SpanTag::empty()) };
                    let id = self.surface.start_tagged(tag);
                    self.words((left + x, top + base), *weight, *size, text);
                    self.surface.end_tagged();
                    if !again {
                        self.drawn[*part].push(id);
                    }
                }
                Piece::Ink { x, y, width, height, grey } => self.ink((left + x, top + y), (*width, *height), *grey),
                Piece::Picture { block, place, x, y, scale, part } => {
                    let Some(picture) = self.document.picture(*block, *place) else { continue };
                    let id = self.surface.start_tagged(ContentTag::Other);
                    self.picture(picture, (left + x, top + y), *scale);
                    self.surface.end_tagged();
                    self.drawn[*part].push(id);
                }
                Piece::Bitmap { block, x, y, width, height, part } => {
                    let found = self.images.get(block).zip(Size::from_wh(*width, *height));
                    let Some((image, size)) = found else { continue };
                    let id = self.surface.start_tagged(ContentTag::Other);
                    self.surface.push_transform(&Transform::from_translate(left + x, top + y));
                    self.surface.draw_image(image.clone(), size);
                    self.surface.pop();
                    self.surface.end_tagged();
                    self.drawn[*part].push(id);
                }
                Piece::Code { block, x, y, module, part } => {
                    let Some(Block::Code { code, .. }) = self.document.blocks.get(*block) else { continue };
                    let id = self.surface.start_tagged(ContentTag::Other);
                    self.code(code, (left + x, top + y), *module);
                    self.surface.end_tagged();
                    self.drawn[*part].push(id);
                }
            }
        }
    }

    /// One path: between several a viewer may show hairlines.
    fn code(&mut self, code: &MatrixCode, (x, y): (f32, f32), module: f32) {
        let mut path = PathBuilder::new();
        for (column, row, wide) in code.runs() {
            let at = |place: usize| place as f32 * module;
            if let Some(run) = Rect::from_xywh(x + at(column), y + at(row), at(wide), module) {
                path.push_rect(run);
            }
        }
        if let Some(path) = path.finish() {
            self.surface.set_stroke(None);
            self.surface.set_fill(Some(fill(luma::Color::black())));
            self.surface.draw_path(&path);
        }
    }

    fn words(&mut self, (x, base): (f32, f32), weight: Weight, size: f32, text: &str) {
        let glyphs = self.fonts.glyphs(weight, text);
        self.surface.set_stroke(None);
        self.surface.set_fill(Some(fill(luma::Color::black())));
        self.surface.draw_glyphs(Point::from_xy(x, base), &glyphs, self.fonts.font(weight), text, size, false);
    }

    fn ink(&mut self, (x, y): (f32, f32), (width, height): (f32, f32), grey: u8) {
        let Some(area) = Rect::from_xywh(x, y, width, height) else { return };
        let mut path = PathBuilder::new();
        path.push_rect(area);
        if let Some(path) = path.finish() {
            self.surface.start_tagged(layout());
            self.surface.set_stroke(None);
            self.surface.set_fill(Some(fill(luma::Color::new(grey))));
            self.surface.draw_path(&path);
            self.surface.end_tagged();
        }
    }

    /// The foot: document, and page of how many.
    fn foot(&mut self, format: PageFormat, number: usize, of: usize) {
        let ((width, height), margin) = (format.size, format.margin);
        let top = height - format.foot + 14.0;
        self.ink((margin, top), (format.across(), 0.5), 0);
        let (number, of) = (number.to_string(), of.to_string());
        let words = Catalogue::new(self.document.language);
        let pages = words.say_of("page-of", &[("page", &number), ("pages", &of)]);
        let wide = self.fonts.width(PLAIN, SMALL, &pages);
        let foot = self.fonts.shown(&self.document.foot);
        let mut lines = self.fonts.lines(PLAIN, SMALL, &foot, format.across() - wide - 30.0, 0.0);
        let more = lines.len() > 1;
        let foot = lines.swap_remove(0) + if more { "…" } else { "" };
        self.surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(ArtifactType::Footer)));
        self.words((margin, top + 12.0), PLAIN, SMALL, &foot);
        self.words((width - margin - wide, top + 12.0), PLAIN, SMALL, &pages);
        self.surface.end_tagged();
    }

    fn picture(&mut self, picture: &Picture, (x, y): (f32, f32), scale: f32) {
        self.surface.push_transform(&Transform::from_row(scale, 0.0, 0.0, scale, x, y));
        for mark in &picture.marks {
            self.mark(mark);
        }
        self.surface.pop();
    }

    fn mark(&mut self, mark: &Mark) {
        match mark {
            Mark::Line { points, stroke } => {
                let Some(path) = path(points, false) else { return };
                let array: Vec<f32> = stroke.dash.iter().map(|d| *d as f32).collect();
                self.surface.set_fill(None);
                self.surface.set_stroke(Some(Stroke {
                    paint: paint(stroke.ink),
                    width: stroke.width as f32,
                    line_join: LineJoin::Round,
                    dash: (!array.is_empty()).then_some(StrokeDash { array, offset: 0.0 }),
                    ..Stroke::default()
                }));
                self.surface.draw_path(&path);
            }
            Mark::Area { points, fill: ink } => {
                let Some(path) = path(points, true) else { return };
                self.surface.set_stroke(None);
                self.surface.set_fill(Some(fill(paint(*ink))));
                self.surface.draw_path(&path);
            }
            Mark::Words { at, text, size, anchor, upwards } => {
                let (x, y, size) = (at.0 as f32, at.1 as f32, *size as f32);
                let text = self.fonts.shown(text);
                let wide = self.fonts.width(PLAIN, size, &text);
                let before = match anchor {
                    Anchor::Start => 0.0,
                    Anchor::Middle => wide / 2.0,
                    Anchor::End => wide,
                };
                if *upwards {
                    self.surface.push_transform(&Transform::from_rotate_at(-90.0, x, y));
                }
                self.words((x - before, y), PLAIN, size, &text);
                if *upwards {
                    self.surface.pop();
                }
            }
        }
    }
}

fn layout() -> ContentTag<'static> {
    ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout))
}

fn fill(paint: impl Into<Paint>) -> Fill {
    Fill { paint: paint.into(), ..Fill::default() }
}

fn paint(Ink(red, green, blue): Ink) -> Paint {
    if red == green && green == blue { luma::Color::new(red).into() } else { rgb::Color::new(red, green, blue).into() }
}

/// In hundredths of a point, which is finer than print and shorter than a whole number of `f32`.
fn path(points: &[(f64, f64)], closed: bool) -> Option<Path> {
    let short = |v: f64| ((v * 100.0).round() / 100.0) as f32;
    let mut path = PathBuilder::new();
    for (i, (x, y)) in points.iter().enumerate() {
        if i == 0 { path.move_to(short(*x), short(*y)) } else { path.line_to(short(*x), short(*y)) }
    }
    if closed {
        path.close();
    }
    path.finish()
}
