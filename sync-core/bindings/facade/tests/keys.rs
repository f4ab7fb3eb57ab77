//! The kit with and without the key that a platform keeps for it: codes, and how the keys are said to be kept.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::problem::Code;
use sync_core::sys::clock::ClockReading;
use tappet_kit::{KeysAtRest, Kit, KitError, StorageKey, Surroundings};

/// A device whose dice give a run of bytes: for replay, never for keys that matter.
struct Device(u8);

impl Surroundings for Device {
    fn now(&mut self) -> ClockReading {
        ClockReading::at(1_780_293_600_000)
    }

    fn fill(&mut self, buffer: &mut [u8]) {
        for byte in buffer {
            self.0 = self.0.wrapping_mul(5).wrapping_add(11);
            *byte = self.0;
        }
    }
}

fn around() -> Box<Device> {
    Box::new(Device(3))
}

fn key(n: u8) -> StorageKey {
    StorageKey::new([n; 32])
}

fn refused(opened: Result<Kit, KitError>, code: Code) {
    let error = opened.unwrap_err();
    assert_eq!(error.code(), code.name());
    assert!(error.sentence().contains("nothing was changed"), "{}", error.sentence());
}

#[test]
fn a_book_is_opened_with_its_key_or_without_keys_and_no_other_way() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    // In the clear, with keys of an enrolment under way; then with a key.
    let mut kit = Kit::open(&path, around()).unwrap();
    let asked = kit.enrol_call("4K7QM-2ZT9A", "phone").unwrap();
    assert_eq!(kit.status().unwrap().keys, KeysAtRest::Clear);
    drop(kit);
    for _ in 0..2 {
        let mut kit = Kit::open_with_key(&path, key(7), around()).unwrap();
        assert_eq!(kit.status().unwrap().keys, KeysAtRest::Sealed);
        assert_eq!(kit.enrol_call("4K7QM-2ZT9A", "phone").unwrap(), asked, "the same keys");
    }
    refused(Kit::open(&path, around()), Code::BookSealed);
    refused(Kit::open_with_key(&path, key(8), around()), Code::KeyWrong);

    let mut kit = Kit::open_without_keys(&path, around()).unwrap();
    let status = serde_json::to_value(kit.status().unwrap()).unwrap();
    assert_eq!(status["keys"], "locked");
    assert_eq!(kit.enrol_call("4K7QM-2ZT9A", "phone").unwrap_err().code(), "book-sealed");
}
