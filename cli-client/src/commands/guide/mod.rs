//! `tappet guide`: a whole check, one question at a time. Every step is kept as soon as it is answered; leaving at any
//! question says what is kept, and beginning again goes on from there.

mod finish;
mod leaves;
mod valve;

use std::collections::BTreeSet;

use serde_json::json;
use shared::ids::{DocId, RecordId};
use shared::leaf::LeafSet;
use shared::valve::Valve;
use sync_core::commands::{Guide, Step, ValveGuide, VisitEntry, next_of};
use sync_core::engine::BookError;
use sync_core::queries::short;

use crate::commands::visit;
use crate::exit::{Exit, Failure};
use crate::outcome::Outcome;
use crate::prompt::{self, Halt};
use crate::render;
use crate::session::Session;

/// Arguments of `guide`.
#[derive(Debug, clap::Args)]
pub(crate) struct GuideArgs {
    /// The machine's tag, or the last digits of its id; asked for where none is given
    machine: Option<String>,
}

/// A check under way.
struct Check<'c, 's, 'e> {
    session: &'c mut Session<'s, 'e>,
    machine: DocId,
    tag: String,
    visit: RecordId,
    set: LeafSet,
    /// The valve whose reading was said last.
    said: Option<Valve>,
    /// What this sitting has kept.
    kept: Vec<RecordId>,
    /// Something kept is in doubt or contested.
    look: bool,
    /// The last hour reading is in doubt.
    hours_in_doubt: bool,
}

pub(crate) fn run(args: &GuideArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let (mut check, resumed) = match begin(args, session) {
        Ok(begun) => begun,
        Err(Halt::Failed(failure)) => return Err(failure),
        Err(Halt::Quit) => {
            return Outcome::new(&json!({ "stopped": true, "kept": [] }), "Stopped before a visit was opened: nothing was kept.");
        }
    };
    let done = valves(&mut check, resumed).and_then(|()| finish::finish(&mut check));
    let finished = match done {
        Ok(finished) => finished,
        Err(Halt::Quit) => None,
        Err(Halt::Failed(failure)) => {
            let how = going_on(&check);
            prompt::say(check.session, &how);
            return Err(failure);
        }
    };
    let text = match &finished {
        Some(finished) => visit::finish_words(finished, check.session)?,
        None => going_on(&check),
    };
    let json = json!({
        "machine": check.machine, "tag": check.tag, "visit": check.visit, "kept": check.kept,
        "stopped": finished.is_none(), "finish": finished,
    });
    let text = render::wrapped(&text, render::width(check.session.env));
    let outcome = Outcome::new(&json, text)?;
    Ok(Outcome { exit: if check.look || check.hours_in_doubt { Exit::NeedsALook } else { Exit::Done }, ..outcome })
}

/// The machine, the cautions, and a visit: the open one, or a new one.
fn begin<'c, 's, 'e>(args: &GuideArgs, session: &'c mut Session<'s, 'e>) -> Result<(Check<'c, 's, 'e>, bool), Halt> {
    let machine = match &args.machine {
        Some(given) => session.machine(given)?,
        None => prompt::until(session, "Which machine? Its tag:", |session, answer| session.machine(answer))?,
    };
    let tag = session.book.reader().title(machine)?;
    let open = session.book.advisor().open_visit_of(machine, None)?;
    let resumed = open.is_some();
    visit::say_holds(session, machine)?;
    prompt::say(session, &format!("{tag}. Before a hand goes near the engine:"));
    let cautions = visit::cautions(session, machine)?;
    prompt::say(session, &cautions);
    if !prompt::yes_or_no(session, "Read, and followed?")? {
        prompt::say(session, "Then stop here, and come back when they are.");
        return Err(Halt::Quit);
    }
    let mut kept = Vec::new();
    let visit = match open {
        Some(visit) => {
            prompt::say(session, &format!("Going on with your open visit {}.", short(&visit)));
            let cold = session.book.advisor().cold_now(machine, Some(visit), &session.env.now())?;
            if !cold.counts() {
                prompt::say(session, &cold.words());
                let entry = VisitEntry { cold: is_cold(session)?, cautions_confirmed: true, ..VisitEntry::default() };
                session.book.author().resume_visit(machine, &entry, &mut session.env.hand(None))?;
            }
            visit
        }
        None => {
            let entry = VisitEntry { cold: is_cold(session)?, cautions_confirmed: true, ..VisitEntry::default() };
            let visit = session.book.author().open_visit(machine, &entry, &mut session.env.hand(None))?.visit;
            kept.push(visit);
            prompt::say(session, &format!("Visit {} is open. Every answer is kept at once.", short(&visit)));
            visit
        }
    };
    let now = session.env.now();
    let view = session.book.machines().machine_view(machine, session.unit, &now)?;
    match &view.engine_card {
        Some(card) => prompt::say(session, &card.words(session.unit)),
        None => {
            prompt::say(session, "No engine card yet: readings are kept and not judged. Look the range up in the engine maker's manual.")
        }
    }
    prompt::say(session, "Answer y or n, or both leaves at once as 5/6; s leaves a valve out; q stops, and nothing is lost.");
    let set = session.leaves()?;
    Ok((Check { session, machine, tag, visit, set, said: None, kept, look: false, hours_in_doubt: false }, resumed))
}

fn is_cold(session: &mut Session<'_, '_>) -> Result<bool, Halt> {
    let cold = prompt::yes_or_no(session, "Is the engine cold?")?;
    if !cold {
        prompt::say(session, "Ranges are for a cold engine: readings are kept, and none of them settles before it has cooled.");
    }
    Ok(cold)
}

/// Step after step, in the book's order. A valve that is left out waits for another sitting, and so does one that was read here
/// and asks to be read again.
fn valves(check: &mut Check<'_, '_, '_>, resumed: bool) -> Result<(), Halt> {
    let (mut left_out, mut read) = (BTreeSet::new(), BTreeSet::new());
    let mut piston = String::new();
    if resumed {
        for valve in guide(check)?.valves.iter().filter(|valve| valve.next == Step::Done) {
            prompt::say(check.session, &format!("{} is done already.", valve.valve));
        }
    }
    loop {
        let guide = guide(check)?;
        let again = |one: &ValveGuide| matches!(one.next, Step::ReadAgain { .. }) && read.contains(&one.valve);
        let offered = guide.valves.iter().filter(|one| !left_out.contains(&one.valve) && !again(one));
        let next = next_of(offered.map(|one| (one.valve, one.next)));
        let Some(one) = guide.valves.iter().find(|one| Some(one.valve) == next) else { return Ok(()) };
        if one.piston != piston {
            piston.clone_from(&one.piston);
            prompt::say(check.session, &format!("\n{piston}"));
        }
        if valve::step(check, one, !guide.holds.is_empty())? {
            read.insert(one.valve);
        } else {
            left_out.insert(one.valve);
        }
    }
}

fn guide(check: &mut Check<'_, '_, '_>) -> Result<Guide, BookError> {
    let session = &mut *check.session;
    session.book.advisor().guide(check.machine, Some(check.visit), &check.set, session.unit, &session.env.now())
}

/// What is kept, and how to go on.
fn going_on(check: &Check<'_, '_, '_>) -> String {
    let kept = match check.kept.len() {
        0 => "Nothing new was entered".to_owned(),
        1 => "1 record is kept".to_owned(),
        count => format!("{count} records are kept"),
    };
    format!("Stopped. {kept}; visit {} stays open.\nTo go on: tappet guide {}", short(&check.visit), check.tag)
}
