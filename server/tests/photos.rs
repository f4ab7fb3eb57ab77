//! Photos with the real programs over real files: the server killed with SIGKILL while pictures come, and a shop put back from
//! a backup with its pictures.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "common/real.rs"]
mod real;
#[path = "common/world.rs"]
mod world;

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use shared::bytes::Bytes32;
use sync_core::book::Book;
use sync_core::book::photo::Whereabouts;
use sync_core::book::pictures::{named, sha256};

use real::chance;
use world::{Serving, World, code_in};

/// The office's terminal's book.
const OFFICE: &str = "office.db";
const KILLS: usize = 25;
/// Large enough that the knife falls while one is being written.
const SIZE: usize = 3 * 1024 * 1024;

fn below(most: u64) -> u64 {
    let mut bytes = [0u8; 8];
    chance(&mut bytes);
    u64::from_le_bytes(bytes) % most
}

impl World {
    /// A shop with a yard and a machine, entered from the office's terminal.
    fn founded(&self) -> Serving {
        let serving = self.serve("enrol --server");
        let code = code_in(&serving.1);
        self.done(OFFICE, &["enrol", "--server", &format!("http://{}", self.listen), "--code", &code]);
        self.done(OFFICE, &["office", "property", "add", "Yard"]);
        self.done(OFFICE, &["office", "machine", "add", "K-9", "--property", "Yard", "--cylinders", "1"]);
        serving
    }

    /// Notes an invented picture of a size, which only begins as a JPEG.
    fn note(&self, size: usize) -> Bytes32 {
        let mut bytes = vec![0; size];
        chance(&mut bytes);
        bytes[..4].copy_from_slice(&[0xff, 0xd8, 0xff, 0xe0]);
        let file = self.path("meter.jpg");
        fs::write(&file, &bytes).unwrap();
        self.done(OFFICE, &["photo", "K-9", file.to_str().unwrap(), "--caption", "meter"]);
        // The picture is the book's own from now on.
        fs::remove_file(&file).unwrap();
        sha256(&bytes)
    }
}

/// What is in a folder of pictures: every file whose name is a hash must be whole. Gives the hashes, and how many others there are.
fn whole(folder: &Path) -> (Vec<Bytes32>, usize) {
    let mut others = 0;
    let mut hashes = Vec::new();
    let rooms = fs::read_dir(folder).into_iter().flatten().map(Result::unwrap);
    for entry in rooms.flat_map(|room| fs::read_dir(room.path()).unwrap().map(Result::unwrap).collect::<Vec<_>>()) {
        match named(entry.file_name().to_str().unwrap()) {
            Some(hash) => {
                assert_eq!(sha256(&fs::read(entry.path()).unwrap()), hash, "half a picture bears its name");
                hashes.push(hash);
            }
            None => others += 1,
        }
    }
    (hashes, others)
}

#[test]
fn a_kill_leaves_a_picture_whole_or_not_there_and_what_was_acknowledged_is_there() {
    let world = World::new();
    let mut server = world.founded();
    let photos = world.path("shop").join("photos");
    // How long an undisturbed exchange with a picture takes here and now: the kills are spread over that.
    let mut noted = vec![world.note(SIZE)];
    let started = std::time::Instant::now();
    assert_eq!(world.done(OFFICE, &["exchange"])["pictures"]["sent"], 1);
    let span_us = u64::try_from(started.elapsed().as_micros()).unwrap();
    let (mut cut, mut halves) = (0, 0);
    for _ in 0..KILLS {
        noted.push(world.note(SIZE));
        let (delay, pid) = (Duration::from_micros(below(span_us * 2)), server.0.id());
        let knife = std::thread::spawn(move || {
            std::thread::sleep(delay);
            Command::new("kill").args(["-9", &pid.to_string()]).status().unwrap();
        });
        let (_, said) = world.tappet(OFFICE, &["exchange"]);
        knife.join().unwrap();
        server.0.wait().unwrap();
        cut += usize::from(said["pictures"]["waiting"] != 0);
        let (there, others) = whole(&photos);
        halves += usize::from(others > 0);
        let device = Book::open(&world.path(OFFICE), &mut chance).unwrap();
        for photo in device.photos().own().unwrap() {
            let acknowledged = matches!(photo.bytes, Whereabouts::AtShop { .. });
            assert!(!acknowledged || there.contains(&photo.sha256), "{} was acknowledged and is not there", photo.sha256);
        }
        drop(device);
        server = world.serve("http://");
        assert_eq!(whole(&photos).1, 0, "what was half written is swept away at the start");
    }
    assert!(cut > 0, "only {cut} of {KILLS} kills fell before the picture was acknowledged");
    // So many go with one exchange, and no more.
    world.done(OFFICE, &["exchange"]);
    let said = world.done(OFFICE, &["exchange"]);
    assert_eq!((&said["pictures"]["waiting"], &said["pictures"]["stopped"]), (&0.into(), &Value::Array(vec![])));
    let (mut there, _) = whole(&photos);
    there.sort_unstable();
    noted.sort_unstable();
    assert_eq!(there, noted);
    println!("{KILLS} kills: {cut} before the picture was acknowledged, {halves} with half a picture under another name");
}

#[test]
fn a_shop_put_back_from_a_backup_has_its_pictures_again() {
    let world = World::new();
    let server = world.founded();
    let hash = world.note(1000);
    world.done(OFFICE, &["exchange"]);
    let backup = world.done(OFFICE, &["office", "backup"]);
    let kept = world.path("shop").join("backups");
    assert_eq!(whole(&kept.join("photos")).0, [hash]);
    drop(server);
    // The other way of making one, while no server runs.
    let aside = world.path("stick");
    fs::create_dir(&aside).unwrap();
    let made = world.program(&["backup", "--to", aside.join("shop.db").to_str().unwrap()]).output().unwrap();
    assert!(made.status.success() && String::from_utf8_lossy(&made.stdout).contains("photos"), "{made:?}");
    assert_eq!(whole(&aside.join("photos")).0, [hash]);
    for from in [kept.join(backup["name"].as_str().unwrap_or_default()), aside.join("shop.db")] {
        assert!(from.is_file(), "{}: {backup}", from.display());
        fs::remove_dir_all(world.path("shop").join("photos")).unwrap();
        let put_back = world.program(&["restore", "--from", from.to_str().unwrap()]).output().unwrap();
        assert!(put_back.status.success(), "{put_back:?}");
        assert_eq!(whole(&world.path("shop").join("photos")).0, [hash]);
    }
    // A shop that lost its pictures, and has no backup of them, gets them from the phones that still keep them.
    fs::remove_dir_all(world.path("shop").join("photos")).unwrap();
    let _server = world.serve("http://");
    assert_eq!(world.done(OFFICE, &["exchange"])["pictures"]["sent"], 1);
    assert_eq!(whole(&world.path("shop").join("photos")).0, [hash]);
}
