//! What a folder of pictures keeps, refuses and hands out, over real files.

use super::*;

const JPEG: &[u8] = b"\xff\xd8\xff\xe0 invented";
const HERE: DocId = DocId::from_bytes([1; 16]);
const THERE: DocId = DocId::from_bytes([2; 16]);

fn here() -> (tempfile::TempDir, Pictures) {
    let folder = tempfile::tempdir().unwrap();
    let pictures = Pictures::of_shop(&folder.path().join("shop.db"));
    (folder, pictures)
}

fn names(pictures: &Pictures) -> Vec<String> {
    names_in(&pictures.of_document(HERE)).unwrap()
}

#[test]
fn a_picture_is_kept_under_its_hash_and_twice_is_once() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    assert_eq!(pictures.read(HERE, hash).unwrap(), None);
    for _ in 0..2 {
        assert_eq!(pictures.keep(HERE, hash, JPEG).unwrap(), PictureKind::Jpeg);
        assert_eq!(names(&pictures), [hash.to_string()]);
    }
    assert_eq!(pictures.read(HERE, hash).unwrap().as_deref(), Some(JPEG));
    pictures.remove(HERE, hash).unwrap();
    pictures.remove(HERE, hash).unwrap();
    assert!(!pictures.has(HERE, hash));
}

#[cfg(unix)]
#[test]
fn folder_and_files_are_their_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (_folder, pictures) = here();
    pictures.keep(HERE, sha256(JPEG), JPEG).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let modes = [&pictures.folder, &pictures.of_document(HERE), &pictures.path(HERE, sha256(JPEG))].map(|path| mode(path));
    assert_eq!(modes, [0o700, 0o700, 0o600]);
}

#[test]
fn what_is_no_picture_or_not_that_one_leaves_nothing() {
    let (_folder, pictures) = here();
    assert!(matches!(pictures.keep(HERE, sha256(b"a text"), b"a text"), Err(PicturesError::Picture(PictureError::NotAPicture))));
    assert!(matches!(pictures.keep(HERE, sha256(b"other"), JPEG), Err(PicturesError::WrongHash)));
    assert!(names(&pictures).is_empty());
}

#[test]
fn a_file_that_the_disk_spoilt_counts_as_not_there_and_is_replaced() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    pictures.keep(HERE, hash, JPEG).unwrap();
    fs::write(pictures.path(HERE, hash), &JPEG[..6]).unwrap();
    assert_eq!(pictures.read(HERE, hash).unwrap(), None);
    pictures.keep(HERE, hash, JPEG).unwrap();
    assert_eq!(pictures.read(HERE, hash).unwrap().as_deref(), Some(JPEG));
}

#[test]
fn half_a_picture_is_never_seen_and_swept_away() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    fs::create_dir_all(pictures.of_document(HERE)).unwrap();
    // As a program leaves it that is ended in the middle, with the very name that comes next.
    fs::write(pictures.of_document(HERE).join(format!("{hash}.0{PART}")), &JPEG[..5]).unwrap();
    assert_eq!(pictures.read(HERE, hash).unwrap(), None);
    pictures.keep(HERE, hash, JPEG).unwrap();
    assert_eq!(names(&pictures).len(), 2);
    pictures.sweep();
    assert_eq!(names(&pictures), [hash.to_string()]);
}

#[test]
fn a_picture_is_there_for_the_document_for_which_it_was_kept_and_for_no_other() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    pictures.keep(HERE, hash, JPEG).unwrap();
    assert_eq!((pictures.has(THERE, hash), pictures.read(THERE, hash).unwrap()), (false, None));
    assert!(matches!(pictures.keep(THERE, hash, b"\xff\xd8\xff\xe0 a guess"), Err(PicturesError::WrongHash)));
    assert_eq!(pictures.read(THERE, hash).unwrap(), None);
    pictures.keep(THERE, hash, JPEG).unwrap();
    pictures.remove(HERE, hash).unwrap();
    assert_eq!((pictures.has(HERE, hash), pictures.read(THERE, hash).unwrap().as_deref()), (false, Some(JPEG)));
}

#[test]
fn a_copy_has_every_picture_and_nothing_else() {
    let (folder, pictures) = here();
    let other = Pictures::at(folder.path().join("backups").join(PHOTOS));
    assert_eq!(pictures.copy_to(&other).unwrap(), 0);
    let more = [JPEG, b"\xff\xd8\xff\xe1 another"];
    for bytes in more {
        pictures.keep(HERE, sha256(bytes), bytes).unwrap();
    }
    pictures.keep(THERE, sha256(JPEG), JPEG).unwrap();
    fs::write(pictures.folder.join("notes.txt"), "not ours").unwrap();
    fs::write(pictures.of_document(HERE).join("notes.txt"), "not ours").unwrap();
    assert_eq!((pictures.copy_to(&other).unwrap(), pictures.copy_to(&other).unwrap()), (3, 0));
    assert!(other.has(THERE, sha256(JPEG)) && !other.has(THERE, sha256(more[1])));
    assert!(more.iter().all(|bytes| other.read(HERE, sha256(bytes)).unwrap().as_deref() == Some(*bytes)));
    assert_eq!(names(&other).len(), 2);
}

#[test]
fn only_a_hash_is_a_name() {
    // SHA-256 of "abc": FIPS 180-4, the standard's own example.
    assert_eq!(sha256(b"abc").to_string(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    let hash = sha256(JPEG);
    assert_eq!(named(&hash.to_string()), Some(hash));
    for other in
        ["", "..", &hash.to_string()[1..], &hash.to_string().to_uppercase(), &format!("{hash}0"), &"+f".repeat(32), &"é".repeat(32)]
    {
        assert_eq!(named(other), None, "{other}");
    }
}
