//! What may be in an SVG drawing. Elements that are not on the list are refused by name and line, and so is what draws otherwise without
//! being an element: filters, masks, references. What is left is written anew, attribute by attribute, and only that is drawn.

use std::fmt::Write;

use roxmltree::{Document, Error as XmlError, Node, NodeType, ParsingOptions};
use svgtypes::{PathParser, PathSegment};

use crate::PictureFault;

/// Elements that are drawn, or that say how.
const DRAWN: &[&str] = &[
    "svg",
    "g",
    "path",
    "rect",
    "circle",
    "ellipse",
    "line",
    "polyline",
    "polygon",
    "defs",
    "linearGradient",
    "radialGradient",
    "stop",
];
/// Elements that are words about it.
const WORDS: &[&str] = &["title", "desc"];

/// Attributes of numbers, or of lengths.
const NUMBERS: &[&str] = &[
    "viewBox",
    "width",
    "height",
    "x",
    "y",
    "x1",
    "y1",
    "x2",
    "y2",
    "cx",
    "cy",
    "r",
    "rx",
    "ry",
    "fx",
    "fy",
    "fr",
    "d",
    "points",
    "transform",
    "gradientTransform",
    "offset",
    "stroke-width",
    "stroke-miterlimit",
    "opacity",
    "fill-opacity",
    "stroke-opacity",
    "stop-opacity",
];
/// Attributes of words, colours, and references to gradients.
const CHOICES: &[&str] = &[
    "fill",
    "fill-rule",
    "stroke",
    "stroke-linecap",
    "stroke-linejoin",
    "stop-color",
    "color",
    "gradientUnits",
    "spreadMethod",
    "preserveAspectRatio",
    "display",
    "visibility",
    "paint-order",
];
/// What changes how a drawing looks by something that may not be in one: to leave it out would be another drawing.
const REFUSED: &[&str] = &[
    "filter",
    "mask",
    "clip-path",
    "clip",
    "marker",
    "marker-start",
    "marker-mid",
    "marker-end",
    "stroke-dasharray",
    "mix-blend-mode",
    "isolation",
];

/// Most nodes: elements, texts, remarks.
const NODES_MAX: u32 = 4_000;
/// Most elements that are drawn.
const DRAWN_MAX: usize = 1_500;
/// How deep they lie in one another.
const DEPTH_MAX: usize = 16;
/// Most gradients.
const GRADIENTS_MAX: usize = 64;
/// Most stops of all of them.
const STOPS_MAX: usize = 512;
/// Most elements that are drawn on a layer of their own.
const LAYERS_MAX: usize = 64;
/// Most segments of a path in a row that may come to nothing, arcs and closings: what reads paths calls itself for each of them.
const NOTHING_MAX: usize = 200;
/// Greatest number.
const NUMBER_MAX: f64 = 1e6;

/// What to do about most of it.
const REMEDY: &str = "save it as a plain SVG of paths, texts among them, without effects, or as a PNG";

/// The drawing written anew.
pub(crate) fn harmless(text: &str) -> Result<String, PictureFault> {
    let options = ParsingOptions { allow_dtd: false, nodes_limit: NODES_MAX, ..ParsingOptions::default() };
    let document = Document::parse_with_options(text, options).map_err(|why| xml_fault(&why))?;
    let root = document.root_element();
    if root.tag_name().name() != "svg" {
        return Err(fault(root, format!("its first element is <{}>, not <svg>", root.tag_name().name())));
    }
    let mut written = Written { text: String::new(), drawn: 0, gradients: 0, stops: 0, layers: 0 };
    written.element(root, 0)?;
    Ok(written.text)
}

fn xml_fault(why: &XmlError) -> PictureFault {
    let line = why.pos().row;
    match why {
        XmlError::DtdDetected => PictureFault::Drawing {
            line,
            what: format!("it has a document type (DTD), which may define anything; {REMEDY}"),
        },
        XmlError::NodesLimitReached => {
            PictureFault::Drawing { line: 1, what: format!("it has more than {NODES_MAX} nodes; {REMEDY}") }
        }
        other => PictureFault::Damaged(other.to_string()),
    }
}

fn fault(node: Node<'_, '_>, what: String) -> PictureFault {
    let line = node.document().text_pos_at(node.range().start).row;
    PictureFault::Drawing { line, what }
}

/// What of a drawing is kept, and how much that is so far.
struct Written {
    text: String,
    drawn: usize,
    gradients: usize,
    stops: usize,
    layers: usize,
}

impl Written {
    fn element(&mut self, node: Node<'_, '_>, depth: usize) -> Result<(), PictureFault> {
        let name = node.tag_name().name();
        // An element of another vocabulary is not what its last word says.
        let foreign = node.tag_name().namespace().is_some_and(|space| space != "http://www.w3.org/2000/svg");
        if foreign || !(DRAWN.contains(&name) || WORDS.contains(&name)) {
            return Err(fault(node, format!("<{name}> is not allowed in a mark; {REMEDY}")));
        }
        if name == "svg" && depth > 0 {
            return Err(fault(node, format!("<svg> within <svg> is not allowed in a mark; {REMEDY}")));
        }
        if depth > DEPTH_MAX {
            return Err(fault(node, format!("<{name}> lies in more than {DEPTH_MAX} others; {REMEDY}")));
        }
        if WORDS.contains(&name) {
            return self.words(node);
        }
        let (count, most, what) = match name {
            "linearGradient" | "radialGradient" => (&mut self.gradients, GRADIENTS_MAX, "gradients"),
            "stop" => (&mut self.stops, STOPS_MAX, "stops of gradients"),
            _ => (&mut self.drawn, DRAWN_MAX, "elements"),
        };
        *count += 1;
        if *count > most {
            return Err(fault(node, format!("there are more than {most} {what}; {REMEDY}")));
        }
        self.text.push('<');
        self.text.push_str(name);
        if name == "svg" {
            self.text.push_str(" xmlns=\"http://www.w3.org/2000/svg\" xmlns:xlink=\"http://www.w3.org/1999/xlink\"");
        }
        for attribute in node.attributes() {
            self.attribute(node, (attribute.name(), attribute.namespace()), attribute.value().trim())?;
        }
        self.text.push('>');
        for child in node.children() {
            match child.node_type() {
                NodeType::Element => self.element(child, depth + 1)?,
                NodeType::PI => return Err(fault(child, format!("a processing instruction is not allowed; {REMEDY}"))),
                NodeType::Text | NodeType::Comment | NodeType::Root => {}
            }
        }
        let _ = write!(self.text, "</{name}>");
        Ok(())
    }

    /// Words are left out, and have nothing in them that could be drawn.
    fn words(&self, node: Node<'_, '_>) -> Result<(), PictureFault> {
        let within = node.children().find(Node::is_element);
        within.map_or(Ok(()), |child| {
            let name = child.tag_name().name();
            Err(fault(
                child,
                format!("<{name}> within <{}> is not allowed in a mark; {REMEDY}", node.tag_name().name()),
            ))
        })
    }

    fn attribute(
        &mut self,
        node: Node<'_, '_>,
        (name, space): (&str, Option<&str>),
        value: &str,
    ) -> Result<(), PictureFault> {
        let of = node.tag_name().name();
        if name == "href" {
            let inside = value.strip_prefix('#').filter(|id| is_name(id));
            return match inside {
                Some(id) if of.ends_with("Gradient") => {
                    let _ = write!(self.text, " xlink:href=\"#{id}\"");
                    Ok(())
                }
                _ => {
                    Err(fault(node, format!("<{of}> refers to something else by href, which is not allowed; {REMEDY}")))
                }
            };
        }
        if space.is_some() {
            // What a drawing program keeps for itself.
            return Ok(());
        }
        if name.get(..2).is_some_and(|on| on.eq_ignore_ascii_case("on")) {
            return Err(fault(node, format!("<{of}> has a script in {name}, which is not allowed; {REMEDY}")));
        }
        match name {
            "id" => {
                if is_name(value) {
                    let _ = write!(self.text, " id=\"{value}\"");
                }
                Ok(())
            }
            "style" => self.style(node, value),
            _ => {
                if let Some(value) = self.kept(node, name, value)? {
                    let _ = write!(self.text, " {name}=\"{value}\"");
                }
                Ok(())
            }
        }
    }

    /// A list of attributes in one, which goes before the others.
    fn style(&mut self, node: Node<'_, '_>, value: &str) -> Result<(), PictureFault> {
        let mut kept = String::new();
        for stated in value.split(';') {
            let Some((name, value)) = stated.split_once(':') else { continue };
            let name = name.trim().to_ascii_lowercase();
            if let Some(value) = self.kept(node, &name, value.trim())? {
                let _ = write!(kept, "{name}:{value};");
            }
        }
        if !kept.is_empty() {
            let _ = write!(self.text, " style=\"{kept}\"");
        }
        Ok(())
    }

    /// A value as it is written; none where it says nothing of how the drawing looks.
    fn kept<'v>(&mut self, node: Node<'_, '_>, name: &str, value: &'v str) -> Result<Option<&'v str>, PictureFault> {
        let of = node.tag_name().name();
        let nothing = ["", "none", "normal", "auto"].contains(&value);
        if REFUSED.contains(&name) && !nothing {
            return Err(fault(node, format!("{name} of <{of}> is not allowed in a mark; {REMEDY}")));
        }
        let (numbers, choice) = (NUMBERS.contains(&name), CHOICES.contains(&name));
        if !(numbers || choice) {
            return Ok(None);
        }
        if choice && value.contains("url(") && !is_of_gradient(value) {
            return Err(fault(
                node,
                format!("{name} of <{of}> refers to something else, which is not allowed; {REMEDY}"),
            ));
        }
        let plain = |c: char| c.is_ascii_alphanumeric() || c.is_ascii_whitespace() || "+-.,%#()_:".contains(c);
        if let Some(sign) = value.chars().find(|c| !plain(*c)) {
            return Err(fault(node, format!("{name} of <{of}> has {sign:?} in it, which is not allowed; {REMEDY}")));
        }
        if numbers && let Some(number) = too_great(value) {
            return Err(fault(node, format!("{name} of <{of}>: {number} is not a number of at most {NUMBER_MAX}")));
        }
        if name == "d" && comes_to_nothing(value) {
            return Err(fault(
                node,
                format!("d of <{of}> has more than {NOTHING_MAX} arcs or closings in a row; {REMEDY}"),
            ));
        }
        if name == "opacity" {
            self.layers += 1;
            if self.layers > LAYERS_MAX {
                return Err(fault(node, format!("more than {LAYERS_MAX} elements have an opacity; {REMEDY}")));
            }
        }
        Ok(Some(value))
    }
}

fn is_name(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|c| c.is_alphanumeric() || "-_.:".contains(c))
}

/// "url(#a)", and a colour behind it.
fn is_of_gradient(value: &str) -> bool {
    let inside = value.strip_prefix("url(#").and_then(|rest| rest.split_once(')'));
    inside.is_some_and(|(id, rest)| is_name(id) && !rest.contains("url("))
}

/// The first number that is greater than any may be. Numbers follow one another without a blank where a sign or a second point says
/// that another begins.
fn too_great(value: &str) -> Option<&str> {
    let bytes = value.as_bytes();
    let digits = |from: usize| from + bytes.iter().skip(from).take_while(|b| b.is_ascii_digit()).count();
    let is = |at: usize, signs: &[u8]| bytes.get(at).is_some_and(|b| signs.contains(b));
    let mut at = 0;
    while at < bytes.len() {
        let from = at;
        at = digits(at);
        if is(at, b".") {
            at = digits(at + 1);
        }
        if at == from || at == from + 1 && is(from, b".") {
            at = from + 1;
            continue;
        }
        // An exponent, and no unit that begins with its letter.
        if is(at, b"eE") {
            let begins = at + 1 + usize::from(is(at + 1, b"+-"));
            let ends = digits(begins);
            if ends > begins {
                at = ends;
            }
        }
        let number = value.get(from..at)?;
        if !number.parse().is_ok_and(|number: f64| number <= NUMBER_MAX) {
            return Some(number);
        }
    }
    None
}

fn comes_to_nothing(path: &str) -> bool {
    let mut in_a_row = 0;
    for segment in PathParser::from(path) {
        match segment {
            Ok(PathSegment::EllipticalArc { .. } | PathSegment::ClosePath { .. }) => in_a_row += 1,
            Ok(_) => in_a_row = 0,
            Err(_) => return false,
        }
        if in_a_row > NOTHING_MAX {
            return true;
        }
    }
    false
}
