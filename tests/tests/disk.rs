//! The store on a disk that is full, read-only, torn or lying: a clear sentence, nothing lost, and on again afterwards.

#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "a test may panic, and says what it counted")]

use std::sync::Arc;

use axum::http::Request;
use server::Clock as _;
use server::router::router;
use server::state::ServerState;
use shared::ids::RecordId;
use shared::record::{ShopCard, Stage};
use shared::role::Role;
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::commands::ActionContext;
use sync_core::engine::BookError;
use sync_core::server::SharedBook;
use sync_core::store::{Store, StoreError};
use sync_core::sys::clock::ClockReading;
use tests::disk::{Disk, Hits, Image, Part, Phase};
use tests::{Crew, Dice, MORNING_MS};
use tower::ServiceExt;

/// A level crew whose tech's book is on a disk of its own.
fn on_disk(name: &str) -> (Crew, Disk, usize, shared::ids::DocId) {
    let mut crew = Crew::new(11);
    let person = crew.person("Tech", Role::Tech);
    let disk = Disk::new(name, &Image::default());
    let tech = crew.phone_on(person, disk.open().unwrap());
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    (crew, disk, tech, machine)
}

fn note(crew: &mut Crew, tech: usize, machine: shared::ids::DocId) -> Result<shared::ids::RecordId, BookError> {
    let long = "what was seen ".repeat(100);
    crew.on(tech, |book, hand| book.author().add_note(machine, &long, hand))
}

#[test]
fn a_full_disk_says_so_keeps_what_was_kept_and_goes_on_once_there_is_room() {
    let (mut crew, disk, tech, machine) = on_disk("full");
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    disk.leave_room(Some(300_000));
    let mut kept = vec![];
    let error = loop {
        match note(&mut crew, tech, machine) {
            Ok(id) => kept.push(id),
            Err(error) => break error,
        }
    };
    assert!(!kept.is_empty() && matches!(error, BookError::Store(StoreError::Full)), "{error:?}");
    assert_eq!(error.to_string(), "the disk is full; nothing of this step was kept, everything before it was. Make room and try again");
    // Looking still works, and the step that failed left nothing.
    let book = &crew.phones[tech].book;
    assert!(kept.iter().chain([&before]).all(|id| book.store().records().held(*id).unwrap().is_some()));
    assert_eq!(usize::try_from(book.reader().status().unwrap().waiting).unwrap(), kept.len() + 1);
    // An exchange that finds no room fails as a whole and is made good later.
    let request = crew.offer(tech);
    let answer = crew.answer(tech, &request);
    let moment = crew.moment(tech);
    disk.leave_room(Some(0));
    let taken = crew.phones[tech].book.peer().take_answer(&moment, &answer, &moment, &mut crew.dice);
    assert!(matches!(taken, Err(BookError::Store(StoreError::Full))), "{taken:?}");
    disk.leave_room(None);
    kept.push(note(&mut crew, tech, machine).unwrap());
    crew.level_all();
    let book = &crew.phones[tech].book;
    assert_eq!((book.reader().status().unwrap().waiting, book.verify().unwrap().faults), (0, vec![]));
    assert!(kept.iter().chain([&before]).all(|id| crew.shop.store().records().held(*id).unwrap().is_some()));
}

#[test]
fn a_disk_that_turned_read_only_says_so_and_nothing_is_lost() {
    let (mut crew, disk, tech, machine) = on_disk("read-only");
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    disk.read_only(true);
    let error = note(&mut crew, tech, machine).unwrap_err().to_string();
    assert!(error.contains("nothing of this step was kept"), "{error}");
    assert!(crew.phones[tech].book.store().records().held(before).unwrap().is_some(), "what is there can be looked at");
    // Opened anew on a read-only disk it can be looked at, and says why nothing can be written.
    let mut dice = Dice::new(5);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let error = note(&mut crew, tech, machine).unwrap_err();
    assert!(matches!(&error, BookError::Store(StoreError::Unwritable(_))), "{error:?}");
    disk.read_only(false);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    note(&mut crew, tech, machine).unwrap();
    crew.level_all();
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
    assert!(crew.shop.store().records().held(before).unwrap().is_some());
}

/// Cuts the power at each single operation that a book is put through, with several falls of the dice for what the disk then holds.
/// Afterwards the book opens, is whole, and has what was reported kept.
///
/// `go` is given what arms the cut, so that it says where the operations begin. Of very many, only every so often.
fn at_each_operation(
    name: &str,
    start: &Image,
    (every, falls): (usize, u64),
    go: impl Fn(&Disk, &dyn Fn(), &mut Dice) -> Option<RecordId>,
    judge: impl Fn(&Book, Option<RecordId>),
) -> Hits {
    let mut hits = Hits::default();
    for at in (0..).step_by(every) {
        let mut reached = false;
        for fall in 0..falls {
            let disk = Disk::new(&format!("{name}-{at}-{fall}"), start);
            let mut dice = Dice::new(u64::from(at) * 64 + fall + 1);
            let kept = go(&disk, &|| disk.cut_power_in(at), &mut dice);
            if let Some(hit) = disk.hit() {
                reached = true;
                hits.add(hit, 1);
                disk.power_on(&mut dice);
            }
            disk.keep_power();
            let book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
            // A book that is nobody's yet has nothing to be compared with.
            if book.identity().is_ok() {
                assert_eq!(book.verify().unwrap().faults, Vec::<String>::new(), "{name}, cut at {at}, fall {fall}");
            }
            if let Some(kept) = kept {
                assert!(book.store().records().held(kept).unwrap().is_some(), "{name}, reported kept; cut at {at}, fall {fall}");
            }
            judge(&book, kept);
            drop(book);
            disk.take_away();
        }
        if !reached {
            break;
        }
    }
    println!("{name}: the power went at {hits}");
    hits
}

/// A book with a reading from before, on a disk whose log is not copied; and what is needed to write on.
fn begun(name: &str) -> (Image, RecordId, impl Fn(&mut Book, &mut Dice) -> Option<RecordId>) {
    let (mut crew, disk, tech, machine) = on_disk(name);
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let (start, moment) = (disk.image(), crew.moment(tech));
    (start, before, move |book, dice| {
        book.author().add_note(machine, "one step", &mut ActionContext { now: moment, entropy: dice, measured_by: None }).ok()
    })
}

/// Opens the book and takes one step, in which the power may go.
fn one_step(step: impl Fn(&mut Book, &mut Dice) -> Option<RecordId>) -> impl Fn(&Disk, &dyn Fn(), &mut Dice) -> Option<RecordId> {
    move |disk, arm, dice| {
        let mut book = Book::over(disk.open().unwrap(), dice).unwrap();
        arm();
        let done = step(&mut book, dice);
        disk.keep_power();
        disk.close(Some(book));
        done
    }
}

/// The step is there whole or not at all, and what was before is there.
#[test]
fn the_power_goes_at_every_single_operation_of_a_step() {
    let (start, before, note) = begun("step");
    let hits = at_each_operation("a step", &start, (1, 12), one_step(note), |book, kept| {
        assert!(book.store().records().held(before).unwrap().is_some());
        let waiting = book.reader().status().unwrap().waiting;
        assert!(waiting == 2 || (waiting == 1 && kept.is_none()), "{waiting} wait: whole or not at all");
    });
    assert!(hits.of(Phase::Step, Part::Log) > 12 * 12, "{hits}");
    assert_eq!(hits.of(Phase::Step, Part::Log), hits.all(), "{hits}");
}

#[test]
fn the_power_goes_at_every_single_operation_of_closing() {
    let (start, before, note) = begun("closing");
    let close = |disk: &Disk, arm: &dyn Fn(), dice: &mut Dice| {
        let mut book = Book::over(disk.open().unwrap(), dice).unwrap();
        let done = note(&mut book, dice);
        assert!(done.is_some());
        arm();
        disk.close(Some(book));
        done
    };
    let hits =
        at_each_operation("closing", &start, (1, 3), close, |book, _| assert!(book.store().records().held(before).unwrap().is_some()));
    assert!(hits.of(Phase::Closing, Part::Main) > 3 * 10 && hits.of(Phase::Closing, Part::Log) > 0, "{hits}");
    assert_eq!(hits.all(), hits.of(Phase::Closing, Part::Main) + hits.of(Phase::Closing, Part::Log), "{hits}");
}

/// The step that fills the log has it copied into the book's own file. What was kept before it is in the log until the copy is whole.
#[test]
fn the_power_goes_at_operations_of_a_checkpoint() {
    let (begun, before, note) = begun("checkpoint");
    let copied = |disk: &Disk| disk.operations().of(Phase::Checkpoint, Part::Main);
    let disk = Disk::new("checkpoint-due", &begun);
    let mut dice = Dice::new(3);
    let mut book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let mut start = begun;
    let mut kept = vec![before];
    while copied(&disk) == 0 {
        start = disk.image();
        kept.extend(note(&mut book, &mut dice));
        assert!(kept.len() < 2_000, "the log is never copied");
    }
    // The step that had it copied comes again, on each disk.
    kept.pop();
    let every = usize::try_from(copied(&disk) / 60).unwrap() + 1;
    let hits = at_each_operation("a checkpoint", &start, (every, 3), one_step(note), |book, _| {
        assert!(kept.iter().all(|id| book.store().records().held(*id).unwrap().is_some()));
    });
    assert!(hits.of(Phase::Checkpoint, Part::Main) > 3 * 20, "{hits}");
}

/// Of a new book, and of one whose log was left by a power cut.
#[test]
fn the_power_goes_at_every_single_operation_of_opening() {
    let open = |disk: &Disk, arm: &dyn Fn(), dice: &mut Dice| {
        arm();
        let book = disk.during(Phase::Opening, || disk.open().ok().and_then(|store| Book::over(store, dice).ok()));
        disk.keep_power();
        disk.close(book);
        None
    };
    let hits = at_each_operation("opening a new book", &Image::default(), (1, 6), open, |_, _| {});
    for part in [Part::Main, Part::Journal, Part::Log] {
        assert!(hits.of(Phase::Opening, part) > 0, "{part}: {hits}");
    }
    // One that is there is only read, its log too: no power cut can harm it while it opens.
    let (start, before, _) = begun("opening");
    let left = at_each_operation("opening one with a log", &start, (1, 6), open, |book, _| {
        assert!(book.store().records().held(before).unwrap().is_some());
    });
    assert_eq!(left.all(), 0, "{left}");
    // The log's index is in the memory of the one program that has the book open: no disk holds it.
    assert_eq!(hits.on(Part::Index), 0);
}

#[test]
fn a_disk_that_lied_loses_an_end_and_the_shop_brings_it_back() {
    // What is lost is the dice's to say: of several falls, some lose readings.
    let lost = (1..=8).filter(|fall| a_fall_of_a_disk_that_lied(*fall)).count();
    assert!(lost > 0, "no fall lost a reading: the test shows nothing");
}

/// Whether a reading was gone after the power came back. It is there again after an exchange in any case.
fn a_fall_of_a_disk_that_lied(fall: u64) -> bool {
    let (mut crew, disk, tech, machine) = on_disk(&format!("lying-{fall}"));
    disk.lie(true);
    let mut read = vec![];
    for _ in 0..5 {
        read.push(crew.read(tech, machine, "1I", Stage::Found, 4, 5));
        crew.level(tech);
    }
    disk.cut_power();
    crew.phones[tech].book = Book::over(Disk::new(&format!("aside-{fall}"), &Image::default()).open().unwrap(), &mut Dice::new(1)).unwrap();
    let mut dice = Dice::new(fall);
    disk.power_on(&mut dice);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let there = |crew: &Crew| read.iter().filter(|id| crew.phones[tech].book.store().records().held(**id).unwrap().is_some()).count();
    let lost = there(&crew) < read.len();
    crew.level_all();
    assert_eq!(there(&crew), read.len());
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
    lost
}

/// The wall clock of a test server stands still.
struct Still;

impl server::Clock for Still {
    fn now(&self) -> ClockReading {
        ClockReading::at(MORNING_MS)
    }
}

/// Where the shop's own disk is full, whoever asks it to keep something is told so in HTTP's words, and what is only read goes on.
#[tokio::test]
async fn a_shop_on_a_full_disk_answers_507_and_goes_on_once_there_is_room() {
    let (disk, folder, now) = (Disk::new("full-shop", &Image::default()), tempfile::tempdir().unwrap(), Still.now());
    let mut dice = Dice::new(5);
    let mut book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let code = book.found_shop(&founding, &now, &mut dice).unwrap();
    let shop = SharedBook::over(book, Box::new(dice), &folder.path().join("shop.db"));
    let router = router(ServerState::new(Arc::new(shop), Arc::new(Still)));
    let device = Book::over(Store::in_memory().unwrap(), &mut Dice::new(6)).unwrap();
    let request = serde_json::to_string(&device.enrol_request(&code, "phone", &now, &mut Dice::new(7)).unwrap()).unwrap();
    let enrol = || async {
        let asked = Request::post("/v1/enrol").header("content-type", "application/json").body(request.clone()).unwrap();
        router.clone().oneshot(asked).await.unwrap().status().as_u16()
    };
    let health =
        || async { router.clone().oneshot(Request::get("/.well-known/jwks.json").body(String::new()).unwrap()).await.unwrap().status() };
    disk.leave_room(Some(0));
    assert_eq!(enrol().await, 507);
    assert_eq!(health().await, 200);
    disk.leave_room(None);
    assert_eq!(enrol().await, 200);
}
