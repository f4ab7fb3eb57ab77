//! Pages being filled from the top: text that wraps, tables whose head comes again on the next page, and for each mark what it
//! is to a screen reader.

use super::lettering::{Lettering, Line, Weight};
use super::{Paper, PaperError};

/// Free on every side, in points.
const MARGIN: f32 = 54.0;
/// From one line to the next, in ems.
const LEADING: f32 = 1.36;
/// From a line's top to its base, in ems.
const ASCENT: f32 = 1.06;
/// Around the text of a table's cell, in points.
const CELL: f32 = 4.0;

/// How text looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Style {
    pub(super) weight: Weight,
    /// In points.
    pub(super) size: f32,
    pub(super) ink: Ink,
}

/// With what it is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ink {
    Black,
    Grey,
    Pale,
    White,
}

/// What a part is to a screen reader.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Kind {
    Title,
    Heading,
    Paragraph,
    Table,
    Row,
    HeadCell,
    Cell,
}

/// A part of the document, within another or at its top.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub(super) kind: Kind,
    pub(super) within: Option<usize>,
    /// For headings: their text, page and height on it, for the outline.
    pub(super) heads: Option<(String, usize, f32)>,
}

/// Something drawn. Heights are from the page's top.
#[derive(Debug, Clone)]
pub(super) enum Mark {
    /// Text with its base at `y`; of no part where it is repeated or only adorns.
    Text { x: f32, y: f32, line: Line, style: Style, part: Option<usize> },
    /// A filled box.
    Box { x: f32, y: f32, width: f32, height: f32, ink: Ink },
}

/// The pages.
pub(super) struct Sheet {
    lettering: Lettering,
    /// Width and height of a page.
    pub(super) size: (f32, f32),
    /// What is on each page.
    pub(super) pages: Vec<Vec<Mark>>,
    /// The parts, each after the one that it is within.
    pub(super) parts: Vec<Part>,
    running: String,
    y: f32,
}

impl Sheet {
    /// A first page; `running` comes again at the head of the others.
    pub(super) fn new(paper: Paper, running: &str) -> Result<Self, PaperError> {
        let lettering = Lettering::new()?;
        Ok(Self { lettering, size: paper.size(), pages: vec![Vec::new()], parts: Vec::new(), running: running.to_owned(), y: MARGIN })
    }

    /// The width between the margins.
    pub(super) const fn width(&self) -> f32 {
        self.size.0 - 2.0 * MARGIN
    }

    const fn bottom(&self) -> f32 {
        // Room for the foot.
        self.size.1 - MARGIN - 14.0
    }

    /// A new part of the document.
    pub(super) fn part(&mut self, kind: Kind, within: Option<usize>) -> usize {
        self.parts.push(Part { kind, within, heads: None });
        self.parts.len() - 1
    }

    fn mark(&mut self, mark: Mark) {
        if let Some(page) = self.pages.last_mut() {
            page.push(mark);
        }
    }

    /// Goes on to another page unless so much is free on this one.
    pub(super) fn need(&mut self, height: f32) {
        if self.y + height > self.bottom() && self.y > MARGIN {
            self.turn();
        }
    }

    fn turn(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
        let style = Style { weight: Weight::Regular, size: 8.5, ink: Ink::Grey };
        let line = self.lettering.one(&self.running, style.weight, style.size, self.width());
        self.mark(Mark::Text { x: MARGIN, y: MARGIN + 9.0, line, style, part: None });
        self.y += 26.0;
    }

    /// Leaves room.
    pub(super) const fn skip(&mut self, height: f32) {
        self.y += height;
    }

    /// A line across.
    pub(super) fn rule(&mut self) {
        self.mark(Mark::Box { x: MARGIN, y: self.y, width: self.width(), height: 0.8, ink: Ink::Grey });
        self.y += 1.0;
    }

    /// Text that wraps, and goes on over the page where it must.
    pub(super) fn text(&mut self, kind: Kind, text: &str, style: Style) {
        let heading = matches!(kind, Kind::Title | Kind::Heading);
        let part = self.part(kind, None);
        if heading {
            self.need(style.size * LEADING + 48.0);
            let heads = (text.to_owned(), self.pages.len() - 1, self.y);
            if let Some(part) = self.parts.get_mut(part) {
                part.heads = Some(heads);
            }
        }
        self.flow(text, style, 0.0, part);
        if heading {
            self.y += 2.5;
        }
    }

    fn flow(&mut self, text: &str, style: Style, indent: f32, part: usize) {
        for line in self.lettering.wrapped(text, style.weight, style.size, self.width() - indent) {
            self.need(style.size * LEADING);
            self.mark(Mark::Text { x: MARGIN + indent, y: self.y + style.size * ASCENT, line, style, part: Some(part) });
            self.y += style.size * LEADING;
        }
    }

    /// A fact: its name on the left, and what it is beside it.
    pub(super) fn fact(&mut self, name: &str, fact: &str, style: Style) {
        let part = self.part(Kind::Paragraph, None);
        self.need(style.size * LEADING);
        let grey = Style { ink: Ink::Grey, weight: Weight::Regular, ..style };
        let line = self.lettering.one(&format!("{name}:"), grey.weight, grey.size, 84.0);
        self.mark(Mark::Text { x: MARGIN, y: self.y + style.size * ASCENT, line, style: grey, part: Some(part) });
        let before = self.y;
        self.flow(fact, style, 90.0, part);
        if self.y <= before {
            self.y += style.size * LEADING;
        }
        self.y += 1.5;
    }

    /// A black box with white words in it, for what must not be overlooked.
    pub(super) fn warning(&mut self, big: &str, small: &str) {
        let (first, second) =
            (Style { weight: Weight::Bold, size: 19.0, ink: Ink::White }, Style { weight: Weight::Bold, size: 10.5, ink: Ink::White });
        let height = (first.size + second.size) * LEADING + 16.0;
        self.need(height);
        self.mark(Mark::Box { x: MARGIN, y: self.y, width: self.width(), height, ink: Ink::Black });
        let part = self.part(Kind::Paragraph, None);
        let mut y = self.y + 8.0;
        for (words, style) in [(big, first), (small, second)] {
            let line = self.lettering.one(words, style.weight, style.size, self.width() - 24.0);
            self.mark(Mark::Text { x: MARGIN + 12.0, y: y + style.size * ASCENT, line, style, part: Some(part) });
            y += style.size * LEADING;
        }
        self.y += height;
    }

    /// A table. Columns have a name and a share of the width. The head comes again where the table goes on over the page.
    pub(super) fn table(&mut self, columns: &[(&str, f32)], rows: &[Vec<String>], size: f32) {
        let table = self.part(Kind::Table, None);
        let head: Vec<String> = columns.iter().map(|(name, _)| (*name).to_owned()).collect();
        let (bold, plain) =
            (Style { weight: Weight::Bold, size, ink: Ink::Black }, Style { weight: Weight::Regular, size, ink: Ink::Black });
        let row_height = size * LEADING + 2.0 * CELL;
        self.need(3.0 * row_height);
        self.row(columns, &head, bold, Some((table, Kind::HeadCell)));
        for row in rows {
            let tallest = row.iter().zip(columns).map(|(text, column)| self.cell(text, plain, column.1).len()).max().unwrap_or(1);
            let height = f32::from(u8::try_from(tallest).unwrap_or(u8::MAX)) * size * LEADING + 2.0 * CELL;
            if self.y + height > self.bottom() {
                self.turn();
                self.row(columns, &head, bold, None);
            }
            self.row(columns, row, plain, Some((table, Kind::Cell)));
        }
    }

    fn cell(&self, text: &str, style: Style, share: f32) -> Vec<Line> {
        self.lettering.wrapped(text, style.weight, style.size, self.width() * share - 2.0 * CELL)
    }

    /// One row of a table, of no part where it is the head come again.
    fn row(&mut self, columns: &[(&str, f32)], cells: &[String], style: Style, of: Option<(usize, Kind)>) {
        let (top, head) = (self.y, style.weight == Weight::Bold);
        let laid: Vec<Vec<Line>> = cells.iter().zip(columns).map(|(text, column)| self.cell(text, style, column.1)).collect();
        let tallest = laid.iter().map(Vec::len).max().unwrap_or(0).max(1);
        let height = f32::from(u8::try_from(tallest).unwrap_or(u8::MAX)) * style.size * LEADING + 2.0 * CELL;
        if head {
            self.mark(Mark::Box { x: MARGIN, y: top, width: self.width(), height, ink: Ink::Pale });
        }
        let row = of.as_ref().map(|(table, _)| self.part(Kind::Row, Some(*table)));
        let mut x = MARGIN;
        for (lines, column) in laid.into_iter().zip(columns) {
            let part = of.as_ref().zip(row).map(|((_, kind), row)| self.part(kind.clone(), Some(row)));
            let mut y = top + CELL;
            for line in lines {
                self.mark(Mark::Text { x: x + CELL, y: y + style.size * ASCENT, line, style, part });
                y += style.size * LEADING;
            }
            x += self.width() * column.1;
        }
        self.y = top + height;
        self.mark(Mark::Box { x: MARGIN, y: self.y - 0.5, width: self.width(), height: 0.5, ink: Ink::Grey });
    }

    /// Lines to sign on, side by side, with what each is for under it.
    pub(super) fn signatures(&mut self, names: [&str; 2], style: Style) {
        self.need(64.0);
        self.y += 36.0;
        let (gap, part) = (28.0, self.part(Kind::Paragraph, None));
        let width = (self.width() - gap) / 2.0;
        let mut x = MARGIN;
        for name in names {
            self.mark(Mark::Box { x, y: self.y, width, height: 0.8, ink: Ink::Black });
            let line = self.lettering.one(name, style.weight, style.size, width);
            self.mark(Mark::Text { x, y: self.y + 3.0 + style.size * ASCENT, line, style, part: Some(part) });
            x += width + gap;
        }
        self.y += 3.0 + style.size * LEADING;
    }

    /// Numbers the pages at their foot, and gives them away.
    pub(super) fn numbered(mut self) -> Self {
        let of = self.pages.len();
        let style = Style { weight: Weight::Regular, size: 8.5, ink: Ink::Grey };
        for n in 0..of {
            let line = self.lettering.one(&format!("Page {} of {of}", n + 1), style.weight, style.size, self.width());
            let x = self.size.0 - MARGIN - line.width() * style.size;
            let y = self.size.1 - MARGIN + 6.0;
            if let Some(page) = self.pages.get_mut(n) {
                page.push(Mark::Text { x, y, line, style, part: None });
            }
        }
        self
    }
}
