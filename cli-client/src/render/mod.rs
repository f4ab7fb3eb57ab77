//! What comes out: sentences and tables, at most 80 columns wide. Words that mean something come from the book.

pub(crate) mod day_sheet;
pub(crate) mod due;
pub(crate) mod exchange;
pub(crate) mod lists;
pub(crate) mod machine;
pub(crate) mod reading;
pub(crate) mod reckon;
pub(crate) mod service_record;
mod text;

pub(crate) use text::{Table, count, indented, ms_span, narrowed, sentence, width, wrapped};
