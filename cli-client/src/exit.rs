//! Every error as an exit code, a sentence and a hint: the one place that decides them.
//!
//! | code | meaning |
//! |---|---|
//! | 0 | done |
//! | 1 | could not: nothing of this step was kept |
//! | 2 | what was typed cannot be read |
//! | 3 | kept, and needs a look |
//! | 4 | the shop cannot be reached; everything kept is still here |
//! | 5 | not allowed by role |
//! | 70 | a defect of this program |

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::error::ErrorKind;
use serde_json::json;
use shared::problem::{Code, Problem};
use shared::text::{visible, visible_in_json};
use sync_core::engine::BookError;
use sync_core::store::StoreError;
use sync_core::sync::BodyError;

use crate::environment::Environment;
use crate::render;

/// The table above, for `--help`.
pub(crate) const HELP: &str = "\
Exit codes:
  0   done
  1   could not: nothing of this step was kept
  2   what was typed cannot be read
  3   kept, and needs a look (a reading in doubt, contested, or not taken by the shop)
  4   the shop cannot be reached; everything kept is still here
  5   not allowed by role
  70  a defect of this program";

/// How a command went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done.
    Done,
    /// Could not: nothing of this step was kept.
    CouldNot,
    /// What was typed cannot be read.
    Usage,
    /// Kept, and needs a look.
    NeedsALook,
    /// The shop cannot be reached.
    ShopAway,
    /// Not allowed by role.
    NotAllowed,
    /// A defect of this program.
    Internal,
}

impl Exit {
    /// The process's exit code.
    #[must_use]
    pub const fn code(self) -> i32 {
        match self {
            Self::Done => 0,
            Self::CouldNot => 1,
            Self::Usage => 2,
            Self::NeedsALook => 3,
            Self::ShopAway => 4,
            Self::NotAllowed => 5,
            Self::Internal => 70,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(u8::try_from(exit.code()).unwrap_or(u8::MAX))
    }
}

/// Why a command did not do what was asked. Each text is a sentence without its full stop.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Failure {
    /// The book refused, or failed.
    #[error(transparent)]
    Book(#[from] BookError),
    /// There is no book at the place named.
    #[error("there is no book at {}; nothing was changed", .0.display())]
    NoBook(PathBuf),
    /// No book was named and there is no home folder.
    #[error("there is no home folder to keep the book in; nothing was changed")]
    NoHome,
    /// What was typed cannot be read.
    #[error("{0}; nothing was kept")]
    Given(String),
    /// Could not, for a reason that belongs to one command.
    #[error("{0}")]
    CouldNot(String),
    /// A file cannot be read or written.
    #[error("{} cannot be read or written ({why}); nothing was kept", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// A new file cannot be written.
    #[error("{} cannot be written ({why}); what was there is untouched", path.display())]
    Unwritten {
        /// Which.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The shop's server did not answer, or not as one.
    #[error("the shop cannot be reached ({0}); everything kept is still here")]
    ShopAway(String),
    /// The shop answered, and refused.
    #[error("the shop refused: {}", .0.detail)]
    Refused(Box<Problem>),
    /// The shop's answer cannot be read.
    #[error("the shop's answer cannot be taken ({0}); everything kept is still here")]
    Answer(String),
    /// The shop took what was offered, and there is no room here to note it.
    #[error(
        "the shop took what this device offered, and the disk here is too full to note that or to take what came; everything kept is still here. Make room, and exchange again: nothing goes twice"
    )]
    NoRoom,
    /// A defect of this program.
    #[error("this program failed ({0}); what was kept before is still here. Please report it")]
    Defect(String),
}

impl From<BodyError> for Failure {
    fn from(error: BodyError) -> Self {
        Self::Answer(error.to_string())
    }
}

impl Failure {
    /// The exit code.
    pub(crate) fn exit(&self) -> Exit {
        match self {
            Self::Book(BookError::Denied(_)) => Exit::NotAllowed,
            Self::Book(BookError::Defect(_)) | Self::Defect(_) => Exit::Internal,
            Self::Given(_) => Exit::Usage,
            Self::ShopAway(_) => Exit::ShopAway,
            Self::NoRoom => Exit::NeedsALook,
            Self::Refused(problem) if problem.status >= 500 || problem.code == Code::Internal => Exit::ShopAway,
            Self::Refused(problem) => match problem.code {
                Code::RoleMayNot | Code::DeviceRevoked | Code::DeviceUnknown | Code::DocumentClosed => Exit::NotAllowed,
                _ => Exit::CouldNot,
            },
            _ => Exit::CouldNot,
        }
    }

    /// One stable word for programs.
    pub(crate) fn word(&self) -> &'static str {
        match self {
            Self::Book(error) => error.code().name(),
            Self::NoBook(_) | Self::NoHome => "no-book",
            Self::Given(_) => "unreadable",
            Self::CouldNot(_) => "could-not",
            Self::File { .. } | Self::Unwritten { .. } => "file",
            Self::ShopAway(_) => "shop-away",
            Self::Refused(problem) => problem.code.name(),
            Self::Answer(_) => "answer-unreadable",
            Self::NoRoom => "no-room",
            Self::Defect(_) => Code::Defect.name(),
        }
    }

    /// What to do next, where that is not in the sentence itself.
    pub(crate) fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::NoBook(_) | Self::NoHome => {
                "Enrol this device: tappet enrol --server URL --code CODE, with a one-time code from the office. Another book is named with --book FILE."
            }
            Self::Book(BookError::NotEnrolled) => "tappet enrol --server URL --code CODE",
            Self::Book(BookError::Sealed) => {
                "This book was sealed by the program that keeps its key, a phone's most likely: open it there. The terminal has no keys of books."
            }
            Self::Book(BookError::Denied(_)) => "tappet status shows your role as this device knows it; the office gives roles.",
            Self::Book(BookError::Unknown(_)) => {
                "tappet due lists the machines this book knows. What was entered elsewhere comes with the next exchange."
            }
            Self::Book(BookError::Store(StoreError::NotABook(_))) => {
                "Name the book with --book FILE. A damaged one: tappet bundle salvage FILE saves what can still be read and is not at the shop; then enrol again in another book."
            }
            Self::Book(BookError::Store(StoreError::Damaged(_))) => {
                "tappet bundle salvage FILE saves what can still be read and is not at the shop; then enrol again in another book."
            }
            Self::ShopAway(_) => "Go on working; tappet exchange again when there is a signal.",
            Self::Refused(problem) => match problem.code {
                Code::CodeInvalid => {
                    "A code holds for a day and for one device. The office makes one with: tappet office device code PERSON"
                }
                Code::TooMany => "Wait a minute, then try again.",
                Code::RoleMayNot => "The office gives roles.",
                Code::TooLarge => "Exchange again: what is left goes in smaller pages.",
                _ => return None,
            },
            Self::Answer(_) => "Is this the shop's server? tappet status shows its address.",
            Self::Given(_) => "Each command explains itself with --help.",
            _ => return None,
        })
    }
}

/// Says what went wrong on standard error, and gives the exit code.
pub(crate) fn complain(failure: &Failure, json: bool, env: &mut Environment<'_>) -> Exit {
    say(failure.word(), &render::sentence(&failure.to_string()), failure.hint(), json, env);
    failure.exit()
}

/// What was done could not be told: it is done all the same, and the exit code must not say that nothing was kept.
pub(crate) fn unsaid(why: &std::io::Error, json: bool, env: &mut Environment<'_>) -> Exit {
    say("unsaid", &render::sentence(&format!("what was asked is done, and could not be written out ({why})")), None, json, env);
    Exit::NeedsALook
}

/// The argument parser's own word: help and version are no errors.
pub(crate) fn by_parser(told: &clap::Error, json: bool, env: &mut Environment<'_>) -> Exit {
    let width = render::width(env);
    let text: String = told.render().to_string().lines().map(|line| format!("{}\n", render::narrowed(&visible(line), width))).collect();
    if matches!(told.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
        return write!(env.stdout, "{text}").and_then(|()| env.stdout.flush()).map_or(Exit::CouldNot, |()| Exit::Done);
    }
    if json {
        // The first paragraph: what is missing is listed below its first line.
        let said: Vec<&str> = text.lines().map(str::trim).take_while(|line| !line.is_empty()).collect();
        let said = said.join(" ").trim_start_matches("error: ").to_owned();
        say(
            "unreadable",
            &render::sentence(&format!("{said}; nothing was kept")),
            Some("Each command explains itself with --help."),
            json,
            env,
        );
    } else {
        // Nothing more can be done where even the complaint cannot be written.
        let _ = write!(env.stderr, "{text}");
    }
    Exit::Usage
}

fn say(word: &str, sentence: &str, hint: Option<&str>, json: bool, env: &mut Environment<'_>) {
    let width = render::width(env);
    let text = if json {
        let text = json!({ "error": { "code": word, "sentence": sentence, "hint": hint } }).to_string();
        visible_in_json(&text).into_owned()
    } else {
        let hint = hint.map(|hint| format!("\n{hint}")).unwrap_or_default();
        render::wrapped(&visible(&format!("{sentence}{hint}")), width)
    };
    // Nothing more can be done where even the complaint cannot be written.
    let _ = writeln!(env.stderr, "{text}").and_then(|()| env.stderr.flush());
}
