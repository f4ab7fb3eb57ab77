//! What screens read of a document, as one row: its machine's state and its standings, which name the same records.
//!
//! MessagePack with the names of fields: ids take 16 bytes and not 36 characters, which is most of such a row.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::StoreError;
use crate::change::segment_codec;
use crate::judge::machine::MachineState;
use crate::judge::machine_summary::MachineSummary;
use crate::judge::standing::{RULES, Standing};

/// The form of the derived rows, and the rules that make them: rows of any other are made anew when the book is opened.
pub(crate) const FORM: (u32, u32) = (6, RULES);

#[derive(Serialize)]
struct View<'a> {
    state: Option<&'a MachineState>,
    standings: &'a [Standing],
}

#[derive(Deserialize)]
struct StateOf {
    state: Option<MachineState>,
}

#[derive(Deserialize)]
struct StandingsOf {
    standings: Vec<Standing>,
}

fn damaged(why: &dyn std::fmt::Display) -> StoreError {
    StoreError::Damaged(why.to_string())
}

/// The row of a document, not compressed yet.
pub(crate) fn of(state: Option<&MachineState>, standings: &[Standing]) -> Result<Vec<u8>, StoreError> {
    rmp_serde::to_vec_named(&View { state, standings }).map_err(|e| damaged(&e))
}

fn read<T: DeserializeOwned>(row: &[u8]) -> Result<T, StoreError> {
    rmp_serde::from_slice(&segment_codec::decompressed(row)?).map_err(|e| damaged(&e))
}

/// The brief of a machine, for its own column.
pub(crate) fn brief(brief: Option<&MachineSummary>) -> Result<Vec<u8>, StoreError> {
    rmp_serde::to_vec(&brief).map_err(|e| damaged(&e))
}

/// The brief in a column; `None` where no card of the machine stands.
pub(crate) fn brief_in(bytes: &[u8]) -> Result<Option<MachineSummary>, StoreError> {
    rmp_serde::from_slice(bytes).map_err(|e| damaged(&e))
}

/// The machine's state in a row; `None` where the document is no machine.
pub(crate) fn state(row: &[u8]) -> Result<Option<MachineState>, StoreError> {
    Ok(read::<StateOf>(row)?.state)
}

/// The standings in a row.
pub(crate) fn standings(row: &[u8]) -> Result<Vec<Standing>, StoreError> {
    Ok(read::<StandingsOf>(row)?.standings)
}

#[cfg(test)]
mod tests {
    use rusqlite::Connection;
    use shared::record::ShopCard;

    use crate::book::Book;
    use crate::book::enrol::Founding;
    use crate::sys::clock::ClockReading;

    #[test]
    fn rows_of_another_form_are_made_anew_when_the_book_is_opened() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("shop.db");
        let mut dice = {
            let mut n = 0_u8;
            move |buffer: &mut [u8]| {
                for byte in buffer {
                    n = n.wrapping_mul(5).wrapping_add(11);
                    *byte = n;
                }
            }
        };
        let mut book = Book::open(&place, &mut dice).unwrap();
        let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
        book.found_shop(&founding, &ClockReading::at(1_795_608_000_000), &mut dice).unwrap();
        let before = book.verify().unwrap();
        drop(book);
        let other_form = |form: &str| {
            let rows = Connection::open(&place).unwrap();
            assert!(rows.execute("UPDATE views SET view = x'0200'", []).unwrap() > 0);
            assert_eq!(rows.execute("UPDATE meta SET value = ?1 WHERE key = 'rows'", [form]).unwrap(), 1);
        };
        other_form("[1,1]");
        let book = Book::open(&place, &mut dice).unwrap();
        assert_eq!(book.verify().unwrap(), before);
        assert!(before.faults.is_empty());
        drop(book);
        // Said to be of the form of now, they are not looked at: the test sees it.
        other_form(&serde_json::to_string(&super::FORM).unwrap());
        let faults = Book::open(&place, &mut dice).unwrap().verify().unwrap().faults;
        assert!(!faults.is_empty());
    }
}
