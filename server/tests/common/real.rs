//! This computer's own time and chance, and its terminal, for tests with the real programs.

use std::ffi::OsString;
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use cli_client::Environment;
use sync_core::sys::clock::ClockReading;

pub(crate) fn chance(buffer: &mut [u8]) {
    getrandom::fill(buffer).unwrap();
}

pub(crate) fn now() -> ClockReading {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    ClockReading::at(i64::try_from(since.as_millis()).unwrap())
}

/// Runs one terminal command on a book: its exit code, and what it said, its errors last.
pub(crate) fn tappet(book: &Path, args: &[&str]) -> (i32, String) {
    let mut argv: Vec<OsString> = vec!["tappet".into(), "--json".into(), "--book".into(), book.into()];
    argv.extend(args.iter().map(OsString::from));
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut env = Environment::simulated(now, chance);
    env.stdout = Box::new(&mut out);
    env.stderr = Box::new(&mut err);
    let code = cli_client::run(argv, &mut env);
    drop(env);
    (code, String::from_utf8(out).unwrap() + &String::from_utf8(err).unwrap())
}
