//! Strips stacked on pages.

use super::layout::{DocumentLayout, KeepWithNext, Strip};

/// A strip on its page.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlacedStrip {
    /// Its number in the layout; that of a head where `again` is set.
    pub(super) index: usize,
    /// Its top, from the upper margin.
    pub(super) top: f32,
    /// The head of a table continued from the page before.
    pub(super) again: bool,
}

impl PlacedStrip {
    pub(super) fn strip<'a>(&self, layout: &'a DocumentLayout<'_>) -> &'a Strip {
        if self.again { &layout.heads[self.index] } else { &layout.strips[self.index] }
    }
}

/// Every strip on a page, in order. Strips that belong together stay together; only what is higher than a page is
/// split, first at its weakest joint.
pub(super) fn stack(layout: &DocumentLayout<'_>, down: f32) -> Vec<Vec<PlacedStrip>> {
    let mut stack = PageStack { layout, down, sheets: vec![Vec::new()], used: 0.0 };
    stack.place(0..layout.strips.len(), KeepWithNext::No);
    stack.sheets
}

struct PageStack<'a> {
    layout: &'a DocumentLayout<'a>,
    down: f32,
    sheets: Vec<Vec<PlacedStrip>>,
    used: f32,
}

impl PageStack<'_> {
    /// Places strips in chains: within a chain every strip is kept with the next more firmly than `than`.
    fn place(&mut self, strips: std::ops::Range<usize>, than: KeepWithNext) {
        let mut from = strips.start;
        for to in strips.clone() {
            if to + 1 < strips.end && self.layout.strips[to].hold > than {
                continue;
            }
            let chain = from..to + 1;
            from = to + 1;
            let new = self.layout.strips[chain.start].fresh && !self.empty();
            if !new && self.used + self.height(chain.clone(), !self.empty()) <= self.down {
                self.put(chain);
            } else if self.head(chain.start) + self.height(chain.clone(), false) <= self.down || chain.len() == 1 {
                self.turn(chain.start);
                self.put(chain);
            } else {
                if new {
                    self.turn(chain.start);
                }
                self.place(chain, than.next());
            }
        }
    }

    fn empty(&self) -> bool {
        self.sheets.last().is_none_or(Vec::is_empty)
    }

    /// Height of strips; space before the first counts unless it begins a page.
    fn height(&self, chain: std::ops::Range<usize>, before: bool) -> f32 {
        let strips = &self.layout.strips[chain];
        let whole: f32 = strips.iter().map(|strip| strip.before + strip.height).sum();
        whole - if before { 0.0 } else { strips.first().map_or(0.0, |strip| strip.before) }
    }

    /// Height of the head that has to be repeated before a strip.
    fn head(&self, strip: usize) -> f32 {
        self.layout.strips[strip].head.map_or(0.0, |head| self.layout.heads[head].height)
    }

    /// Begins a page, unless the last one is empty.
    fn turn(&mut self, first: usize) {
        if self.empty() {
            return;
        }
        self.sheets.push(Vec::new());
        self.used = 0.0;
        if let Some(head) = self.layout.strips[first].head {
            self.set(PlacedStrip { index: head, top: 0.0, again: true }, self.layout.heads[head].height);
        }
    }

    fn put(&mut self, chain: std::ops::Range<usize>) {
        for index in chain {
            let strip = &self.layout.strips[index];
            let top = if self.empty() { 0.0 } else { self.used + strip.before };
            self.set(PlacedStrip { index, top, again: false }, strip.height);
        }
    }

    fn set(&mut self, placed: PlacedStrip, height: f32) {
        self.used = placed.top + height;
        if let Some(sheet) = self.sheets.last_mut() {
            sheet.push(placed);
        }
    }
}
