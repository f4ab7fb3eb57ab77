//! Why a file, a table or a form of engine cards is not taken.

use super::{CARD_FILE, LARGEST_FILE, LONGEST_WORDS, MOST_CARDS};
use crate::engine_card::CardError;

/// A file of cards that is not taken. Each is a sentence without its full stop; of such a file nothing is taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CardFileError {
    /// Over [`LARGEST_FILE`].
    #[error("a file of engine cards has at most {LARGEST_FILE} bytes")]
    TooLarge,
    /// Not JSON, or JSON of another shape: a field that is missing, unknown, or of another kind.
    #[error("line {line}, column {column}: {why}")]
    Unreadable {
        /// Line, from 1.
        line: usize,
        /// Column, from 1; 0 at a line's very beginning.
        column: usize,
        /// What is wrong there.
        why: String,
    },
    /// A cell of a table that cannot be.
    #[error("line {line}, column {column}: {why}")]
    Cell {
        /// Line, from 1.
        line: u64,
        /// The column's name.
        column: String,
        /// What is wrong there.
        why: String,
    },
    /// A field of a form that cannot be.
    #[error("{field}: {why}")]
    Field {
        /// The field's name.
        field: String,
        /// What is wrong there.
        why: String,
    },
    /// Of another version.
    #[error(
        "the file says \"card_file\": {given}, and this program reads version {CARD_FILE}; update the program, or export the cards again"
    )]
    Version {
        /// The version that it names.
        given: u32,
    },
    /// No cards, or too many.
    #[error("a file has 1 to {MOST_CARDS} engine cards, and this one has {given}")]
    Count {
        /// How many it has.
        given: usize,
    },
    /// A card that cannot be.
    #[error("card {number}, \"{name}\": {why}")]
    Card {
        /// Which in the file, from 1.
        number: usize,
        /// Its name, cut where it is long.
        name: String,
        /// What is wrong with it.
        why: CardError,
    },
    /// A text over [`LONGEST_WORDS`].
    #[error("card {number}: its {field} has more than {LONGEST_WORDS} bytes")]
    Words {
        /// Which in the file, from 1.
        number: usize,
        /// Which text.
        field: &'static str,
    },
    /// A text with a line break, an escape or another control character: it would not stay in its place on a screen.
    #[error("card {number}: its {field} has a control character in it, as a line break is")]
    Control {
        /// Which in the file, from 1.
        number: usize,
        /// Which text.
        field: &'static str,
    },
    /// A length that is not above zero, or over a metre.
    #[error("card {number}, \"{name}\": {field} is not a length above zero and up to one metre (10000000 tenths of a micrometre)")]
    Length {
        /// Which in the file, from 1.
        number: usize,
        /// Its name, cut where it is long.
        name: String,
        /// Which length, by its field.
        field: &'static str,
    },
    /// Two cards of the file are one by id or name.
    #[error("cards {first} and {second} of the file, both \"{name}\", are the same card: leave one out, or name it otherwise")]
    Twice {
        /// The one, from 1.
        first: usize,
        /// The other, from 1.
        second: usize,
        /// The later one's name, cut where it is long.
        name: String,
    },
    /// The name is another known card's.
    #[error(
        "card {number}: another engine card is named \"{name}\" already; name this one otherwise, or take its id out of the file to change that one"
    )]
    NameTaken {
        /// Which in the file, from 1.
        number: usize,
        /// The name, cut where it is long.
        name: String,
    },
}
