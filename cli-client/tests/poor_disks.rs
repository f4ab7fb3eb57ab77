//! The real program where the book's disk cannot be written, or its file has gone bad.

#![allow(clippy::unwrap_used, reason = "a test's own world fails by panicking")]

mod common;

use std::process::{Command, Output};

use common::World;

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Runs the program with the world's folder mounted so that it cannot be written, but for a folder for copies.
fn on_read_only_disk(world: &World, args: &[&str]) -> Output {
    let program = assert_cmd::cargo::cargo_bin("tappet");
    let folder = world.folder().display();
    let script = format!("mount --bind {folder} {folder} && mount -o remount,ro,bind {folder} && exec \"$@\"");
    let mut command = Command::new("unshare");
    command.args(["--user", "--map-root-user", "--mount", "sh", "-c", &script, "sh"]).arg(program);
    command.args(args).env_clear().env("PATH", std::env::var_os("PATH").unwrap_or_default());
    command.env("HOME", world.folder()).env("TAPPET_BOOK", world.path("tove")).output().unwrap()
}

#[test]
#[ignore = "needs Linux with user namespaces, and unshare of util-linux: tests/all has them"]
fn a_book_on_a_disk_that_cannot_be_written_can_still_be_looked_at() {
    let world = World::with_shop();
    let read = world.tappet("tove", &["read", "T-1", "1I", "found", "5/6"]);
    assert_eq!(read.code, 0, "{}", read.err);
    let shown = on_read_only_disk(&world, &["show", "T-1"]);
    let (out, err) = (text(&shown.stdout), text(&shown.stderr));
    assert_eq!(shown.status.code(), Some(0), "{out}{err}");
    assert!(out.contains("5 to 6 thou") && out.contains("cannot be written"), "{out}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    let kept = on_read_only_disk(&world, &["note", "T-1", "seen"]);
    assert_eq!(kept.status.code(), Some(1), "{}", text(&kept.stdout));
    assert!(text(&kept.stderr).contains("nothing of this step was kept"), "{}", text(&kept.stderr));
}

#[test]
fn what_a_damaged_book_has_alone_goes_to_the_shop_by_another_device() {
    let world = World::with_shop();
    let read = world.tappet("tove", &["read", "T-1", "1I", "found", "5/6"]);
    assert_eq!(read.code, 0, "{}", read.err);
    let (path, file) = (world.path("tove"), world.folder().join("saved.bundle"));
    let whole = std::fs::read(&path).unwrap();
    // Each page in turn gone bad, until one of them keeps the book from being shown, and its log can still be read.
    let saved = (1..whole.len() / 4096).find_map(|page| {
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0xA5);
        std::fs::write(&path, &bytes).unwrap();
        let shown = world.tappet("tove", &["show", "T-1"]);
        if shown.code == 0 {
            return None;
        }
        let saved = world.tappet("tove", &["bundle", "salvage", file.to_str().unwrap()]);
        let found = saved.code == 0 && saved.out.contains("1 change of 1 document");
        if !found {
            let _ = std::fs::remove_file(&file);
            return None;
        }
        assert!(shown.err.contains("tappet bundle salvage"), "{}", shown.err);
        assert_eq!(std::fs::read(&path).unwrap(), bytes, "the damaged book is as it was");
        Some(saved)
    });
    assert!(saved.is_some(), "no damage was such that anything was left to save");
    let taken = world.tappet("lars", &["bundle", "take", file.to_str().unwrap()]);
    assert_eq!(taken.code, 0, "{}{}", taken.out, taken.err);
    world.exchange("lars");
    assert!(world.tappet("lars", &["show", "T-1"]).out.contains("5 to 6 thou"));
}
