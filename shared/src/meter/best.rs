//! The best chain for each greatest edge, in a segment tree: add to a stretch, set one, ask for the best of a prefix.

use std::ops::Range;

/// What a chain is worth: its weight, then how early its readings are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Worth {
    pub(super) weight: u64,
    pub(super) early_ms: i128,
}

impl Worth {
    pub(super) const fn plus(self, other: Self) -> Self {
        Self { weight: self.weight.saturating_add(other.weight), early_ms: self.early_ms.saturating_add(other.early_ms) }
    }
}

/// A node: the best worth below it and at which place, with `owed` still to be added to all below.
#[derive(Debug, Clone, Copy, Default)]
struct Node {
    best: Option<(usize, Worth)>,
    owed: Worth,
}

/// One worth, or none yet, for each of a number of places.
#[derive(Debug)]
pub(super) struct Best {
    nodes: Vec<Node>,
}

impl Best {
    pub(super) fn new(places: usize) -> Self {
        Self { nodes: vec![Node::default(); 2 * places.next_power_of_two()] }
    }

    /// Adds to every place from `from` up to, not including, `to` that holds something.
    pub(super) fn add(&mut self, from: usize, to: usize, worth: Worth) {
        self.add_below(1, 0..self.width(), &(from..to), worth);
    }

    /// Sets one of the places.
    pub(super) fn set(&mut self, place: usize, worth: Worth) {
        self.set_below(1, 0..self.width(), place, worth);
    }

    /// The greatest worth among places before `to`, at the first such place.
    pub(super) fn greatest(&mut self, to: usize) -> Option<(usize, Worth)> {
        self.greatest_below(1, 0..self.width(), to)
    }

    fn width(&self) -> usize {
        self.nodes.len() / 2
    }

    fn add_below(&mut self, node: usize, span: Range<usize>, part: &Range<usize>, worth: Worth) {
        if part.end <= span.start || span.end <= part.start {
            return;
        }
        if part.start <= span.start && span.end <= part.end {
            self.owe(node, worth);
            return;
        }
        let middle = self.halve(node, &span);
        self.add_below(2 * node, span.start..middle, part, worth);
        self.add_below(2 * node + 1, middle..span.end, part, worth);
        self.join(node);
    }

    fn set_below(&mut self, node: usize, span: Range<usize>, place: usize, worth: Worth) {
        if span.len() == 1 {
            self.nodes[node] = Node { best: Some((place, worth)), owed: Worth::default() };
            return;
        }
        let middle = self.halve(node, &span);
        if place < middle {
            self.set_below(2 * node, span.start..middle, place, worth);
        } else {
            self.set_below(2 * node + 1, middle..span.end, place, worth);
        }
        self.join(node);
    }

    fn greatest_below(&mut self, node: usize, span: Range<usize>, to: usize) -> Option<(usize, Worth)> {
        if to <= span.start {
            return None;
        }
        if span.end <= to {
            return self.nodes[node].best;
        }
        let middle = self.halve(node, &span);
        let left = self.greatest_below(2 * node, span.start..middle, to);
        let right = self.greatest_below(2 * node + 1, middle..span.end, to);
        greater(left, right)
    }

    /// Hands what is owed down one level; the middle of the span.
    fn halve(&mut self, node: usize, span: &Range<usize>) -> usize {
        let owed = std::mem::take(&mut self.nodes[node].owed);
        self.owe(2 * node, owed);
        self.owe(2 * node + 1, owed);
        span.start.midpoint(span.end)
    }

    fn owe(&mut self, node: usize, worth: Worth) {
        let held = &mut self.nodes[node];
        held.best = held.best.map(|(place, best)| (place, best.plus(worth)));
        held.owed = held.owed.plus(worth);
    }

    fn join(&mut self, node: usize) {
        self.nodes[node].best = greater(self.nodes[2 * node].best, self.nodes[2 * node + 1].best);
    }
}

/// The greater of two, the left where they are equal.
fn greater(left: Option<(usize, Worth)>, right: Option<(usize, Worth)>) -> Option<(usize, Worth)> {
    match (left, right) {
        (Some(l), Some(r)) => Some(if r.1 > l.1 { r } else { l }),
        (one, other) => one.or(other),
    }
}
