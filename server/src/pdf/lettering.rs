//! Lettering: text to glyphs of the two fonts, and to lines that fit a width.

use std::ops::Range;

use rustybuzz::{Direction, Face, UnicodeBuffer};
use shared::text::misleads;

use super::PaperError;

/// What stands for a letter that the fonts do not have.
const REPLACEMENT: char = '\u{fffd}';

/// Which of the two fonts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

impl Weight {
    /// The font's file.
    pub(super) const fn file(self) -> &'static [u8] {
        match self {
            Self::Regular => include_bytes!("fonts/sans-regular.ttf"),
            Self::Bold => include_bytes!("fonts/sans-bold.ttf"),
        }
    }
}

/// One glyph, its measures in ems.
#[derive(Debug, Clone)]
pub(super) struct Glyph {
    pub(super) id: u32,
    pub(super) advance: f32,
    pub(super) offset: (f32, f32),
    /// The part of the text that it shows.
    pub(super) shows: Range<usize>,
}

/// A line of text as glyphs.
#[derive(Debug, Clone)]
pub(super) struct Line {
    pub(super) text: String,
    pub(super) glyphs: Vec<Glyph>,
}

impl Line {
    /// Its width in ems.
    pub(super) fn width(&self) -> f32 {
        self.glyphs.iter().map(|glyph| glyph.advance).sum()
    }
}

/// The two fonts.
pub(super) struct Lettering {
    regular: Face<'static>,
    bold: Face<'static>,
}

impl Lettering {
    pub(super) fn new() -> Result<Self, PaperError> {
        let face = |weight: Weight| Face::from_slice(weight.file(), 0).ok_or(PaperError::Font);
        Ok(Self { regular: face(Weight::Regular)?, bold: face(Weight::Bold)? })
    }

    const fn face(&self, weight: Weight) -> &Face<'static> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Text that can be printed: one line, no controls, no marks that turn its direction, every letter one that the font has.
    fn clean(&self, text: &str, weight: Weight) -> String {
        let face = self.face(weight);
        let printable = |c: char| match c {
            c if c.is_whitespace() || c.is_control() => Some(' '),
            // Besides what misleads: joiners and variation selectors, which say nothing to these fonts.
            '\u{200c}' | '\u{200d}' | '\u{fe00}'..='\u{fe0f}' => None,
            c if misleads(c) => None,
            c if face.glyph_index(c).is_some() => Some(c),
            _ => Some(REPLACEMENT),
        };
        let whole: String = text.chars().filter_map(printable).collect();
        whole.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
    }

    /// One line of glyphs out of clean text.
    fn shaped(&self, text: &str, weight: Weight) -> Line {
        let face = self.face(weight);
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        buffer.set_direction(Direction::LeftToRight);
        let shaped = rustybuzz::shape(face, &[], buffer);
        let em = f64::from(face.units_per_em());
        let ems = |units: i32| narrow(f64::from(units) / em);
        let infos = shaped.glyph_infos();
        let cluster = |n: usize| infos.get(n).map_or(text.len(), |info| usize::try_from(info.cluster).unwrap_or(text.len()));
        let glyphs = infos.iter().zip(shaped.glyph_positions()).enumerate().map(|(n, (info, place))| {
            let start = cluster(n);
            let next = (n + 1..=infos.len()).map(cluster).find(|end| *end != start).unwrap_or(text.len());
            let offset = (ems(place.x_offset), ems(place.y_offset));
            Glyph { id: info.glyph_id, advance: ems(place.x_advance), offset, shows: start..next.max(start) }
        });
        Line { glyphs: glyphs.collect(), text: text.to_owned() }
    }

    /// A text as one line, cut with an ellipsis where it is wider than `width` points.
    pub(super) fn one(&self, text: &str, weight: Weight, size: f32, width: f32) -> Line {
        let mut lines = self.wrapped(text, weight, size, width).into_iter();
        let first = lines.next().unwrap_or_else(|| self.shaped("", weight));
        if lines.next().is_none() {
            return first;
        }
        let mut cut = first.text;
        loop {
            let line = self.shaped(&format!("{}…", cut.trim_end()), weight);
            if line.width() * size <= width || cut.pop().is_none() {
                return line;
            }
        }
    }

    /// A text as lines of at most `width` points each; a word that is wider is broken where it must be.
    pub(super) fn wrapped(&self, text: &str, weight: Weight, size: f32, width: f32) -> Vec<Line> {
        let clean = self.clean(text, weight);
        let (most, space) = (width / size, self.shaped(" ", weight).width());
        let (mut lines, mut open, mut used) = (Vec::new(), String::new(), 0.0);
        for word in clean.split(' ').flat_map(|word| self.broken(word, weight, most)) {
            let wide = self.shaped(&word, weight).width();
            if !open.is_empty() && used + space + wide > most {
                lines.push(self.shaped(&open, weight));
                (open, used) = (String::new(), 0.0);
            }
            if !open.is_empty() {
                open.push(' ');
                used += space;
            }
            open.push_str(&word);
            used += wide;
        }
        if !open.is_empty() {
            lines.push(self.shaped(&open, weight));
        }
        lines
    }

    /// A word in pieces of at most `most` ems, each of at least one glyph.
    fn broken(&self, word: &str, weight: Weight, most: f32) -> Vec<String> {
        let (mut pieces, mut rest) = (Vec::new(), word);
        while !rest.is_empty() {
            let line = self.shaped(rest, weight);
            let mut used = 0.0;
            let too_wide = line.glyphs.iter().find(|glyph| {
                used += glyph.advance;
                used > most && glyph.shows.start > 0
            });
            let cut = too_wide.map_or(rest.len(), |glyph| glyph.shows.start);
            let (piece, after) = rest.split_at_checked(cut).unwrap_or((rest, ""));
            pieces.push(piece.to_owned());
            rest = after;
        }
        pieces
    }
}

/// A measure in the library's precision.
#[expect(clippy::cast_possible_truncation, reason = "ems of one glyph: far within f32, and its precision is the library's own")]
const fn narrow(ems: f64) -> f32 {
    ems as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_lose_no_letter() {
        let lettering = Lettering::new().unwrap();
        let texts = ["spring check of the mower by the lake", &"x".repeat(500), "Żółć Ωμέγα Щука œuvre fi ffl", &"ẅ".repeat(90), "", "   "];
        for text in texts {
            let lines = lettering.wrapped(text, Weight::Regular, 10.0, 80.0);
            for line in &lines {
                assert!(line.width() * 10.0 <= 80.5, "{} is {} wide", line.text, line.width() * 10.0);
            }
            let joined: String = lines.iter().map(|line| line.text.replace(' ', "")).collect();
            assert_eq!(joined, text.replace(' ', ""));
        }
    }

    #[test]
    fn what_cannot_be_printed_is_replaced_and_what_misleads_is_gone() {
        let lettering = Lettering::new().unwrap();
        let clean = |text: &str| lettering.clean(text, Weight::Bold);
        assert_eq!(clean("a\u{202e}b\n\tc\u{0}d"), "ab c d");
        assert_eq!(clean("工 \u{1f600} \u{e000}"), "\u{fffd} \u{fffd} \u{fffd}");
        for c in (0..=0x10_ffff).filter_map(char::from_u32) {
            assert!(!clean(&format!("a{c}b")).chars().any(|shown| shown == '\n' || misleads(shown)), "{c:?}");
        }
        let (long, width) = ("far too long for this", 40.0);
        let cut = lettering.one(long, Weight::Bold, 10.0, width);
        let kept = cut.text.strip_suffix('…').unwrap_or("");
        assert!(!kept.is_empty() && long.starts_with(kept) && cut.width() * 10.0 <= width, "{}", cut.text);
        let more = lettering.shaped(&format!("{}…", &long[..=kept.len()]), Weight::Bold);
        assert!(more.width() * 10.0 > width, "{} would have had room", more.text);
    }
}
