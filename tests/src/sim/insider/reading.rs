//! Reading what no grant opens: asking for it by its id, which stands in the roster for everyone to see, with or without writing into it.

use shared::ids::DocId;
use shared::record::{Note, Photo};

use super::super::world::{Broken, SHOP, World};
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

/// Something that is closed to most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is named after its document")]
pub enum Closed {
    Property,
    Machine(usize),
    Days,
}

/// How it is tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is named after what is written")]
pub enum Way {
    Asks,
    WritesNote,
    WritesPhoto,
}

impl World {
    pub(super) fn open_closed(&mut self, node: usize, closed: Closed, by: Way, dice: &mut Dice) -> Result<(), Broken> {
        let Some(Ok(identity)) = self.nodes[SHOP].book.as_ref().map(|book| book.identity()) else { return Ok(()) };
        let days = identity.root.shop.days();
        let doc: Option<DocId> = match closed {
            Closed::Property => Some(self.closed_yard.doc()),
            Closed::Machine(n) => self.machine(SHOP, n),
            Closed::Days => Some(days),
        };
        let Some(doc) = doc else { return Ok(()) };
        let body = match by {
            Way::Asks => None,
            Way::WritesNote => Some(Note { text: "was here".to_owned(), visit: None }.into()),
            Way::WritesPhoto => {
                let sha256 = shared::bytes::Bytes32([7; 32]);
                Some(Photo { sha256, size_bytes: 9, media_type: "image/jpeg".to_owned(), caption: String::new(), visit: None }.into())
            }
        };
        let mut docs = vec![];
        if let Some(body) = body {
            let body: shared::record::Body = body;
            let Some(bytes) = self.forge(node, Draft::new(doc, body), dice) else { return Ok(()) };
            docs.push((doc, vec![on_genesis(doc, vec![bytes], dice)]));
        }
        self.ask(node, docs, &[doc], None, dice)?;
        // Once more, for what the first opened; by its id and from the beginning of the log.
        self.ask(node, vec![], &[doc], None, dice).map(|_| ())
    }
}
