//! What an exchange did, in sentences.

use sync_core::queries::short;

use crate::exit::Failure;
use crate::render;
use crate::session::Session;
use crate::sync::Levelled;

/// Whether somebody should look: something was not taken, or the two sides are not level.
pub(crate) fn wants_a_look(done: &Levelled) -> bool {
    !done.refused.is_empty() || !done.level
}

/// What an exchange did.
pub(crate) fn words(session: &Session<'_, '_>, done: &Levelled) -> Result<String, Failure> {
    let mut lines =
        vec![format!("The shop took {}; {} came from it.", render::count(done.taken, "change"), render::count(done.received, "change"))];
    if done.shop_restored {
        lines.push("The shop was restored from an older copy: this device has offered everything that it holds again.".to_owned());
    }
    if done.healed > 0 {
        lines.push(format!(
            "{} kept here in a change that the shop could not take: sent again in a new one.",
            render::count(done.healed, "record")
        ));
    }
    let tomorrow = done.refused.iter().filter(|line| line.code.waits()).count();
    let not_taken = done.refused.len() - tomorrow;
    if not_taken > 0 {
        lines.push(format!("Not taken: {}. Nothing is lost; see tappet quarantine.", render::count(not_taken, "record")));
    }
    if tomorrow > 0 {
        lines.push("More than the shop takes of one device in a day: the rest is kept here, and offered again tomorrow.".to_owned());
    }
    for line in &done.refused {
        let which = line.record.map_or_else(|| "a change".to_owned(), |id| format!("record {}", short(&id)));
        lines.push(format!("  {which} of {}: {}", session.book.reader().title(line.doc)?, render::sentence(&line.detail)));
    }
    lines.push(match (done.level, done.waiting) {
        (true, 0) => "Level with the shop: nothing waits.".to_owned(),
        (true, 1) => "Level as far as the shop takes it: 1 record waits for its receipt.".to_owned(),
        (true, waiting) => format!("Level as far as the shop takes it: {waiting} records wait for their receipt."),
        (false, waiting) => format!(
            "Not level after {} rounds, {} waiting. Everything is still here; exchange again, and tell the office if it stays so.",
            done.rounds,
            render::count(usize::try_from(waiting).unwrap_or(usize::MAX), "record")
        ),
    });
    let pictures = &done.pictures;
    match (pictures.sent, pictures.waiting) {
        (0, 0) => {}
        (sent, 0) => lines.push(format!("{} of photos handed over.", render::count(sent, "picture"))),
        (sent, waiting) => lines.push(format!(
            "{} of photos handed over; {} kept here for a later exchange.",
            render::count(sent, "picture"),
            render::count(waiting, "picture")
        )),
    }
    lines.extend(pictures.stopped.iter().map(|line| format!("Will not get there: {line}")));
    if session.global.verbose {
        let t = done.traffic;
        lines.push(format!(
            "{} rounds, {} requests, {} bytes sent, {} bytes received.",
            done.rounds, t.requests, t.bytes_sent, t.bytes_received
        ));
    }
    Ok(render::wrapped(&lines.join("\n"), render::width(session.env)))
}
