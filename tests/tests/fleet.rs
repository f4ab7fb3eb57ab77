//! The runner of `tests/peers` on a workload of its own, in one process: seeded, served, filled, written in, brought level.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use shared::ids::RecordId;
use tests::fleet::{Device, DeviceConfig, ShiftedClock, Work, config, copy_morning, seed, sizes, talk, verify};

const MACHINES: usize = 6;
const HISTORY: usize = 4;
const DEVICES: usize = 2;
/// Machines that each device visits, the last of them both.
const VISITED: [[usize; 3]; DEVICES] = [[0, 1, 5], [2, 3, 5]];
const OF_A_VISIT: usize = 2;
/// 2026-05-12 06:00 UTC.
const MORNING_MS: i64 = 1_778_565_600_000;
const DAY_MS: i64 = 86_400_000;

fn id(n: usize) -> RecordId {
    let mut random = [0; 10];
    random[2..].copy_from_slice(&n.to_be_bytes());
    RecordId::from_time(MORNING_MS, random)
}

/// A line of the workload, as `gen.js` of the peers writes it.
fn line(n: usize, machine: usize, device: usize, at_ms: i64) -> String {
    let kind = ["gauge", "gauge", "adjust", "note"][n % 4];
    let stage = ["as-found", "as-left", "check"][n % 3];
    let valve = ["1I", "1E", "4I", "4E"][n / 2 % 4];
    let go_um = 80 + 5 * (n % 40);
    let taken_at = Timestamp::from_millisecond(at_ms).unwrap();
    let line = serde_json::json!({
        "id": id(n), "kind": kind, "machine": id(10_000 + machine), "valve": valve, "stage": stage, "go_um": go_um, "nogo_um": go_um + 25,
        "by": format!("p-{device:02}"), "device": format!("dev-{device:02}"), "taken_at": taken_at.to_string(), "seen": [], "sig": "",
    });
    format!("{line}\n")
}

/// Writes the workload; how many records the devices are to write.
fn write_workload(data: &Path) -> usize {
    fs::create_dir_all(data.join("day")).unwrap();
    let machines: String = (0..MACHINES).map(|i| format!("{}\n", serde_json::json!({ "i": i, "id": id(10_000 + i) }))).collect();
    fs::write(data.join("machines.ndjson"), machines).unwrap();
    let of_fleet = |n: usize| {
        let (machine, step) = (n / HISTORY, i64::try_from(n % HISTORY).unwrap());
        line(n, machine, n % DEVICES, MORNING_MS - (5 - step) * 7 * DAY_MS)
    };
    fs::write(data.join("fleet.ndjson"), (0..MACHINES * HISTORY).map(of_fleet).collect::<String>()).unwrap();
    let mut n = 1_000;
    for (device, visited) in VISITED.iter().enumerate() {
        let mut day = String::new();
        for machine in visited {
            for _ in 0..OF_A_VISIT {
                day.push_str(&line(n, *machine, device, MORNING_MS + i64::try_from(n).unwrap() * 30_000));
                n += 1;
            }
        }
        fs::write(data.join(format!("day/dev-{device:02}.ndjson")), day).unwrap();
    }
    n - 1_000
}

#[test]
fn a_small_fleet_goes_through_its_day_and_every_count_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let (data, work) = (folder.path().join("data"), Work::new(folder.path().join("work")));
    let written = write_workload(&data);
    assert_eq!(written, 12);
    let mut said = Vec::new();
    let seeded = seed(&data, &work, &mut |line| said.push(line.to_owned())).unwrap();
    // The shop's card, three people with their roles and devices, an engine card, a property, the machines.
    let founding = 1 + 3 * 3 + 1 + 1 + MACHINES as u64;
    assert_eq!((seeded.founding, seeded.history, seeded.day), (founding, 24, 12));
    assert_eq!(said.len(), 3, "the founding, one visit of each machine, the end: {said:?}");
    let (morning, whole) = (founding + 24, founding + 36);

    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let shop_clock = Arc::new(ShiftedClock::showing(seeded.morning_ms).unwrap());
    let running = runtime.block_on(server::start(config(&work), Arc::clone(&shop_clock) as Arc<dyn server::Clock>)).unwrap();
    let shift_to = |wall_ms: i64| wall_ms - Timestamp::now().as_millisecond();
    let told = |n: usize, wall_ms: i64| DeviceConfig {
        name: format!("dev-{n:02}"),
        book: work.device_book(n),
        url: running.url(),
        day: data.join(format!("day/dev-{n:02}.ndjson")),
        machines: work.seeded(),
        shift_ms: shift_to(wall_ms),
    };

    let (mut first, opened) = Device::open(told(0, seeded.morning_ms)).unwrap();
    assert_eq!(opened.requests, 1, "the log-in");
    let filled = first.level().unwrap();
    assert_eq!((filled.requests, filled.put_off), (1, 0));
    assert_eq!(first.count().unwrap().count, morning);
    drop(first);
    copy_morning(&work.device_book(0), &work.device_book(1)).unwrap();

    let mut devices: Vec<Device> = (0..DEVICES).map(|n| Device::open(told(n, seeded.morning_ms)).unwrap().0).collect();
    for device in &mut devices {
        let idle = device.level().unwrap();
        assert_eq!((idle.requests, idle.received, idle.taken), (1, 0, 0), "a copied book is level as the first one was");
        assert_eq!(device.append().unwrap().written, written / DEVICES);
    }
    drop(devices);
    shop_clock.shift(shift_to(seeded.evening_ms));
    let mut devices: Vec<Device> = (0..DEVICES).map(|n| Device::open(told(n, seeded.evening_ms)).unwrap().0).collect();
    for device in &mut devices {
        let uploaded = device.upload().unwrap();
        assert_eq!(uploaded.taken, written / DEVICES);
        assert!(uploaded.requests <= 2 && uploaded.body_up > 0, "{uploaded:?}");
    }
    for device in &mut devices {
        let caught_up = device.level().unwrap();
        assert!(caught_up.requests <= 2 && caught_up.taken == 0, "{caught_up:?}");
        assert_eq!(device.count().unwrap().count, whole);
        let idle = device.level().unwrap();
        assert_eq!((idle.requests, idle.received, idle.body_up < 1000, idle.body_down < 1000), (1, 0, true, true));
        assert_eq!(device.faults().unwrap(), Vec::<String>::new());
        assert!(device.get("/v1/day-sheet").unwrap().body_down > 0, "leads see the day sheet");
    }
    drop(devices);

    // As a process is driven, by lines.
    let mut out = Vec::new();
    let commands = "{\"cmd\":\"count\"}\n{\"cmd\":\"open\"}\n{\"cmd\":\"count\"}\nnonsense\n{\"cmd\":\"quit\"}\n{\"cmd\":\"count\"}\n";
    talk(&told(1, seeded.evening_ms), &mut commands.as_bytes(), &mut out).unwrap();
    let answers: Vec<serde_json::Value> = out.split(|byte| *byte == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect();
    assert_eq!(answers.len(), 5, "nothing is answered after quit: {answers:?}");
    assert!(answers[0]["error"].as_str().unwrap().contains("not open") && answers[3]["error"].as_str().unwrap().contains("no command"));
    assert_eq!((answers[1]["requests"].as_u64(), answers[2]["count"].as_u64()), (Some(1), Some(whole)));

    runtime.block_on(running.shutdown());
    assert_eq!(verify(&work.shop_book()).unwrap(), Vec::<String>::new());
    let sizes = sizes(&work).unwrap();
    assert_eq!((sizes.upload.records, sizes.catchup.records), (6, 6));
    // One receipt for each document that a device brought something for.
    let receipts = sizes.catchup_with_arrivals.records - sizes.catchup.records;
    assert_eq!(receipts, VISITED.iter().flatten().count());
    let day = sizes.upload.records + sizes.catchup_with_arrivals.records;
    assert_eq!(sizes.fill.records + day, sizes.all.records);
    assert!(sizes.fill.records as u64 > morning && sizes.all.zstd < sizes.all.bytes && sizes.shop_db_bytes > 4096);
    assert!(sizes.bare_copy_ms > 0.0 && sizes.bare_commit_ms > 0.0);
    assert!(!work.bare().exists(), "the plain table is taken away");
}
