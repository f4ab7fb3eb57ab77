//! What a folder of pictures keeps, refuses and hands out, over real files.

use super::*;

const JPEG: &[u8] = b"\xff\xd8\xff\xe0 invented";

fn here() -> (tempfile::TempDir, Pictures) {
    let folder = tempfile::tempdir().unwrap();
    let pictures = Pictures::of_shop(&folder.path().join("shop.db"));
    (folder, pictures)
}

fn names(pictures: &Pictures) -> Vec<String> {
    let entries = fs::read_dir(&pictures.folder).into_iter().flatten().flatten();
    entries.map(|entry| entry.file_name().into_string().unwrap()).collect()
}

#[test]
fn a_picture_is_kept_under_its_hash_and_twice_is_once() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    assert_eq!(pictures.read(hash).unwrap(), None);
    for _ in 0..2 {
        assert_eq!(pictures.keep(hash, JPEG).unwrap(), PictureKind::Jpeg);
        assert_eq!(names(&pictures), [hash.to_string()]);
    }
    assert_eq!(pictures.read(hash).unwrap().as_deref(), Some(JPEG));
    pictures.remove(hash).unwrap();
    pictures.remove(hash).unwrap();
    assert!(!pictures.has(hash));
}

#[cfg(unix)]
#[test]
fn folder_and_files_are_their_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (_folder, pictures) = here();
    pictures.keep(sha256(JPEG), JPEG).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&pictures.folder), mode(&pictures.path(sha256(JPEG)))), (0o700, 0o600));
}

#[test]
fn what_is_no_picture_or_not_that_one_leaves_nothing() {
    let (_folder, pictures) = here();
    assert!(matches!(pictures.keep(sha256(b"a text"), b"a text"), Err(PicturesError::Picture(PictureError::NotAPicture))));
    assert!(matches!(pictures.keep(sha256(b"other"), JPEG), Err(PicturesError::WrongHash)));
    assert!(names(&pictures).is_empty());
}

#[test]
fn a_file_that_the_disk_spoilt_counts_as_not_there_and_is_replaced() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    pictures.keep(hash, JPEG).unwrap();
    fs::write(pictures.path(hash), &JPEG[..6]).unwrap();
    assert_eq!(pictures.read(hash).unwrap(), None);
    pictures.keep(hash, JPEG).unwrap();
    assert_eq!(pictures.read(hash).unwrap().as_deref(), Some(JPEG));
}

#[test]
fn half_a_picture_is_never_seen_and_swept_away() {
    let (_folder, pictures) = here();
    let hash = sha256(JPEG);
    fs::create_dir_all(&pictures.folder).unwrap();
    // As a program leaves it that is ended in the middle, with the very name that comes next.
    fs::write(pictures.folder.join(format!("{hash}.0{PART}")), &JPEG[..5]).unwrap();
    assert_eq!((pictures.read(hash).unwrap(), pictures.all().unwrap()), (None, vec![]));
    pictures.keep(hash, JPEG).unwrap();
    assert_eq!(names(&pictures).len(), 2);
    pictures.sweep();
    assert_eq!(names(&pictures), [hash.to_string()]);
}

#[test]
fn a_copy_has_every_picture_and_nothing_else() {
    let (folder, pictures) = here();
    let other = Pictures::at(folder.path().join("backups").join(PHOTOS));
    assert_eq!(pictures.copy_to(&other).unwrap(), 0);
    let more = [JPEG, b"\xff\xd8\xff\xe1 another"];
    for bytes in more {
        pictures.keep(sha256(bytes), bytes).unwrap();
    }
    fs::write(pictures.folder.join("notes.txt"), "not ours").unwrap();
    assert_eq!((pictures.copy_to(&other).unwrap(), pictures.copy_to(&other).unwrap()), (2, 0));
    assert!(more.iter().all(|bytes| other.read(sha256(bytes)).unwrap().as_deref() == Some(*bytes)));
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
