//! The integrator's guide, held to what it claims: the client of another language against the real program, over a socket.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test may panic")]

#[path = "../../server/tests/common/real.rs"]
mod real;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Output, Stdio};

use serde_json::Value;
use shared::record::Body;
use sync_core::book::Book;

use real::{chance, tappet};

const NEEDS_PYTHON: &str = "set TAPPET_PYTHON to a python with tests/outside/requirements.txt";

fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// The server program, where cargo puts it. A test in this package is not given its place, and does not build it: a cargo
/// within a cargo builds half the workspace anew each time.
fn server_program() -> PathBuf {
    let tests = std::env::current_exe().unwrap().parent().unwrap().to_owned();
    let program = tests.parent().unwrap().join("tappetbook-server");
    assert!(program.is_file(), "build the server first, as tests/outside/python does: cargo build -p server");
    program
}

/// The program while it serves; killed with the test, however that ends.
struct Serving {
    child: Child,
    out: BufReader<ChildStdout>,
}

impl Serving {
    fn start(data: &Path) -> Self {
        let mut command = Command::new(server_program());
        command.env_clear().arg("--data").arg(data).args(["--listen", "127.0.0.1:0", "--shop-name", "Green End Mowers"]);
        command.args(["--time-zone", "UTC", "--office-name", "Ana Reeve"]).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        Self { child, out }
    }

    fn until(&mut self, wanted: &str) -> String {
        let mut all = String::new();
        while !all.contains(wanted) {
            assert!(self.out.read_line(&mut all).unwrap() > 0, "ended without \"{wanted}\": {all}");
        }
        all
    }

    /// Its address, and the office's one-time code.
    fn greeted(&mut self) -> (String, String) {
        let greeting = self.until("start again");
        let after = |mark: &str| greeting.split(mark).nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
        (after("--server "), after("--code "))
    }

    fn stop(mut self) {
        assert!(Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap().success());
        self.until("Stopped.");
        assert!(self.child.wait().unwrap().success());
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        // Fails where it has ended, which is as well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// One command of the office's terminal; its answer.
fn office(book: &Path, args: &[&str]) -> Value {
    let (code, said) = tappet(book, args);
    assert_eq!(code, 0, "{args:?}: {said}");
    serde_json::from_str(&said).unwrap()
}

fn client(args: &[&str]) -> Output {
    let python = std::env::var_os("TAPPET_PYTHON").unwrap_or_else(|| "python3".into());
    Command::new(python).arg(top().join("fixtures/guide/client.py")).args(args).env_remove("PYTHONPATH").output().unwrap()
}

fn refused(args: &[&str], code: &str) {
    let ran = client(args);
    let words = String::from_utf8(ran.stderr).unwrap();
    assert!(!ran.status.success() && words.starts_with(&format!("{code}: ")), "{args:?} says: {words}");
}

#[test]
#[ignore = "needs Python packages from PyPI: tests/all installs them"]
fn a_client_of_another_language_enrols_writes_and_is_receipted() {
    let folder = tempfile::tempdir().unwrap();
    let mut serving = Serving::start(&folder.path().join("shop"));
    let (server, first) = serving.greeted();
    let desk = folder.path().join("office.db");
    office(&desk, &["enrol", "--server", &server, "--code", &first]);
    office(&desk, &["office", "property", "add", "Reed Court"]);
    office(&desk, &["machine", "add", "Q-1", "--property", "Reed Court", "--cylinders", "1"]);
    office(&desk, &["office", "person", "add", "Pia Larkin", "--role", "tech"]);
    office(&desk, &["office", "assign", "Pia Larkin", "Reed Court"]);
    office(&desk, &["exchange"]);
    let code = || office(&desk, &["office", "device", "code", "Pia Larkin"])["code"].as_str().unwrap().to_owned();

    let of_pia = code();
    let ran = client(&[&server, &of_pia, "Q-1", "1I", "1270", "1524"]);
    assert!(ran.status.success(), "{NEEDS_PYTHON}: {}", String::from_utf8_lossy(&ran.stderr));
    let said: Value = serde_json::from_slice(&ran.stdout).unwrap();
    assert_eq!(said["people"], serde_json::json!(["Ana Reeve", "Pia Larkin"]));
    assert!(said["changes_checked"].as_u64().unwrap() > 5, "{said}");
    // A second device of hers has seen the first reading, and replaces it: causality, not the clock.
    let second = client(&[&server, &code(), "Q-1", "1I", "1016", "1270"]);
    let second: Value = serde_json::from_slice(&second.stdout).unwrap();

    // What can be refused, by name: a code that was used, one that never was, a machine that the person may not see,
    // a reading that cannot be.
    refused(&[&server, &of_pia, "Q-1", "1I", "1270", "1524"], "code-invalid");
    refused(&[&server, "00000-00000", "Q-1", "1I", "1270", "1524"], "code-invalid");
    refused(&[&server, &code(), "Q-9", "1I", "1270", "1524"], "no machine Q-9 is open to this person");
    refused(&[&server, &code(), "Q-1", "1I", "1524", "1270"], "body-invalid");
    serving.stop();

    let shop = Book::open(&folder.path().join("shop/shop.db"), &mut chance).unwrap();
    let id = |said: &Value| said["record"].as_str().unwrap().parse().unwrap();
    let held = shop.store().records().held(id(&said)).unwrap().unwrap();
    assert_eq!(shop.roster().unwrap().name(held.entry.record.by), "Pia Larkin");
    assert!(matches!(&held.entry.record.body, Body::Clearance(c) if c.go.unwrap().tenth_um() == 1270));
    let ledger = shop.store().records().ledger_of(held.entry.record.doc).unwrap();
    assert_eq!(ledger.receipt(held.entry.record.id).unwrap().at_ms, said["arrived_ms"].as_i64().unwrap());
    let slot = shared::slot::Slot::of(&held.entry.record).unwrap();
    let standing = shop.store().projections().standing(held.entry.record.doc, &slot).unwrap().unwrap();
    assert_eq!((standing.stands, standing.contenders), (Some(id(&second)), vec![id(&second)]));
    assert_eq!(shop.verify().unwrap().faults, Vec::<String>::new());
}
