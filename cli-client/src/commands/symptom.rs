//! `tappet symptom`: what to look at, in which order and why, with what the book knows of the machine.

use shared::symptom::{Symptom, SymptomError};

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `symptom`.
#[derive(Debug, clap::Args)]
pub(crate) struct SymptomArgs {
    /// The machine: its tag or id
    machine: String,
    /// clatters, down-on-power, hard-to-pull, kicks-back or pops
    #[arg(value_parser = symptom)]
    symptom: Symptom,
}

fn symptom(text: &str) -> Result<Symptom, String> {
    text.parse().map_err(|error: SymptomError| error.to_string())
}

pub(crate) fn run(args: &SymptomArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let (machine, now) = (session.machine(&args.machine)?, session.env.now());
    let view = session.book.machines().symptom(machine, args.symptom, session.unit, &now)?;
    let wide = render::width(session.env);
    let mut blocks = vec![render::wrapped(&format!("{}.", view.title), wide)];
    blocks.extend(view.known.iter().map(|sentence| render::wrapped(sentence, wide)));
    for (n, look) in view.looks.iter().enumerate() {
        let mut lines = vec![look.what.to_owned()];
        lines.extend(look.known.iter().map(|sentence| format!("The book: {sentence}")));
        lines.extend([format!("Why: {}", look.why), look.then.to_owned()]);
        blocks.push(format!("{}.\n{}", n + 1, render::indented(&lines.join("\n"), wide)));
    }
    blocks.push(render::wrapped(view.deference, wide));
    Outcome::new(&view, blocks.join("\n"))
}
