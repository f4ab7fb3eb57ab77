//! Five months of work on the small shop's machines before the morning: visits with hours, readings as found, set and
//! left, a slip at the meter, a valve read warm, and a day on which two people read the same valves.

use shared::hours::Hours;
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit, TENTH_UM_PER_THOU};
use shared::record::Stage::{self, Found, Left, Set};
use sync_core::book::Book;
use sync_core::commands::{ActionContext, ReadingEntry, VisitEntry};
use sync_core::engine::BookError;

use super::{MORNING_MS, World};

const DAY_MS: i64 = 86_400_000;

/// A reading: the valve, its stage, and its leaves in tenths of a thou.
type Read = (&'static str, Stage, i64, i64);

/// A visit of Tove's to T-1: days before the morning, tenths of an hour on the meter, and what was read.
type Told = (i64, i64, &'static [Read]);

/// 1I closes by half a thou or so between visits, 2E is never touched; Tove's lock nut closes what she sets.
const VISITS: [Told; 5] = [
    (
        140,
        4_000,
        &[
            ("1I", Found, 70, 80),
            ("1I", Set, 60, 70),
            ("1I", Left, 50, 60),
            ("1E", Found, 80, 90),
            ("1E", Set, 70, 80),
            ("1E", Left, 60, 70),
            ("2I", Found, 70, 80),
            ("2I", Set, 60, 70),
            ("2I", Left, 50, 60),
            ("2E", Found, 60, 70),
        ],
    ),
    (110, 4_182, &[("1I", Found, 50, 60), ("1E", Found, 60, 70), ("2I", Found, 50, 60), ("2E", Found, 60, 70)]),
    (
        80,
        4_395,
        &[
            ("1I", Found, 40, 50),
            ("1I", Set, 60, 70),
            ("1I", Left, 50, 60),
            ("1E", Found, 60, 70),
            ("2I", Found, 50, 60),
            ("2E", Found, 60, 70),
        ],
    ),
    (50, 4_580, &[("1I", Found, 50, 60), ("1E", Found, 60, 70), ("2I", Found, 50, 60), ("2E", Found, 60, 70)]),
    (
        20,
        4_801,
        &[
            ("1I", Found, 40, 50),
            ("1I", Set, 60, 70),
            ("1I", Left, 50, 60),
            ("1E", Found, 70, 80),
            ("1E", Set, 70, 80),
            ("1E", Left, 60, 70),
            ("2I", Found, 50, 60),
            ("2E", Found, 75, 80),
        ],
    ),
];

impl World {
    /// The small shop, founded 150 days ago, with that history on everybody's book; then it is the morning.
    pub(crate) fn with_history() -> Self {
        let world = Self::with_shop_at(MORNING_MS - 150 * DAY_MS);
        for (days, meter, readings) in VISITS {
            world.days_before_morning(days);
            if days == 50 {
                // A digit too many, seen at once and entered again.
                world.step("tove", |book, hand| {
                    let machine = book.finder().find_machine("T-1")?;
                    book.author().read_hours(machine, Hours::from_tenths(45_800), hand).map(drop)
                });
            }
            world.visit(meter, true, readings);
        }
        world.days_before_morning(10);
        for (device, gaps) in [("tove", [60, 100, 65, 100]), ("lars", [65, 105, 65, 100])] {
            for (valve, go) in ["1I", "1E", "1I", "1E"].into_iter().zip(gaps) {
                world.read(device, "T-2", (valve, Found, go, go + 5), Some(true));
            }
        }
        world.days_before_morning(1);
        world.visit(4_920, false, &[("2I", Found, 70, 80)]);
        for device in ["tove", "lars", "office", "tove"] {
            world.exchange(device);
        }
        world.days_before_morning(0);
        world
    }

    fn days_before_morning(&self, days: i64) {
        self.clock_ms.set(MORNING_MS - days * DAY_MS);
    }

    /// A visit of Tove's to T-1, from its opening to its finish.
    fn visit(&self, meter: i64, cold: bool, readings: &[Read]) {
        let entry = VisitEntry { cold, cautions_confirmed: true, meter: Some(Hours::from_tenths(meter)), ..VisitEntry::default() };
        self.step("tove", |book, hand| {
            let machine = book.finder().find_machine("T-1")?;
            book.author().open_visit(machine, &entry, hand).map(drop)
        });
        for reading in readings {
            self.read("tove", "T-1", *reading, None);
        }
        self.step("tove", |book, hand| {
            let machine = book.finder().find_machine("T-1")?;
            book.author().finish_visit(machine, None, "", hand).map(drop)
        });
    }

    fn read(&self, device: &str, tag: &str, (valve, stage, go, no_go): Read, cold: Option<bool>) {
        let leaf = |tenth_thou| Some(Length::from_tenth_um(tenth_thou * TENTH_UM_PER_THOU / 10));
        let (go, no_go, adjusted) = (leaf(go), leaf(no_go), stage == Set);
        let entry = ReadingEntry { valve: valve.parse().unwrap(), stage, go, no_go, leaves: vec![], adjusted, cold };
        self.step(device, |book, hand| {
            let machine = book.finder().find_machine(tag)?;
            book.author().take_reading(machine, entry, &LeafSet::inch(), LengthUnit::Thou, hand).map(drop)
        });
    }

    /// One step on a device's book, a minute after the one before.
    fn step(&self, device: &str, step: impl FnOnce(&mut Book, &mut ActionContext<'_>) -> Result<(), BookError>) {
        self.pass_min(1);
        let mut book = self.open(device);
        self.hand(|hand| step(&mut book, hand)).unwrap();
    }
}
