//! The file: pages of marks to PDF, each mark told apart for screen readers, or as an adornment. Only this file names the library.

use std::num::NonZeroU16;

use jiff::civil::Date;
use krilla::color::luma;
use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::{DateTime, Metadata};
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::Fill;
use krilla::surface::Surface;
use krilla::tagging::{Artifact, ArtifactType, ContentTag, Identifier, Node, SpanTag, TableHeaderScope, Tag, TagGroup, TagKind, TagTree};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

use super::PaperError;
use super::lettering::{Line, Weight};
use super::sheet::{Ink, Kind, Mark, Part, Sheet};

/// In which language a record is written.
const LANGUAGE: &str = "en";

/// The file of these pages. The same pages, title and day give the same bytes.
pub(super) fn written(sheet: Sheet, title: &str, author: &str, made: Date) -> Result<Vec<u8>, PaperError> {
    let unwritten = |what: &str| PaperError::Unwritten(what.to_owned());
    let configuration = ConfigurationBuilder::new().with_accessibility_validator(Accessibility::UA1).finish();
    let configuration = configuration.map_err(|error| PaperError::Unwritten(format!("{error:?}")))?;
    let mut document = Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    let font = |weight: Weight| Font::new(weight.file().into(), 0).ok_or(PaperError::Font);
    let fonts = (font(Weight::Regular)?, font(Weight::Bold)?);
    let mut shown: Vec<Vec<Identifier>> = vec![Vec::new(); sheet.parts.len()];
    for marks in &sheet.pages {
        let settings = PageSettings::from_wh(sheet.size.0, sheet.size.1).ok_or_else(|| unwritten("a page has no size"))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        for mark in marks {
            if let Some((part, identifier)) = draw(&mut surface, mark, &fonts)
                && let Some(of_part) = shown.get_mut(part)
            {
                of_part.push(identifier);
            }
        }
        surface.finish();
        page.finish();
    }
    document.set_tag_tree(tree(&sheet.parts, shown));
    document.set_outline(outline(&sheet.parts));
    let metadata = Metadata::new()
        .title(title.chars().filter(|c| !c.is_control()).collect())
        .authors(vec![author.chars().filter(|c| !c.is_control()).collect()])
        .creator("Tappetbook".to_owned())
        .language(LANGUAGE.to_owned());
    document.set_metadata(match date_of(made) {
        Some(date) => metadata.creation_date(date),
        None => metadata,
    });
    document.finish().map_err(|error| PaperError::Unwritten(format!("{error:?}")))
}

/// The day alone: with a time in it, no two files would be the same.
fn date_of(day: Date) -> Option<DateTime> {
    let small = |n: i8| u8::try_from(n).ok();
    Some(DateTime::new(u16::try_from(day.year()).ok()?).month(small(day.month())?).day(small(day.day())?))
}

fn grey_of(ink: Ink) -> luma::Color {
    luma::Color::new(match ink {
        Ink::Black => 0,
        // At least 4.5 to 1 against white (WCAG 2.2, 1.4.3): 5.7 to 1.
        Ink::Grey => 102,
        Ink::Pale => 232,
        Ink::White => 255,
    })
}

/// Draws a mark; text that is part of the document is given back with its part.
fn draw(surface: &mut Surface<'_>, mark: &Mark, fonts: &(Font, Font)) -> Option<(usize, Identifier)> {
    match mark {
        Mark::Box { x, y, width, height, ink } => {
            let mut path = PathBuilder::new();
            path.push_rect(Rect::from_xywh(*x, *y, *width, *height)?);
            let path = path.finish()?;
            surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout)));
            surface.set_fill(Some(Fill { paint: grey_of(*ink).into(), ..Fill::default() }));
            surface.draw_path(&path);
            surface.end_tagged();
            None
        }
        Mark::Text { x, y, line, style, part } => {
            let tag = match part {
                Some(_) => ContentTag::Span(SpanTag::empty()),
                None => ContentTag::Artifact(Artifact::with_kind(ArtifactType::PaginationOther)),
            };
            let identifier = surface.start_tagged(tag);
            surface.set_fill(Some(Fill { paint: grey_of(style.ink).into(), ..Fill::default() }));
            let font = match style.weight {
                Weight::Regular => &fonts.0,
                Weight::Bold => &fonts.1,
            };
            surface.draw_glyphs(Point::from_xy(*x, *y), &glyphs(line), font.clone(), &line.text, style.size, false);
            surface.end_tagged();
            part.map(|part| (part, identifier))
        }
    }
}

fn glyphs(line: &Line) -> Vec<KrillaGlyph> {
    let glyph =
        |g: &super::lettering::Glyph| KrillaGlyph::new(GlyphId::new(g.id), g.advance, g.offset.0, g.offset.1, 0.0, g.shows.clone(), None);
    line.glyphs.iter().map(glyph).collect()
}

/// The document's parts as a tree. Parts come after what they are within, so the last is folded in first.
fn tree(parts: &[Part], shown: Vec<Vec<Identifier>>) -> TagTree {
    let mut inner: Vec<Vec<Node>> = shown.into_iter().map(|ids| ids.into_iter().map(Node::from).collect()).collect();
    let mut top: Vec<Node> = Vec::new();
    for (n, part) in parts.iter().enumerate().rev() {
        let children = inner.get_mut(n).map(std::mem::take).unwrap_or_default();
        let nested = matches!(part.kind, Kind::Table | Kind::Row);
        // What is folded into a table or row came last first.
        let children = if nested { children.into_iter().rev().collect() } else { children };
        let group = Node::Group(TagGroup::with_children(kind_of(part), children));
        match part.within.and_then(|outer| inner.get_mut(outer)) {
            Some(outer) => outer.push(group),
            None => top.push(group),
        }
    }
    let mut tree = TagTree::new().with_lang(Some(LANGUAGE.to_owned()));
    for node in top.into_iter().rev() {
        tree.push(node);
    }
    tree
}

fn kind_of(part: &Part) -> TagKind {
    let heading = |level: NonZeroU16| Tag::Hn(level, part.heads.as_ref().map(|(text, ..)| text.clone())).into();
    match part.kind {
        Kind::Title => heading(NonZeroU16::MIN),
        Kind::Heading => heading(NonZeroU16::MIN.saturating_add(1)),
        Kind::Paragraph => Tag::P.into(),
        Kind::Table => Tag::Table.into(),
        Kind::Row => Tag::TR.into(),
        Kind::HeadCell => Tag::TH(TableHeaderScope::Column).into(),
        Kind::Cell => Tag::TD.into(),
    }
}

fn outline(parts: &[Part]) -> Outline {
    let mut outline = Outline::new();
    for (text, page, y) in parts.iter().filter_map(|part| part.heads.clone()) {
        outline.push_child(OutlineNode::new(text, XyzDestination::new(page, Point::from_xy(0.0, y))));
    }
    outline
}
