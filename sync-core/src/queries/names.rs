//! What documents, places and closings are called, and the seasons of places: each looked up once for all lines of a view.

use std::collections::BTreeMap;

use shared::ids::{DocId, PropertyId};
use shared::usage::Between;

use crate::book::Book;
use crate::engine::BookError;

/// Names that a view has looked up.
#[derive(Debug, Default)]
pub(crate) struct Names {
    titles: BTreeMap<DocId, String>,
    properties: BTreeMap<PropertyId, String>,
    seasons: BTreeMap<Option<PropertyId>, Option<Between>>,
}

impl Names {
    /// As [`Reader::title`].
    pub(crate) fn title(&mut self, book: &Book, doc: DocId) -> Result<String, BookError> {
        if let Some(title) = self.titles.get(&doc) {
            return Ok(title.clone());
        }
        let title = book.reader().title(doc)?;
        self.titles.insert(doc, title.clone());
        Ok(title)
    }

    /// As [`MachineReader::season_at`].
    pub(crate) fn season(&mut self, book: &Book, property: Option<PropertyId>) -> Result<Option<Between>, BookError> {
        if let Some(season) = self.seasons.get(&property) {
            return Ok(*season);
        }
        let season = book.machines().season_at(property)?;
        self.seasons.insert(property, season);
        Ok(season)
    }

    /// The name of a place; empty where there is none.
    pub(crate) fn property(&mut self, book: &Book, property: Option<PropertyId>) -> Result<String, BookError> {
        let Some(id) = property else { return Ok(String::new()) };
        if let Some(name) = self.properties.get(&id) {
            return Ok(name.clone());
        }
        let name = book.reader().property_name(property)?;
        self.properties.insert(id, name.clone());
        Ok(name)
    }
}
