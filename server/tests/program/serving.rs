//! The program while it serves.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Output, Stdio};

pub(crate) fn program(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tappetbook-server"));
    command.env_clear().args(args).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

pub(crate) fn said(output: &Output) -> (i32, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

/// The program while it serves; killed with the test, however that ends.
pub(crate) struct Serving {
    pub(crate) child: Child,
    out: BufReader<ChildStdout>,
}

impl Serving {
    pub(crate) fn start(mut command: Command) -> Self {
        let mut child = command.spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        Self { child, out }
    }

    /// Everything that it says until its standard output has a line with this in it.
    pub(crate) fn until(&mut self, wanted: &str) -> String {
        let mut all = String::new();
        while !all.contains(wanted) {
            assert!(self.out.read_line(&mut all).unwrap() > 0, "ended without \"{wanted}\": {all}");
        }
        all
    }

    /// Waits for its greeting to a new shop: the address, and the office's one-time code.
    pub(crate) fn greeted(&mut self) -> (String, String) {
        let greeting = self.until("start again");
        let after = |mark: &str| greeting.split(mark).nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
        (after("--server "), after("--code "))
    }

    /// Told to stop: its last words, its exit code and its log.
    pub(crate) fn stop(mut self) -> (String, Option<i32>, String) {
        assert!(Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap().success());
        let words = self.until("Stopped.");
        let mut log = String::new();
        // Not there where the test sent the log elsewhere.
        if let Some(mut piped) = self.child.stderr.take() {
            piped.read_to_string(&mut log).unwrap();
        }
        (words, self.child.wait().unwrap().code(), log)
    }
}

/// What a program that must not serve says, and its exit code. One that serves all the same is found out at its first
/// word, and not waited for.
pub(crate) fn refused(command: Command) -> (i32, String) {
    let mut serving = Serving::start(command);
    let mut greeting = String::new();
    serving.out.read_line(&mut greeting).unwrap();
    assert_eq!(greeting, "", "it serves");
    let mut words = String::new();
    serving.child.stderr.take().unwrap().read_to_string(&mut words).unwrap();
    (serving.child.wait().unwrap().code().unwrap(), words)
}

impl Drop for Serving {
    fn drop(&mut self) {
        // Fails where it has ended, which is as well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub(crate) fn founding(data: &Path) -> [&str; 10] {
    let data = data.to_str().unwrap();
    ["--data", data, "--listen", "127.0.0.1:0", "--shop-name", "Green End Mowers", "--time-zone", "UTC", "--office-name", "Ana"]
}
