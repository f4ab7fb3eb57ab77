//! The book's folder and files, whoever made them and with whatever rights.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::real::tappet;
use crate::serving::{Serving, founding, program, refused};

fn mode(path: &Path) -> u32 {
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

fn open_up(path: &Path, mode: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

/// The program under a umask that takes nothing away.
fn unmasked(args: &[&str]) -> Command {
    let mut command = Command::new("sh");
    command.env_clear().args(["-c", "umask 000; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_tappetbook-server")]);
    command.args(args).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Every file in the folder is the owner's alone; gives their names.
fn all_private(data: &Path) -> Vec<String> {
    assert_eq!(mode(data), 0o700);
    let mut names = Vec::new();
    for entry in std::fs::read_dir(data).unwrap() {
        let path = entry.unwrap().path();
        assert_eq!(mode(&path), 0o600, "{}", path.display());
        names.push(path.file_name().unwrap().to_string_lossy().into_owned());
    }
    names.sort();
    names
}

#[test]
fn a_new_shop_is_its_owners_alone_under_any_umask() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("deep/shop");
    let mut serving = Serving::start(unmasked(&founding(&data)));
    let (server, code) = serving.greeted();
    assert_eq!(tappet(&folder.path().join("desk.db"), &["enrol", "--server", &server, "--code", &code]).0, 0);
    assert_eq!(all_private(&data), ["shop.db", "shop.db-wal"]);
    assert_eq!(mode(&folder.path().join("deep")), 0o700);
    serving.stop();
    all_private(&data);
}

#[test]
fn what_was_open_before_is_closed_and_the_log_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("shop");
    let mut serving = Serving::start(program(&founding(&data)));
    let (server, code) = serving.greeted();
    assert_eq!(tappet(&folder.path().join("desk.db"), &["enrol", "--server", &server, "--code", &code]).0, 0);
    // Killed, so that its write-ahead log stays behind.
    serving.child.kill().unwrap();
    serving.child.wait().unwrap();
    drop(serving);
    let files = [data.join("shop.db"), data.join("shop.db-wal")];
    for file in &files {
        open_up(file, 0o666);
    }
    open_up(&data, 0o777);
    let mut serving = Serving::start(unmasked(&["--data", data.to_str().unwrap(), "--listen", "127.0.0.1:0"]));
    serving.until("listens on");
    assert_eq!(all_private(&data), ["shop.db", "shop.db-wal"]);
    let (_, exit, log) = serving.stop();
    assert_eq!(exit, Some(0), "{log}");
    assert_eq!(log.matches("has been closed to them").count(), 3, "{log}");
    assert!(log.contains("777") && log.contains("666"), "{log}");
}

#[test]
fn a_folder_that_holds_other_things_is_not_closed_but_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("somebody's list.txt"), "milk").unwrap();
    open_up(folder.path(), 0o755);
    let (exit, words) = refused(program(&founding(folder.path())));
    assert_eq!(exit, 3, "{words}");
    assert!(words.contains("755") && words.contains("chmod 700"), "{words}");
    assert_eq!(mode(folder.path()), 0o755);
    assert!(!folder.path().join("shop.db").exists());
    // An empty one that somebody made is the book's.
    let empty = folder.path().join("shop");
    std::fs::create_dir(&empty).unwrap();
    open_up(&empty, 0o755);
    let mut serving = Serving::start(program(&founding(&empty)));
    serving.greeted();
    all_private(&empty);
    serving.stop();
}
