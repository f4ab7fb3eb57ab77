//! The bytes of this device's photos: kept beside its book until the shop has had them for a week, and sent after an exchange.

use std::path::PathBuf;

use serde::Serialize;
use shared::picture::PictureKind;
use sync_core::book::photo::{PhotoDue, Whereabouts};
use sync_core::book::pictures::{Pictures, PicturesError};
use sync_core::engine::BookError;

use crate::exit::Failure;
use crate::session::{Session, book_path};
use crate::sync::in_my_name;
use crate::transport::Transport;

/// The most pictures sent after one exchange: whoever waits for it waits for them too.
const MOST_SENT: usize = 20;

/// What became of the pictures of photos at an exchange.
#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct SentPictures {
    /// The shop took them.
    pub(crate) sent: usize,
    /// They are kept here, and go with a later exchange.
    pub(crate) waiting: usize,
    /// They will not get there: why, one sentence each.
    pub(crate) stopped: Vec<String>,
}

/// The pictures beside this device's book, in a folder of that book's alone.
pub(crate) fn pictures_of(session: &Session<'_, '_>) -> Result<Pictures, Failure> {
    let mut folder = book_path(&session.global, session.env)?.into_os_string();
    folder.push(".photos");
    Ok(Pictures::at(PathBuf::from(folder)))
}

/// A picture that could not be kept or read, told.
pub(crate) fn unkept(error: PicturesError) -> Failure {
    match error {
        PicturesError::Folder { path, why } => Failure::File { path, why },
        other => Failure::CouldNot(other.to_string()),
    }
}

/// Sends the pictures that are due. An exchange that is done is not undone by one that does not get through: it waits.
pub(crate) fn send_due(session: &mut Session<'_, '_>, transport: &mut Transport) -> Result<SentPictures, Failure> {
    let pictures = pictures_of(session)?;
    let now = session.env.now();
    let due = session.book.photos().due(&now)?;
    let mut done = SentPictures::default();
    for PhotoDue { photo, .. } in due.into_iter().filter(|due| due.ready).take(MOST_SENT) {
        let (doc, sha256) = (photo.doc, photo.sha256);
        let Some((kind, bytes)) = pictures.read(doc, sha256).map_err(unkept)?.and_then(|bytes| Some((PictureKind::of(&bytes)?, bytes)))
        else {
            session.book.photos().note_gone(doc, sha256)?;
            continue;
        };
        let path = format!("/v1/photos/{doc}/{sha256}");
        match in_my_name(session, transport, |transport, token| transport.put(&path, token, kind.media_type(), &bytes)) {
            Ok(()) => {
                session.book.photos().note_at_shop(doc, sha256, &now)?;
                done.sent += 1;
            }
            Err(Failure::Refused(problem)) => session.book.photos().note_refused(doc, sha256, &problem, &now)?,
            // No signal any more, or a server that does not know photos yet.
            Err(_) => break,
        }
    }
    for photo in session.book.photos().to_let_go(&now)? {
        session.book.photos().note_let_go(photo.doc, photo.sha256)?;
        // Noted twice there, it may be due again for the other.
        if session.book.photos().own()?.iter().all(|other| (other.doc, other.sha256) != (photo.doc, photo.sha256)) {
            pictures.remove(photo.doc, photo.sha256).map_err(unkept)?;
        }
    }
    done.waiting = session.book.photos().due(&now)?.len();
    done.stopped = stopped(session)?;
    Ok(done)
}

/// Why pictures of this device will not get to the shop, one sentence each.
fn stopped(session: &Session<'_, '_>) -> Result<Vec<String>, BookError> {
    let mut said = Vec::new();
    for photo in session.book.photos().own()? {
        if let Whereabouts::Stopped { code } = photo.bytes {
            said.push(format!(
                "photo {} of {}: {}.",
                sync_core::queries::short(&photo.record),
                session.book.reader().title(photo.doc)?,
                code.title()
            ));
        }
    }
    Ok(said)
}
