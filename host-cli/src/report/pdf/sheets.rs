//! Strips stacked on sheets.

use super::flow::{Flow, Hold, Strip};

/// A strip on its sheet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placed {
    /// Its number in the flow; that of a head where `again` is set.
    pub(super) index: usize,
    /// Its top, from the upper margin.
    pub(super) top: f32,
    /// The head of a table that goes on from the sheet before.
    pub(super) again: bool,
}

impl Placed {
    pub(super) fn strip<'a>(&self, flow: &'a Flow<'_>) -> &'a Strip {
        if self.again { &flow.heads[self.index] } else { &flow.strips[self.index] }
    }
}

/// Every strip on a sheet, in order. Strips that hold together stay together; only what is higher than a whole sheet is
/// taken apart, first where it holds loosely.
pub(super) fn stack(flow: &Flow<'_>, down: f32) -> Vec<Vec<Placed>> {
    let mut stack = Stack { flow, down, sheets: vec![Vec::new()], used: 0.0 };
    stack.place(0..flow.strips.len(), Hold::No);
    stack.sheets
}

struct Stack<'a> {
    flow: &'a Flow<'a>,
    down: f32,
    sheets: Vec<Vec<Placed>>,
    used: f32,
}

impl Stack<'_> {
    /// Places strips in chains: within a chain every strip holds the next more firmly than `than`.
    fn place(&mut self, strips: std::ops::Range<usize>, than: Hold) {
        let mut from = strips.start;
        for to in strips.clone() {
            if to + 1 < strips.end && self.flow.strips[to].hold > than {
                continue;
            }
            let chain = from..to + 1;
            from = to + 1;
            let new = self.flow.strips[chain.start].fresh && !self.empty();
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

    /// Height of strips; what is free before the first counts unless it begins a sheet.
    fn height(&self, chain: std::ops::Range<usize>, before: bool) -> f32 {
        let strips = &self.flow.strips[chain];
        let whole: f32 = strips.iter().map(|strip| strip.before + strip.height).sum();
        whole - if before { 0.0 } else { strips.first().map_or(0.0, |strip| strip.before) }
    }

    /// Height of the head that has to be repeated before a strip.
    fn head(&self, strip: usize) -> f32 {
        self.flow.strips[strip].head.map_or(0.0, |head| self.flow.heads[head].height)
    }

    /// Begins a sheet, unless the last one is empty.
    fn turn(&mut self, first: usize) {
        if self.empty() {
            return;
        }
        self.sheets.push(Vec::new());
        self.used = 0.0;
        if let Some(head) = self.flow.strips[first].head {
            self.set(Placed { index: head, top: 0.0, again: true }, self.flow.heads[head].height);
        }
    }

    fn put(&mut self, chain: std::ops::Range<usize>) {
        for index in chain {
            let strip = &self.flow.strips[index];
            let top = if self.empty() { 0.0 } else { self.used + strip.before };
            self.set(Placed { index, top, again: false }, strip.height);
        }
    }

    fn set(&mut self, placed: Placed, height: f32) {
        self.used = placed.top + height;
        if let Some(sheet) = self.sheets.last_mut() {
            sheet.push(placed);
        }
    }
}
