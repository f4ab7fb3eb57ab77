use shared::record::ShopCard;

use super::*;
use crate::book::enrol::Founding;
use crate::store::EPOCH;

const NOON: i64 = 1_795_608_000_000;

fn entropy() -> impl FnMut(&mut [u8]) {
    let mut n = 0u8;
    move |buffer: &mut [u8]| {
        for byte in buffer {
            n = n.wrapping_mul(5).wrapping_add(11);
            *byte = n;
        }
    }
}

fn shop_at(path: &Path) -> Book {
    let mut dice = entropy();
    let mut book = Book::open(path, &mut dice).unwrap();
    let shop = ShopCard::usual("Shop", "UTC");
    let founding = Founding { shop, office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    book.found_shop(&founding, &ClockReading::at(NOON), &mut dice).unwrap();
    book
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_backup_is_one_private_file_that_verifies_and_never_writes_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let book = shop_at(&folder.path().join("shop.db"));
    let to = folder.path().join("copy.db");
    let made = book.upkeep().backup_to(&to).unwrap();
    assert_eq!(made.bytes, fs::metadata(&to).unwrap().len());
    assert!(made.documents >= 1 && made.records >= 3, "{made:?}");
    #[cfg(unix)]
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&to).unwrap().permissions()) & 0o777, 0o600);
    let before = fs::read(&to).unwrap();
    assert!(matches!(book.upkeep().backup_to(&to), Err(BackupError::Exists(_))));
    assert!(matches!(book.upkeep().backup_to(&folder.path().join("no/such/folder.db")), Err(BackupError::Unwritable { .. })));
    assert!(matches!(book.upkeep().backup_to(Path::new("/")), Err(BackupError::Exists(_))));
    let copy = open_backup(&to, &mut entropy()).unwrap();
    assert_eq!(copy.verify().unwrap(), book.verify().unwrap());
    assert_eq!(fs::read(&to).unwrap(), before, "looked at, and not touched");
    assert_eq!(names(folder.path()), ["copy.db", "shop.db", "shop.db-wal"], "and nothing left beside it");
}

#[test]
fn a_copy_that_is_not_the_book_gets_no_name() {
    let folder = tempfile::tempdir().unwrap();
    let book = shop_at(&folder.path().join("shop.db"));
    let to = folder.path().join("copy.db");
    let harm: [fn(&Path); 2] = [
        |part| fs::write(part, b"not a database, and longer than nothing").unwrap(),
        |part| {
            let file = fs::File::options().write(true).open(part).unwrap();
            file.set_len(file.metadata().unwrap().len() / 2).unwrap();
        },
    ];
    for harm in harm {
        let draft = book.upkeep().copy_for(&to).unwrap();
        let part = names(folder.path()).into_iter().find(|name| name.ends_with(".part")).unwrap();
        harm(&folder.path().join(part));
        assert!(matches!(keep(draft), Err(BackupError::Untrue(_))));
        assert_eq!(names(folder.path()), ["shop.db", "shop.db-wal"]);
    }
    // A file that took the name in the meantime keeps it.
    let draft = book.upkeep().copy_for(&to).unwrap();
    fs::write(&to, b"somebody else's").unwrap();
    assert!(matches!(keep(draft), Err(BackupError::Exists(_))));
    assert_eq!(fs::read(&to).unwrap(), b"somebody else's");
    assert_eq!(names(folder.path()), ["copy.db", "shop.db", "shop.db-wal"]);
}

#[test]
fn a_shop_put_back_begins_a_new_epoch_and_keeps_the_old_file() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("shop.db");
    let backup = folder.path().join("backup.db");
    let book = shop_at(&place);
    let epoch = |book: &Book| book.store().meta(&EPOCH).unwrap().unwrap();
    let before = epoch(&book);
    book.upkeep().backup_to(&backup).unwrap();
    let now = ClockReading::at(NOON);
    let refused = restore_shop(&backup, &place, &now, &mut entropy());
    assert!(matches!(refused, Err(RestoreError::InUse(_))), "{refused:?}");
    drop(book);
    for n in 0..2 {
        let was = fs::read(&place).unwrap();
        let mut dice = entropy();
        let restored = restore_shop(&backup, &place, &now, &mut dice).unwrap();
        let aside = restored.aside.unwrap();
        assert_eq!(fs::read(&aside).unwrap(), was);
        let ending = if n == 0 { "shop.db.replaced-20261125T120000Z" } else { "shop.db.replaced-20261125T120000Z-1" };
        assert!(aside.ends_with(ending), "{}", aside.display());
        let back = Book::open(&place, &mut dice).unwrap();
        assert_ne!(epoch(&back), before);
        assert_eq!(back.verify().unwrap().faults, Vec::<String>::new());
    }
    assert!(!names(folder.path()).iter().any(|name| name.contains("restoring") || name.contains("part")));
    // Where there is no book, or one that is damaged, it is put back as well.
    fs::write(&place, b"this was a book once, and is longer than a header").unwrap();
    fs::write(folder.path().join("shop.db-wal"), b"and so was this").unwrap();
    let aside = restore_shop(&backup, &place, &ClockReading::at(NOON + 60_000), &mut entropy()).unwrap().aside.unwrap();
    assert_eq!(fs::read(with_ending(&aside, "-wal")).unwrap(), b"and so was this");
    let elsewhere = folder.path().join("new.db");
    assert_eq!(restore_shop(&backup, &elsewhere, &now, &mut entropy()).unwrap().aside, None);
}

#[test]
fn what_is_no_good_backup_is_refused_and_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("shop.db");
    let backup = folder.path().join("backup.db");
    let book = shop_at(&place);
    book.upkeep().backup_to(&backup).unwrap();
    drop(book);
    let was = fs::read(&place).unwrap();
    let good = fs::read(&backup).unwrap();
    let refuse = |bytes: Option<Vec<u8>>| {
        match bytes {
            Some(bytes) => fs::write(&backup, bytes).unwrap(),
            None => fs::remove_file(&backup).unwrap(),
        }
        let refused = restore_shop(&backup, &place, &ClockReading::at(NOON), &mut entropy()).unwrap_err();
        assert_eq!(fs::read(&place).unwrap(), was);
        assert!(!names(folder.path()).iter().any(|name| name.contains("restoring") || name.contains("replaced")));
        refused
    };
    let mut forged = good.clone();
    let name = b"Office";
    let places: Vec<usize> = forged.windows(name.len()).enumerate().filter(|(_, w)| w == name).map(|(at, _)| at).collect();
    for at in places {
        forged[at] = b'o';
    }
    let refused = refuse(Some(forged));
    assert!(matches!(&refused, RestoreError::Faults { faults, .. } if faults.contains("is not what its records make")), "{refused}");
    let refused = refuse(Some(b"a shopping list, and longer than any header of a database is; nothing here".to_vec()));
    assert!(matches!(refused, RestoreError::Unreadable { .. }), "{refused}");
    let refused = refuse(Some(good[..good.len() / 2].to_vec()));
    assert!(matches!(refused, RestoreError::Unreadable { .. } | RestoreError::Faults { .. }), "{refused}");
    let refused = refuse(Some(Vec::new()));
    assert!(matches!(refused, RestoreError::NotAShop(_)), "an empty file is nobody's book: {refused}");
    let refused = refuse(None);
    assert!(matches!(refused, RestoreError::NoBackup(_)), "{refused}");
}

#[test]
fn only_what_is_named_as_a_backup_is_listed_newest_first() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(backups_in(&folder.path().join("none")).unwrap(), []);
    let older = backup_name(&ClockReading::at(NOON));
    let newer = backup_name(&ClockReading::at(NOON + 61_000));
    assert_eq!((older.as_str(), newer.as_str()), ("20261125T120000Z.db", "20261125T120101Z.db"));
    for name in [&older, &newer, "notes.txt", ".20261125T120000Z.db.00.part", "20269925T120000Z.db"] {
        fs::write(folder.path().join(name), b"12345").unwrap();
    }
    let lines = backups_in(folder.path()).unwrap();
    let told: Vec<_> = lines.iter().map(|l| (l.name.as_str(), l.made_ms, l.bytes)).collect();
    assert_eq!(told, [(newer.as_str(), NOON + 61_000, 5), (older.as_str(), NOON, 5)]);
}

#[test]
fn a_book_that_would_not_be_put_back_gets_no_backup() {
    let folder = tempfile::tempdir().unwrap();
    let book = shop_at(&folder.path().join("shop.db"));
    let good = folder.path().join("good.db");
    book.upkeep().backup_to(&good).unwrap();
    // A copy that is the same as a book which does not verify is no good one.
    let document = book.store().documents().all().unwrap().remove(0);
    book.store().documents().set_size_wrong(document.num).unwrap();
    let to = folder.path().join("copy.db");
    assert!(matches!(book.upkeep().backup_to(&to), Err(BackupError::Unsound(why)) if why.contains("than its row says")));
    assert_eq!(names(folder.path()), ["good.db", "shop.db", "shop.db-wal"]);
}
