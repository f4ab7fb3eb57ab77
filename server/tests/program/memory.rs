//! Bodies made to blow up when they are opened: answered at once, and out of bounded memory.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use shared::wire::LARGEST_BODY;
use sync_core::book::Book;
use sync_core::store::MetaKey;

use crate::real::{chance, tappet};
use crate::serving::{Serving, founding, program};

/// What the process may hold at its peak while it refuses one body: what it held before, and this.
const MOST_MORE_KB: u64 = 300 * 1024;
/// How soon it must have answered, on a slow and busy machine.
const SOON: Duration = Duration::from_secs(20);

fn peak_kb(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn exchange(address: &str, token: &str, zstd: bool, body: &[u8]) -> (u16, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    let coding = if zstd { "content-encoding: zstd\r\n" } else { "" };
    let head = format!(
        "POST /v1/exchange HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\nauthorization: Bearer {token}\r\n{coding}\
         content-type: application/cbor\r\ncontent-length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(&[head.as_bytes(), body].concat()).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let answer = String::from_utf8_lossy(&answer).into_owned();
    (answer.split(' ').nth(1).unwrap().parse().unwrap(), answer)
}

fn packed(plain: &[u8]) -> Vec<u8> {
    zstd::encode_all(plain, 19).unwrap()
}

#[test]
fn bodies_made_to_blow_up_are_refused_at_once_out_of_bounded_memory() {
    let folder = tempfile::tempdir().unwrap();
    let mut serving = Serving::start(program(&founding(&folder.path().join("shop"))));
    let (server, code) = serving.greeted();
    let pid = serving.child.id();
    let book = folder.path().join("desk.db");
    assert_eq!(tappet(&book, &["enrol", "--server", &server, "--code", &code]).0, 0);
    let token: serde_json::Value = Book::open(&book, &mut chance).unwrap().store().meta(&MetaKey::new("token")).unwrap().unwrap();
    let (address, token) = (server.trim_start_matches("http://"), token["token"].as_str().unwrap());

    let map =
        |rest: &[u8]| [b"\xa5\x61v\x01".as_slice(), b"\x6bdevice_time\x00", b"\x66cursor\xa1\x68position\x00", b"\x64docs", rest].concat();
    let long = |kind: u8| [&[kind][..], &[0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]].concat();
    let zeros = vec![0; LARGEST_BODY + 1];
    let bombs: Vec<(&str, bool, Vec<u8>, u16)> = vec![
        ("zeros, over the most when unpacked", true, packed(&zeros), 413),
        ("zeros, just the most when unpacked", true, packed(&zeros[..LARGEST_BODY]), 400),
        ("packed twice", true, packed(&packed(&zeros)), 400),
        ("a list said to be 2^63 long", false, map(&long(0x9b)), 400),
        ("a map said to be 2^63 long", false, long(0xbb), 400),
        ("bytes said to be 2^63 long", false, map(&long(0x5b)), 400),
        ("text said to be 2^63 long", false, long(0x7b), 400),
        ("a key said to be 2^63 long", false, [&[0xa1][..], &long(0x7b)].concat(), 400),
        ("lists in lists, 8 million deep", false, vec![0x81; 8_000_000], 400),
        ("lists without end in lists, 8 million deep", true, packed(&vec![0x9f; 8_000_000]), 400),
        ("tags on tags, 3 million", true, packed(&vec![0xc6; 3_000_000]), 400),
        ("maps in maps as a key", true, packed(&vec![0xa1; 8_000_000]), 400),
        ("tags on tags where a document belongs", true, packed(&map(&vec![0xc6; 3_000_000])), 400),
    ];
    let before = peak_kb(pid);
    println!("before: peak {before} kB");
    for (what, zstd, body, expected) in &bombs {
        // Forgets the peak so far, so that each is measured by itself.
        std::fs::write(format!("/proc/{pid}/clear_refs"), "5").unwrap();
        let started = Instant::now();
        let (status, answer) = exchange(address, token, *zstd, body);
        let (took, peak) = (started.elapsed(), peak_kb(pid));
        println!("{what}: {} bytes, {status} in {} ms, peak {peak} kB", body.len(), took.as_millis());
        assert_eq!(status, *expected, "{what}: {answer}");
        assert!(answer.contains("application/problem+json"), "{what}: {answer}");
        assert!(took < SOON, "{what} took {took:?}");
        assert!(peak < before + MOST_MORE_KB, "{what}: {peak} kB after {before} kB");
    }
    // Still there, and still level.
    let (exit, words) = tappet(&book, &["exchange"]);
    assert_eq!(exit, 0, "{words}");
    serving.stop();
}
