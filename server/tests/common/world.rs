//! A shop in a folder of its own, served by the real program, and terminals beside it.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use crate::real;

pub(crate) struct World {
    folder: tempfile::TempDir,
    pub(crate) listen: String,
}

/// The server while it serves; killed with the test, however that ends.
pub(crate) struct Serving(pub(crate) Child, pub(crate) String);

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl World {
    pub(crate) fn new() -> Self {
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        Self { folder: tempfile::tempdir().unwrap(), listen: format!("127.0.0.1:{port}") }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn program(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tappetbook-server"));
        command.env_clear().arg("--data").arg(self.path("shop")).args(args);
        command
    }

    /// A server process that listens, and what it said until it did.
    pub(crate) fn serve(&self, until: &str) -> Serving {
        let founding = ["--listen", &self.listen, "--shop-name", "Invented shop", "--office-name", "Ana", "--time-zone", "UTC"];
        let mut child = self.program(&founding).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap());
        let mut serving = Serving(child, String::new());
        while !serving.1.contains(until) {
            assert!(lines.read_line(&mut serving.1).unwrap() > 0, "the server ended: {}", serving.1);
        }
        std::thread::spawn(move || std::io::copy(&mut lines, &mut std::io::sink()));
        serving
    }

    /// One terminal command on a book: its exit code, and what it said.
    pub(crate) fn tappet(&self, book: &str, args: &[&str]) -> (i32, Value) {
        let (code, said) = real::tappet(&self.path(book), args);
        (code, serde_json::from_str(&said).unwrap())
    }

    pub(crate) fn done(&self, book: &str, args: &[&str]) -> Value {
        let (code, said) = self.tappet(book, args);
        assert_eq!(code, 0, "{book} {args:?}: {said}");
        said
    }
}

/// The one-time code that a server has printed.
pub(crate) fn code_in(said: &str) -> String {
    said.split("--code ").nth(1).unwrap().split_whitespace().next().unwrap().to_owned()
}
