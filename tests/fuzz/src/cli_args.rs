//! The terminal, whatever is typed: an exit code of the documented ones, no defect, and nothing kept where it says so.

use std::cell::OnceCell;
use std::ffi::OsString;
use std::os::unix::ffi::OsStringExt;

use cli_client::Environment;
use sync_core::book::Book;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::CryptoRng;
use tests::Dice;

use super::ground::{self, Looks, Template, dice};

struct Ground {
    books: [Template; 2],
    now_ms: i64,
}

thread_local! {
    static GROUND: OnceCell<Ground> = const { OnceCell::new() };
}

/// What a byte from 0x80 on stands for: the words of the command line, and what the books know.
const WORDS: [&[u8]; 118] = [
    b"status",
    b"due",
    b"guide",
    b"show",
    b"history",
    b"record",
    b"visit",
    b"open",
    b"finish",
    b"read",
    b"hours",
    b"meter-change",
    b"finding",
    b"hold",
    b"clear",
    b"note",
    b"photo",
    b"machine",
    b"add",
    b"void",
    b"leaves",
    b"reckon",
    b"settings",
    b"unit",
    b"quarantine",
    b"verify",
    b"office",
    b"completions",
    b"exchange",
    b"enrol",
    b"person",
    b"people",
    b"device",
    b"devices",
    b"property",
    b"properties",
    b"machines",
    b"card",
    b"cards",
    b"assign",
    b"unassign",
    b"contested",
    b"rule",
    b"day-sheet",
    b"service-record",
    b"import",
    b"export",
    b"role",
    b"code",
    b"revoke",
    b"set",
    b"sure",
    b"turn",
    b"warm",
    b"crank",
    b"tdc",
    b"meter",
    b"usage",
    b"drift",
    b"carry",
    b"agreement",
    b"round",
    b"M-1",
    b"M-2",
    b"Test yard",
    b"Tech",
    b"Lead",
    b"Office",
    b"Invented twin",
    b"phone",
    b"1I",
    b"2E",
    b"1I found",
    b"found",
    b"left",
    b"5/6",
    b"4-6",
    b"123.4",
    b"2026-06-01",
    b"--json",
    b"--unit",
    b"mm",
    b"thou",
    b"--verbose",
    b"--offline",
    b"--cold",
    b"--warm",
    b"--cautions-read",
    b"--hours",
    b"--go",
    b"--no-go",
    b"--adjusted",
    b"--measured-by",
    b"--temp-c",
    b"--property",
    b"--cylinders",
    b"--card",
    b"--role",
    b"--because",
    b"--stands",
    b"--most",
    b"--day",
    b"--days",
    b"--between",
    b"--level",
    b"--name",
    b"--intake",
    b"--exhaust",
    b"--thread",
    b"M6x1",
    b"rocker-stud-nut",
    b"--ratio",
    b"--help",
    b"--version",
    b"bash",
    b"--",
    b"\xff",
    b"=",
];

fn ground() -> Ground {
    let (books, now) = ground::of_both();
    Ground { books, now_ms: now.wall_ms }
}

/// A first corpus: lines that are typed every day.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    let typed: [&str; 28] = [
        "status",
        "due",
        "show\nM-1",
        "history\nM-1",
        "visit\nopen\nM-1\n--cold\n--cautions-read\n--hours\n123.4",
        "read\nM-1\n1I\nfound\n5/6",
        "hours\nM-1\n130.1",
        "hold\nM-1\ndrips",
        "note\nM-1\nwords",
        "visit\nfinish\nM-1",
        "leaves\n2-12",
        "--json\nreckon\nsure\nM-1\n1I",
        "reckon\ndue\nM-1",
        "reckon\nround",
        "verify",
        "office\n--offline\nperson\nadd\nNina\n--role\ntech",
        "office\n--offline\nday-sheet",
        "office\n--offline\ncard\nexport",
        "office\n--offline\ncontested",
        "office\n--offline\nmachines",
        "exchange",
        "completions\nbash",
        "office\n--offline\ncard\nadd\n--name\nX\n--cylinders\n1\n--intake\n4-6\n--exhaust\n5-7\n--months\n6",
        "--help",
        "read\nM-1\n1I\nfound\nfive/6",
        "leaves\n12-2",
        "--unit\nmile\nstatus",
        "office\n--offline\ncard\nadd\n--name\nX\n--cylinders\n1\n--intake\n4\n--exhaust\n5-7\n--months\n6",
    ];
    let mut seeds: Vec<Vec<u8>> = [0, 1].iter().flat_map(|book| typed.map(|line| [&[*book, 80], line.as_bytes()].concat())).collect();
    seeds.push(b"\x03\x50guide\nM-1\0y\ny\n123.4\n5/6\n\n5/6\nq\n".to_vec());
    seeds
}

/// The first byte says whose book it is and whether a person is there to be asked, the second how wide the terminal is;
/// then arguments, one a line, and after a nought the answers.
pub fn once(bytes: &[u8]) {
    tried(bytes, Looks::ALWAYS);
}

/// The same with a look at the whole book after one input in sixteen: for the fuzzers, which have more to do.
pub fn quickly(bytes: &[u8]) {
    tried(bytes, Looks::seldom(bytes));
}

fn tried(bytes: &[u8], looks: Looks) {
    let [how, width, typed @ ..] = bytes else { return };
    GROUND.with(|kept| {
        let ground = kept.get_or_init(ground);
        let (line, answers) = typed.split_at(typed.iter().position(|byte| *byte == 0).unwrap_or(typed.len()));
        let book = &ground.books[usize::from(how & 1)];
        let args = contained(book, line.split(|byte| *byte == b'\n').map(spelt));
        run(
            book,
            ground.now_ms,
            args,
            &Terminal { is_tty: how & 2 != 0, width: usize::from(*width), answers: answers.get(1..).unwrap_or_default() },
            looks,
        );
    });
}

/// One argument, its words spelt out.
fn spelt(arg: &[u8]) -> Vec<u8> {
    let word = |byte: &u8| match byte.checked_sub(0x80) {
        Some(n) => WORDS[usize::from(n) % WORDS.len()].to_vec(),
        None => vec![*byte],
    };
    arg.iter().flat_map(word).collect()
}

/// The same arguments on no other book than the target's own, and writing no file outside its folder.
fn contained(book: &Template, args: impl Iterator<Item = Vec<u8>>) -> Vec<OsString> {
    let mut contained: Vec<OsString> = vec!["tappet".into(), "--book".into(), book.folder().join("copy.db").into()];
    let mut exports = false;
    for arg in args.filter(|arg| !arg.starts_with(b"--book")) {
        let harmless = arg.starts_with(b"--card=") || [&b"--json"[..], b"--offline", b"--help"].contains(&arg.as_slice());
        contained.push(if exports && !harmless { book.folder().join("out.json").into() } else { OsString::from_vec(arg.clone()) });
        exports |= arg == b"export";
    }
    contained
}

/// What the program finds around it.
struct Terminal<'a> {
    is_tty: bool,
    width: usize,
    answers: &'a [u8],
}

fn run(template: &Template, now_ms: i64, args: Vec<OsString>, terminal: &Terminal<'_>, looks: Looks) {
    drop(template.fresh_file());
    // It is mostly not there.
    let _ = std::fs::remove_file(template.folder().join("out.json"));
    let before = log_end(template);
    let (json, guided) = (args.iter().any(|arg| arg == "--json"), args.iter().any(|arg| arg == "guide"));
    let told = args.iter().any(|arg| ["--help", "-h", "--version", "-V", "help"].iter().any(|word| arg == word));
    let typed = format!("{args:?}");
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut now = now_ms;
    let mut drawn: Dice = dice();
    let code = {
        let clock = move || {
            now += 1_000;
            ClockReading::at(now)
        };
        let mut env = Environment::simulated(clock, move |buffer: &mut [u8]| drawn.fill(buffer));
        (env.stdout, env.stderr, env.stdin) = (Box::new(&mut out), Box::new(&mut err), Box::new(terminal.answers));
        (env.is_tty, env.width) = (terminal.is_tty, terminal.width);
        cli_client::run(args, &mut env)
    };
    assert!([0, 1, 2, 3, 4, 5].contains(&code), "{typed} ends with {code}: {}", String::from_utf8_lossy(&err));
    if json && !told && !out.is_empty() {
        serde_json::from_slice::<serde_json::Value>(&out).expect("one JSON document");
    }
    let after = log_end(template);
    assert!(matches!(code, 0 | 3) || guided || after == before, "{typed} ends with {code} and has kept something");
    if after != before {
        let book = open(template);
        looks.at(&book, &ClockReading::at(now_ms));
    }
}

fn open(template: &Template) -> Book {
    Book::open(&template.folder().join("copy.db"), &mut dice()).expect("the book still opens")
}

fn log_end(template: &Template) -> u64 {
    open(template).store().log().log_end().expect("the log")
}
