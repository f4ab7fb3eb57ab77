//! Forty devices at once at one server process: no exchange fails, nothing is lost, and the server stays small.
use std::path::Path;

use tests::load::{Plan, run};

/// The bound on the server's memory.
const MOST_KIB: u64 = 200 * 1024;

#[test]
fn an_insider_who_does_his_worst_loses_nobody_anything() {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan { devices: 10, records: 6, devices_per_yard: 5, machines_per_yard: 2, within_s: 300, insider: Some(3) };
    let figures = run(&plan, Path::new(env!("CARGO_BIN_EXE_load")), &folder.path().join("shop")).unwrap();
    println!("{figures}");
    let worst = figures.worst.as_ref().unwrap();
    assert!(worst.tried_everything(), "{figures}");
    assert_eq!(worst.broke_the_server(), 0, "{figures}");
    assert!(figures.is_well(), "{figures}");
}

#[test]
fn forty_devices_at_once_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan { devices: 40, records: 12, devices_per_yard: 5, machines_per_yard: 3, within_s: 300, insider: None };
    let figures = run(&plan, Path::new(env!("CARGO_BIN_EXE_load")), &folder.path().join("shop")).unwrap();
    println!("{figures}");
    assert_eq!(figures.failures(), 0, "{figures}");
    assert_eq!((figures.written, figures.at_shop, figures.receipted), (480, 480, 480), "{figures}");
    assert_eq!((figures.missing_at_devices, figures.faults.len()), (0, 0), "{figures}");
    assert!(figures.is_well());
    if cfg!(target_os = "linux") {
        let peak = figures.server_peak_kib.unwrap();
        assert!(peak > 1024 && peak < MOST_KIB, "{peak} KiB");
    }
}
