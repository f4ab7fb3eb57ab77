//! What the terminal takes from outside: clocks, randomness, input and output, folders, variables, width.
//!
//! The only place that reads any of them. A test or a demonstration builds its own [`Environment`] with a clock of
//! its own and captured output, and gets the same program.

mod system;

use std::fmt;
use std::io::{BufRead, Write};
use std::path::PathBuf;

use shared::ids::PersonId;
use sync_core::commands::ActionContext;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::CryptoRng;

/// How questions are put.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Prompts {
    /// As lines on [`Environment::stdin`]: for scripts and tests.
    #[default]
    Lines,
    /// On this process's own terminal, with line editing.
    Terminal,
}

/// The variables that are honoured.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Variables {
    /// `TAPPET_BOOK`: the book file, where `--book` names none.
    pub book: Option<PathBuf>,
    /// `TAPPET_UNIT`: thou, in or mm, where `--unit` names none.
    pub unit: Option<String>,
    /// `TAPPET_CA`: the file of the shop's own authority, where `--ca` names none.
    pub ca: Option<PathBuf>,
}

/// Everything that the terminal takes from outside.
pub struct Environment<'a> {
    /// The device's clocks.
    pub clock: Box<dyn FnMut() -> ClockReading + 'a>,
    /// Randomness fit for keys.
    pub entropy: Box<dyn CryptoRng + 'a>,
    /// Where answers come from.
    pub stdin: Box<dyn BufRead + 'a>,
    /// Where results go.
    pub stdout: Box<dyn Write + 'a>,
    /// Where errors and remarks go.
    pub stderr: Box<dyn Write + 'a>,
    /// The folder of the book, where no file is named; `None`: there is no home folder.
    pub data_dir: Option<PathBuf>,
    /// What this device calls itself when it enrols.
    pub device_name: String,
    /// Columns of the terminal; screens use at most 80 of them.
    pub width: usize,
    /// A person is there to be asked.
    pub is_tty: bool,
    /// How that person is asked.
    pub prompts: Prompts,
    /// The variables that are honoured.
    pub variables: Variables,
}

impl<'a> Environment<'a> {
    /// An environment with these clocks and this randomness, nobody to ask, and output that goes nowhere. Its fields
    /// are open: set what the test or demonstration needs.
    pub fn simulated(clock: impl FnMut() -> ClockReading + 'a, entropy: impl FnMut(&mut [u8]) + 'a) -> Self {
        Self {
            clock: Box::new(clock),
            entropy: Box::new(entropy),
            stdin: Box::new(std::io::empty()),
            stdout: Box::new(std::io::sink()),
            stderr: Box::new(std::io::sink()),
            data_dir: None,
            device_name: "terminal".to_owned(),
            width: 80,
            is_tty: false,
            prompts: Prompts::Lines,
            variables: Variables::default(),
        }
    }

    /// The clocks now.
    pub fn now(&mut self) -> ClockReading {
        (self.clock)()
    }

    /// The hand that does one step now.
    pub(crate) fn hand(&mut self, measured_by: Option<PersonId>) -> ActionContext<'_> {
        let now = self.now();
        ActionContext { now, entropy: &mut *self.entropy, measured_by }
    }
}

impl fmt::Debug for Environment<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Environment")
            .field("data_dir", &self.data_dir)
            .field("width", &self.width)
            .field("is_tty", &self.is_tty)
            .field("variables", &self.variables)
            .finish_non_exhaustive()
    }
}
