//! The real program, in a sealed environment: its words, its exit codes, and what its log does not say.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Output, Stdio};

fn program(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tappetbook-server"));
    command.env_clear().args(args).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn said(output: &Output) -> (i32, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

/// The program while it serves; killed with the test, however that ends.
struct Serving {
    child: Child,
    out: BufReader<ChildStdout>,
}

impl Serving {
    fn start(mut command: Command) -> Self {
        let mut child = command.spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        Self { child, out }
    }

    /// Everything that it says until its standard output has a line with this in it.
    fn until(&mut self, wanted: &str) -> String {
        let mut all = String::new();
        while !all.contains(wanted) {
            assert!(self.out.read_line(&mut all).unwrap() > 0, "ended without \"{wanted}\": {all}");
        }
        all
    }

    /// Told to stop: its last words, its exit code and its log.
    fn stop(mut self) -> (String, Option<i32>, String) {
        assert!(Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap().success());
        let words = self.until("Stopped.");
        let mut log = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut log).unwrap();
        (words, self.child.wait().unwrap().code(), log)
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        // Fails where it has ended, which is as well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn founding(data: &Path) -> [&str; 10] {
    let data = data.to_str().unwrap();
    ["--data", data, "--listen", "127.0.0.1:0", "--shop-name", "Green End Mowers", "--time-zone", "UTC", "--office-name", "Ana"]
}

#[test]
fn what_it_was_told_wrong_is_said_with_the_way_out() {
    let (code, _, words) = said(&program(&[]).output().unwrap());
    assert_eq!(code, 2);
    assert!(words.contains("--data DIR"), "{words}");
    let (code, _, words) = said(&program(&["--data", "/nonexistent/shop", "--listen", "0.0.0.0:7878"]).output().unwrap());
    assert_eq!(code, 2);
    assert!(words.contains("--behind-tls-proxy"), "{words}");
    let (code, _, words) = said(&program(&["verify", "--data", "/nonexistent/shop"]).output().unwrap());
    assert_eq!(code, 3);
    assert!(words.contains("/nonexistent/shop"), "{words}");
    let (code, help, _) = said(&program(&["--help"]).output().unwrap());
    assert_eq!(code, 0);
    assert!(help.contains("verify") && help.contains("TAPPETBOOK_DATA"), "{help}");
}

#[test]
fn first_start_stop_and_verify_with_no_secret_in_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("shop");
    let mut command = program(&founding(&data));
    command.env("TAPPETBOOK_LOG_JSON", "1").env("TAPPETBOOK_LOG", "debug");
    let mut serving = Serving::start(command);
    let greeting = serving.until("start again");
    let code = greeting.split("--code ").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
    assert_eq!(code.len(), 11, "{greeting}");
    assert!(greeting.contains("tappet enrol --server http://127.0.0.1:"), "{greeting}");
    let address = greeting.split("http://").nth(1).unwrap().split_whitespace().next().unwrap();

    // A field of this name is repeated in the answer's sentence, and so must not be in the log.
    let body = format!("{{\"code\":\"{code}\",\"{code}\":1}}");
    let requests = [
        format!(
            "POST /v1/enrol HTTP/1.1\r\nhost: s\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        ),
        format!("GET /v1/due?code={code} HTTP/1.1\r\nhost: s\r\nconnection: close\r\nauthorization: Bearer secret-{code}\r\n\r\n"),
        format!("GET /v1/{code} HTTP/1.1\r\nhost: s\r\nconnection: close\r\nx-request-id: {code}\r\n\r\n"),
    ];
    for request in requests {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.contains("application/problem+json"), "{answer}");
    }

    let (words, exit, log) = serving.stop();
    assert!(words.contains("Stopping"), "{words}");
    assert_eq!(exit, Some(0));
    assert!(log.lines().count() >= 3 && log.contains("/v1/enrol"), "{log}");
    for line in log.lines() {
        serde_json::from_str::<serde_json::Value>(line).unwrap_or_else(|_| panic!("no JSON: {line}"));
    }
    assert!(!log.contains(&code) && !log.contains("secret-"), "{log}");

    let (exit, words, _) = said(&program(&["verify", "--data", data.to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 0);
    assert!(words.contains("No fault found."), "{words}");

    // A second start says nothing of a code.
    let mut serving = Serving::start(program(&["--data", data.to_str().unwrap(), "--listen", "127.0.0.1:0"]));
    let greeting = serving.until("listens on");
    let (exit, _, words) = said(&program(&["verify", "--data", data.to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 3);
    assert!(words.contains("another program"), "{words}");
    let (words, exit, _) = serving.stop();
    assert!(!format!("{greeting}{words}").contains("--code"));
    assert_eq!(exit, Some(0));
}

#[test]
fn verify_finds_what_was_changed_behind_the_books_back() {
    let folder = tempfile::tempdir().unwrap();
    let mut serving = Serving::start(program(&founding(folder.path())));
    serving.until("start again");
    serving.stop();
    let file = folder.path().join("shop.db");
    let mut bytes = std::fs::read(&file).unwrap();
    // The shop's name as it is signed: changed in place, in every copy.
    let name = b"Green End Mowers";
    let places: Vec<usize> = bytes.windows(name.len()).enumerate().filter(|(_, w)| w == name).map(|(at, _)| at).collect();
    assert!(!places.is_empty());
    for at in places {
        bytes[at] = b'g';
    }
    std::fs::write(&file, bytes).unwrap();
    let (exit, words, _) = said(&program(&["verify", "--data", folder.path().to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 1, "{words}");
    assert!(words.contains("Fault: "), "{words}");
}
