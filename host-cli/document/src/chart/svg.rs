//! Pictures as SVG.

use std::fmt::Write;

use maud::{Markup, html};

use super::{Anchor, Ink, Mark, Picture};

impl Picture {
    /// As an `svg` element to stand in a page. `id` must not be used twice in one page; it names the title and the
    /// description for screen readers.
    pub fn svg(&self, id: &str) -> Markup {
        let view = format!("0 0 {} {}", short(self.width), short(self.height));
        let (title, about) = (format!("{id}-title"), format!("{id}-about"));
        html! {
            svg xmlns="http://www.w3.org/2000/svg" viewBox=(view) width=(short(self.width)) height=(short(self.height))
                role="img" aria-labelledby={ (title) " " (about) }
            {
                title id=(title) { (self.title) }
                desc id=(about) { (self.about) }
                @for mark in &self.marks { (draw(mark)) }
            }
        }
    }
}

fn draw(mark: &Mark) -> Markup {
    match mark {
        Mark::Line { points, stroke } => {
            let dash =
                (!stroke.dash.is_empty()).then(|| stroke.dash.iter().map(|d| short(*d)).collect::<Vec<_>>().join(" "));
            html! {
                path d=(path(points, false)) fill="none" stroke=(colour(stroke.ink)) stroke-width=(short(stroke.width))
                    stroke-dasharray=[dash] stroke-linejoin="round" {}
            }
        }
        Mark::Area { points, fill } => html! { path d=(path(points, true)) fill=(colour(*fill)) {} },
        Mark::Words { at, text, size, anchor, upwards } => {
            let (x, y) = (short(at.0), short(at.1));
            let turn = upwards.then(|| format!("rotate(-90 {x} {y})"));
            let anchor = match anchor {
                Anchor::Start => None,
                Anchor::Middle => Some("middle"),
                Anchor::End => Some("end"),
            };
            html! {
                // The description is enough; single words of a chart would only disturb a screen reader.
                text x=(x) y=(y) font-size=(short(*size)) text-anchor=[anchor] transform=[turn] aria-hidden="true"
                    { (text) }
            }
        }
    }
}

/// Relative moves are shorter than absolute ones.
fn path(points: &[(f64, f64)], closed: bool) -> String {
    let mut d = String::new();
    let tenths = |v: f64| (v * 10.0).round() as i64;
    let mut last = (0, 0);
    for (i, (x, y)) in points.iter().enumerate() {
        let now = (tenths(*x), tenths(*y));
        let step = (now.0 - last.0, now.1 - last.1);
        let _ = match i {
            0 => write!(d, "M{} {}", ten(now.0), ten(now.1)),
            _ => write!(d, "l{} {}", ten(step.0), ten(step.1)),
        };
        last = now;
    }
    if closed {
        d.push('z');
    }
    d
}

/// Tenths as a decimal.
fn ten(tenths: i64) -> String {
    let sign = if tenths < 0 { "-" } else { "" };
    let (whole, rest) = (tenths.unsigned_abs() / 10, tenths.unsigned_abs() % 10);
    if rest == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{rest}") }
}

fn short(value: f64) -> String {
    ten((value * 10.0).round() as i64)
}

fn colour(ink: Ink) -> String {
    format!("#{:02x}{:02x}{:02x}", ink.0, ink.1, ink.2)
}
