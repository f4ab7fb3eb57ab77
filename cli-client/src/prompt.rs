//! Asking a person: one question at a time, asked again with the reason where the answer cannot be used.
//!
//! What is entered before a question is kept before the question: leaving at any of them loses nothing.

use std::io::{BufRead, Read};

use inquire::InquireError;
use inquire::ui::{RenderConfig, Styled};
use shared::text::visible;
use sync_core::engine::BookError;

use crate::environment::Prompts;
use crate::exit::Failure;
use crate::render;
use crate::session::Session;

/// The longest answer that is read, in bytes.
const LONGEST_ANSWER: u64 = 8 * 1024;

/// Why a row of questions ended early.
#[derive(Debug)]
pub(crate) enum Halt {
    /// The person left: end of input, `q`, escape or ctrl-c.
    Quit,
    /// A step failed.
    Failed(Failure),
}

impl From<Failure> for Halt {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

impl From<BookError> for Halt {
    fn from(error: BookError) -> Self {
        Self::Failed(error.into())
    }
}

/// Says something in between; with `--json` on the side, where standard output is for the document.
pub(crate) fn say(session: &mut Session<'_, '_>, text: &str) {
    let text = render::wrapped(&visible(text), render::width(session.env));
    let to = if session.global.json { &mut session.env.stderr } else { &mut session.env.stdout };
    // A reader that has gone away is found out at the next answer.
    let _ = writeln!(to, "{text}").and_then(|()| to.flush());
}

/// Asks, and gives the answer without blanks around it.
pub(crate) fn line(session: &mut Session<'_, '_>, question: &str) -> Result<String, Halt> {
    let answer = match session.env.prompts {
        Prompts::Terminal => on_terminal(question)?,
        Prompts::Lines => on_lines(session, question)?,
    };
    match answer.to_ascii_lowercase().as_str() {
        "q" | "quit" => Err(Halt::Quit),
        _ => Ok(answer),
    }
}

/// Asks until the answer can be used, saying each time why not.
pub(crate) fn until<T>(
    session: &mut Session<'_, '_>,
    question: &str,
    mut read: impl FnMut(&mut Session<'_, '_>, &str) -> Result<T, Failure>,
) -> Result<T, Halt> {
    loop {
        let answer = line(session, question)?;
        match read(session, &answer) {
            Ok(value) => {
                if let Some(words) = session.inches_words() {
                    say(session, &words);
                }
                return Ok(value);
            }
            Err(failure @ (Failure::Given(_) | Failure::Book(BookError::Unknown(_) | BookError::Entry(_)))) => {
                let why = failure.to_string();
                let why = why.trim_end_matches(['.', ' ']).trim_end_matches("; nothing was kept").trim_end_matches("Nothing was kept");
                say(session, &format!("{} Nothing entered before is lost; once more.", render::sentence(why)));
            }
            Err(failure) => return Err(Halt::Failed(failure)),
        }
    }
}

/// Asks for yes or no.
pub(crate) fn yes_or_no(session: &mut Session<'_, '_>, question: &str) -> Result<bool, Halt> {
    until(session, &format!("{question} (y/n)"), |_, answer| match answer.to_ascii_lowercase().as_str() {
        "y" | "yes" => Ok(true),
        "n" | "no" => Ok(false),
        _ => Err(Failure::Given(format!("\"{answer}\" is neither y nor n"))),
    })
}

fn on_terminal(question: &str) -> Result<String, Halt> {
    let plain = RenderConfig::empty().with_prompt_prefix(Styled::new("")).with_answered_prompt_prefix(Styled::new(""));
    match inquire::Text::new(question).with_render_config(plain).prompt() {
        Ok(answer) => Ok(answer.trim().to_owned()),
        Err(InquireError::OperationCanceled | InquireError::OperationInterrupted) => Err(Halt::Quit),
        Err(error) => {
            Err(Halt::Failed(Failure::CouldNot(format!("the terminal cannot be asked ({error}); everything kept is still here"))))
        }
    }
}

fn on_lines(session: &mut Session<'_, '_>, question: &str) -> Result<String, Halt> {
    let mut bytes = Vec::new();
    let mut bounded = (&mut session.env.stdin).take(LONGEST_ANSWER);
    let read = bounded.read_until(b'\n', &mut bytes);
    read.map_err(|why| Failure::CouldNot(format!("the answers cannot be read ({why}); everything kept is still here")))?;
    if bytes.is_empty() {
        return Err(Halt::Quit);
    }
    let answer = String::from_utf8_lossy(&bytes).trim().to_owned();
    // The answer is shown with its question, so that a script's output reads as the conversation that it was.
    say(session, &format!("{question} {answer}"));
    Ok(answer)
}
