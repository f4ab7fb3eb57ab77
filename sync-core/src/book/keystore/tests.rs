//! What is sealed opens with its own key under its own name alone; a book's files hold no private key once it is sealed.

use std::fs;
use std::path::Path;

use proptest::prelude::*;
use shared::problem::Code;
use shared::record::ShopCard;
use shared::role::Role;
use shared::wire::EnrolAnswer;

use super::*;
use crate::book::enrol::Founding;
use crate::book::{Book, Draft};
use crate::crypto::storage_key::{KeysAtRest, StorageKey};
use crate::store::MetaKey;
use crate::sync::bundle::Load;
use crate::sys::clock::ClockReading;

const NOON: ClockReading = ClockReading::at(1_795_608_000_000);
const NAME: &str = "keys/01890a5d-ac96-774b-bcce-b302099a8057";

/// Pseudo-random bytes (xorshift64*), other ones for every book that a test makes: for replay, never for keys that matter.
fn dice(start: u64) -> impl FnMut(&mut [u8]) {
    let mut state = 0x9E37_79B9_7F4A_7C15 ^ start;
    move |buffer: &mut [u8]| {
        for byte in buffer {
            state ^= state >> 12;
            state ^= state << 25;
            state ^= state >> 27;
            *byte = state.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes()[7];
        }
    }
}

fn key(n: u8) -> StorageKey {
    StorageKey::new([n; 32])
}

fn open(path: &Path, access: Access) -> Result<Book, BookError> {
    Book::over_with(Store::open(path)?, access, &mut dice(path.as_os_str().len() as u64 + 77))
}

/// A shop and its first code.
fn shop(access: Access, path: &Path) -> (Book, String) {
    let mut dice = dice(1);
    let mut book = Book::over_with(Store::open(path).unwrap(), access, &mut dice).unwrap();
    let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let code = book.found_shop(&founding, &NOON, &mut dice).unwrap();
    (book, code)
}

/// Enrols a book at a shop of its own.
fn enrol(book: &mut Book, folder: &Path) -> EnrolAnswer {
    let (mut shop, code) = shop(Access::InTheClear, &folder.join("shop.db"));
    let request = book.enrol_request(&code, "phone", &NOON, &mut dice(2)).unwrap();
    let answer = shop.admit_device(&request, &NOON, &mut dice(3)).unwrap();
    book.enrolled(&answer, "http://127.0.0.1").unwrap();
    answer
}

/// The private keys of a device, in every form in which a file could hold them.
fn secrets(keys: &Keys) -> Vec<Vec<u8>> {
    let both = keys.bytes();
    let halves = [&both[..32], &both[32..]];
    halves.iter().flat_map(|half| [half.to_vec(), hex::encode(half).into_bytes(), hex::encode_upper(half).into_bytes()]).collect()
}

/// The files of a folder that hold any of these bytes, with how often.
fn holders(folder: &Path, secrets: &[Vec<u8>], prefix: &str) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let bytes = fs::read(entry.path()).unwrap();
        let times = secrets.iter().map(|secret| bytes.windows(secret.len()).filter(|window| window == secret).count()).sum();
        if name.starts_with(prefix) && times > 0 {
            found.push((name, times));
        }
    }
    found
}

/// A record that the shop signs.
fn rename_shop(book: &mut Book, name: &str) -> Result<(), BookError> {
    let roster = book.identity()?.root.shop.roster();
    book.write(vec![Draft::new(roster, ShopCard::usual(name, "UTC"))], &NOON, &mut dice(name.len() as u64 + 100)).map(drop)
}

#[test]
fn a_sealed_value_opens_with_its_key_under_its_name_alone() {
    let sealed = key(7).seal(NAME, b"a secret", &mut dice(4)).unwrap();
    assert_eq!(key(7).open(NAME, &sealed).unwrap().as_slice(), b"a secret");
    assert!(key(8).open(NAME, &sealed).is_none(), "another key");
    assert!(key(7).open("keys/01890a5d-ac96-774b-bcce-b302099a8058", &sealed).is_none(), "another name");
    assert!(key(7).open(NAME, &[]).is_none());
    let again = key(7).seal(NAME, b"a secret", &mut dice(5)).unwrap();
    assert_ne!(sealed, again, "a nonce of its own");
    assert!(!sealed.windows(8).any(|window| window == b"a secret"));
}

/// Made with libsodium (`crypto_aead_xchacha20poly1305_ietf_encrypt` of PyNaCl 1.6.2): the form byte, the nonce, and what it gave
/// for the bytes 1 to 64 under this key and name.
#[test]
fn what_libsodium_seals_opens_here() {
    let sealed = "01404142434445464748494a4b4c4d4e4f5051525354555657f00e70f05ef6f352f2187cdffba092452355617a10528bf4d3a0ee105f4b12e8211e\
                  33590e4bb85518f9ca6543bd716af0239920990d934897deac6b4058ab7dd47c19274735f253e4da5549836daf06";
    let key = StorageKey::new(std::array::from_fn(|n| 0x80 + n.to_le_bytes()[0]));
    let plain: Vec<u8> = (1..=64).collect();
    assert_eq!(key.open(NAME, &hex::decode(sealed).unwrap()).unwrap().as_slice(), plain);
    let nonce: Vec<u8> = (0x40..0x58).collect();
    assert_eq!(hex::encode(key.seal(NAME, &plain, &mut |buffer: &mut [u8]| buffer.copy_from_slice(&nonce)).unwrap()), sealed);
}

proptest! {
    #[test]
    fn a_flipped_bit_or_a_cut_never_opens(secret in any::<[u8; 64]>(), start in any::<u64>(), at in any::<prop::sample::Index>(), bit in 0..8u8) {
        let sealed = key(7).seal(NAME, &secret, &mut dice(start)).unwrap();
        let opened = key(7).open(NAME, &sealed).unwrap();
        prop_assert_eq!(opened.as_slice(), secret.as_slice());
        let mut harmed = sealed.clone();
        let at = at.index(sealed.len());
        harmed[at] ^= 1 << bit;
        prop_assert!(key(7).open(NAME, &harmed).is_none());
        prop_assert!(key(7).open(NAME, &sealed[..at]).is_none());
    }
}

#[test]
fn a_key_is_not_shown_and_has_one_length() {
    assert_eq!(format!("{:?} {:?}", key(7), Access::With(key(7))), "StorageKey(not shown) With(StorageKey(not shown))");
    assert!(StorageKey::try_from([7; 32].as_slice()).is_ok());
    assert_eq!(StorageKey::try_from([7; 31].as_slice()).unwrap_err().to_string(), "a storage key has 32 bytes, and this one has 31");
    let folder = tempfile::tempdir().unwrap();
    let book = open(&folder.path().join("book.db"), Access::With(key(7))).unwrap();
    assert!(!format!("{book:?}").contains("7, 7"), "nor where the whole book is");
}

#[test]
fn a_book_in_the_clear_is_sealed_at_its_first_opening_with_a_key_and_no_trace_is_left() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    let mut book = open(&path, Access::InTheClear).unwrap();
    assert_eq!(book.keys_at_rest(), KeysAtRest::Clear);
    enrol(&mut book, folder.path());
    let secrets = secrets(book.identity().unwrap().keys().unwrap());
    let public = book.identity().unwrap().keys().unwrap().public();
    drop(book);
    let before = holders(folder.path(), &secrets, "book.db");
    assert!(before.iter().any(|(_, times)| *times >= 4), "the search finds what lies open, the forgotten enrolment too: {before:?}");

    // While it is open, and its log is there.
    let book = open(&path, Access::With(key(7))).unwrap();
    assert_eq!(book.keys_at_rest(), KeysAtRest::Sealed);
    assert_eq!(book.identity().unwrap().keys().unwrap().public(), public);
    assert_eq!(holders(folder.path(), &secrets, "book.db"), []);
    drop(book);
    assert_eq!(holders(folder.path(), &secrets, "book.db"), []);
    let again = open(&path, Access::With(key(7))).unwrap();
    assert_eq!(again.identity().unwrap().keys().unwrap().public(), public);
    again.tokens().assertion(&NOON, 0, &mut dice(16)).unwrap();
    again.upkeep().backup_to(&folder.path().join("book.db.copy")).unwrap();
    assert_eq!(holders(folder.path(), &secrets, "book.db"), [], "nor in a backup");
}

#[test]
fn power_that_goes_at_any_moment_leaves_no_trace_after_the_next_opening_with_a_key() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    // What a disk has when the power goes: the file and its log as they are while the book is open. So it is in a browser, whose
    // tabs are closed without a word.
    let cut_off = |name: &str| {
        let cut = folder.path().join(name);
        fs::copy(&path, &cut).unwrap();
        fs::copy(folder.path().join("book.db-wal"), folder.path().join(format!("{name}-wal"))).unwrap();
        cut
    };
    let mut book = open(&path, Access::InTheClear).unwrap();
    enrol(&mut book, folder.path());
    let secrets = secrets(book.identity().unwrap().keys().unwrap());
    let cut = cut_off("before.db");
    assert!(holders(folder.path(), &secrets, "before.db").iter().any(|(name, _)| name == "before.db-wal"), "the log has them");
    let sealed = open(&cut, Access::With(key(7))).unwrap();
    assert_eq!(holders(folder.path(), &secrets, "before.db"), []);
    drop((book, sealed));

    let mut store = Store::open(&path).unwrap();
    store.set_access(Access::With(key(7)));
    seal_all(&store, &mut dice(6)).unwrap();
    let cut = cut_off("between.db");
    assert_ne!(holders(folder.path(), &secrets, "between.db"), [], "there are traces between sealing and tidying");
    drop(store);
    let book = open(&cut, Access::With(key(7))).unwrap();
    assert!(book.identity().unwrap().keys().is_ok());
    assert_eq!(holders(folder.path(), &secrets, "between.db"), []);
    assert_eq!(book.store().meta(&MetaKey::<bool>::new("traces")).unwrap(), None, "and that is done once");
}

#[test]
fn without_its_key_or_with_another_a_sealed_book_does_not_open_and_is_not_changed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    let mut book = open(&path, Access::With(key(7))).unwrap();
    enrol(&mut book, folder.path());
    drop(book);
    let before = fs::read(&path).unwrap();
    for (access, code) in [(Access::InTheClear, Code::BookSealed), (Access::With(key(8)), Code::KeyWrong)] {
        let error = open(&path, access).unwrap_err();
        match code {
            Code::BookSealed => assert!(matches!(error, BookError::Sealed), "{error}"),
            _ => assert!(matches!(error, BookError::KeyWrong), "{error}"),
        }
        let said = error.to_string();
        assert!(["nothing was changed", "without keys", "what is not at the shop"].iter().all(|part| said.contains(part)), "{said}");
        assert_eq!(fs::read(&path).unwrap(), before, "{said}");
    }
    assert!(open(&path, Access::With(key(7))).unwrap().identity().unwrap().keys().is_ok());
}

#[test]
fn without_keys_a_book_is_read_and_its_unsent_saved_but_nothing_signed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.db");
    let (mut book, code) = shop(Access::With(key(7)), &path);
    rename_shop(&mut book, "With its key").unwrap();
    drop(book);
    let mut book = open(&path, Access::WithoutKeys).unwrap();
    assert_eq!(book.keys_at_rest(), KeysAtRest::Locked);
    assert!(book.verify().unwrap().faults.is_empty());
    assert_eq!(book.roster().unwrap().people.len(), 1);
    book.outgoing().make_bundle(&Load::Unsent, &NOON).unwrap();
    assert!(matches!(book.tokens().assertion(&NOON, 0, &mut dice(8)), Err(BookError::Sealed)));
    assert!(matches!(rename_shop(&mut book, "Without it"), Err(BookError::Sealed)));
    assert_eq!(book.roster().unwrap().settings.name, "With its key");
    assert!(book.author().open_desk(&code, "hash", &NOON, &mut dice(10)).is_err());
    // Nor does a fresh one make keys that it could not seal.
    let fresh = open(&folder.path().join("fresh.db"), Access::WithoutKeys).unwrap();
    assert!(matches!(fresh.enrol_request(&code, "phone", &NOON, &mut dice(11)), Err(BookError::Sealed)));
}

#[test]
fn an_enrolment_that_waits_for_its_answer_is_sealed_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    for access in [Access::InTheClear, Access::With(key(7))] {
        fs::remove_file(&path).ok();
        let book = open(&path, access).unwrap();
        let asked = book.enrol_request("4K7QM-2ZT9A", "phone", &NOON, &mut dice(12)).unwrap();
        drop(book);
        let book = open(&path, Access::With(key(7))).unwrap();
        assert_eq!(book.enrol_request("4K7QM-2ZT9A", "phone", &NOON, &mut dice(13)).unwrap(), asked, "the same keys");
        let pending: PendingEnrolment = book.store().meta(&PENDING).unwrap().unwrap();
        assert!(pending.keys.is_none());
        let keys = keys_of(book.store(), pending.device, None).unwrap().unwrap();
        assert_eq!(keys.public(), (asked.record_key, asked.login_key));
        assert_eq!(holders(folder.path(), &secrets(&keys), "book.db"), []);
        drop(book);
        assert!(matches!(open(&path, Access::InTheClear), Err(BookError::Sealed)));
    }
}

#[test]
fn a_shops_desks_are_sealed_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.db");
    let (mut book, code) = shop(Access::InTheClear, &path);
    let person = book.author().open_desk(&code, "hash", &NOON, &mut dice(14)).unwrap().person;
    let keys = book.store().logins().desk_row(person).unwrap().unwrap().keys.unwrap();
    drop(book);
    assert_ne!(holders(folder.path(), &secrets(&keys), "shop.db"), []);
    let mut book = open(&path, Access::With(key(7))).unwrap();
    assert_eq!(holders(folder.path(), &secrets(&keys), "shop.db"), []);
    book.author().at_desk(person, &NOON, &mut dice(15), |author, hand| author.add_person("Pia Larkin", Role::Tech, hand)).unwrap();
    assert_eq!(book.roster().unwrap().people.len(), 2);
}
