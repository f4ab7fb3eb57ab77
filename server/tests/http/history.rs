//! Two months on one machine, written on two devices' books and exchanged: what there is to be reckoned with.

use server::Clock;
use shared::engine_card::{Adjuster, Duty, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::hours::Hours;
use shared::ids::{CardId, DocId};
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit, TENTH_UM_PER_THOU};
use shared::record::MachineCard;
use shared::record::Stage::{self, Found, Left, Set};
use shared::role::Role;
use sync_core::commands::{ActionContext, ReadingEntry, VisitEntry};
use sync_core::sys::rng::fresh_uuid;

use crate::support::{Device, World, chance};

const DAY_MS: i64 = 86_400_000;

/// A valve, a stage, and two leaves in tenths of a thou.
type Read = (&'static str, Stage, i64, i64);

/// Days on since the visit before, tenths of an hour on the meter, and what was read.
const VISITS: [(i64, i64, &[Read]); 5] = [
    (0, 4_000, &[("1I", Found, 70, 80), ("1I", Set, 60, 70), ("1I", Left, 50, 60), ("1E", Found, 70, 80)]),
    (20, 4_150, &[("1I", Found, 50, 60), ("1E", Found, 70, 80)]),
    (20, 4_300, &[("1I", Found, 40, 50), ("1I", Set, 60, 70), ("1I", Left, 50, 60), ("1E", Found, 70, 80)]),
    (20, 4_460, &[("1I", Found, 50, 60), ("1E", Found, 70, 80)]),
    (20, 4_600, &[("1I", Found, 40, 50), ("1I", Set, 60, 70), ("1I", Left, 50, 60), ("1E", Found, 70, 80)]),
];

/// The shop with that history: Ben, a tech, looks after A-12; Cleo, a lead, read its valves too on the last day but one.
pub(crate) struct History {
    pub(crate) world: World,
    pub(crate) office: Device,
    pub(crate) ben: Device,
    pub(crate) cleo: Device,
    pub(crate) machine: DocId,
}

fn engine_card(world: &World) -> EngineCard {
    let thou = Length::from_thou;
    let interval = Interval { hours: Some(100), months: Some(12) };
    EngineCard {
        source: Some(Source { manual: "Invented manual".to_owned(), page: "12".to_owned() }),
        commercial: interval,
        homeowner: interval,
        adjuster: Some(Adjuster { thread: Thread::PitchUm(500), rocker: Rocker::RockerStudNut, ratio_milli: 1300 }),
        ..EngineCard::plain(
            CardId(fresh_uuid(&world.clock.now(), &mut chance)),
            "Single, 400 cc",
            1,
            Range { low: thou(5), high: thou(7), aim: None },
            Range { low: thou(7), high: thou(9), aim: None },
        )
    }
}

impl History {
    pub(crate) async fn new() -> Self {
        let world = World::new();
        let mut office = world.office().await;
        let (property, machine) = world.machine(&mut office, "A-12").await;
        let card = engine_card(&world);
        let engine_card = Some(card.card);
        let engines = office.book.identity().unwrap().root.shop.engines();
        office.state(&world, engines, vec![card.into()]);
        let card = MachineCard {
            tag: "A-12".to_owned(),
            description: String::new(),
            property,
            engine_card,
            cylinders: Some(1),
            duty: Duty::default(),
            hours_per_week: None,
            provisional: false,
        };
        office.state(&world, machine, vec![card.into()]);
        office.level(&world).await;
        let ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
        let cleo = world.join(&mut office, "Cleo", Role::Lead, None).await;
        let mut history = Self { world, office, ben, cleo, machine };
        history.write();
        for device in [&mut history.office, &mut history.ben, &mut history.cleo] {
            device.log_in(&history.world).await;
            device.level(&history.world).await;
        }
        history
    }

    fn write(&mut self) {
        for (days, meter, readings) in VISITS {
            self.world.clock.on(days * DAY_MS);
            let entry =
                VisitEntry { cold: true, cautions_confirmed: true, meter: Some(Hours::from_tenths(meter)), ..VisitEntry::default() };
            self.ben.book.author().open_visit(self.machine, &entry, &mut hand(&self.world)).unwrap();
            for one in readings {
                read(&self.world, &mut self.ben, self.machine, *one, None);
            }
            self.ben.book.author().finish_visit(self.machine, None, "", &mut hand(&self.world)).unwrap();
        }
        self.world.clock.on(DAY_MS);
        for (device, gaps) in [(&mut self.ben, [60, 100, 65, 100]), (&mut self.cleo, [65, 105, 65, 100])] {
            for (valve, go) in ["1I", "1E", "1I", "1E"].into_iter().zip(gaps) {
                read(&self.world, device, self.machine, (valve, Found, go, go + 5), Some(true));
            }
        }
        self.world.clock.on(DAY_MS);
        read(&self.world, &mut self.ben, self.machine, ("1E", Set, 80, 90), Some(false));
    }

    /// The path of a question about the machine.
    pub(crate) fn path(&self, question: &str) -> String {
        format!("/v1/machines/{}/{question}", self.machine)
    }
}

/// A hand a minute after whatever was done before.
fn hand(world: &World) -> ActionContext<'static> {
    world.clock.on(60_000);
    ActionContext { now: world.clock.now(), entropy: Box::leak(Box::new(chance)), measured_by: None }
}

fn read(world: &World, device: &mut Device, machine: DocId, (valve, stage, go, no_go): Read, cold: Option<bool>) {
    let leaf = |tenth_thou| Some(Length::from_tenth_um(tenth_thou * TENTH_UM_PER_THOU / 10));
    let valve = valve.parse().unwrap();
    let entry = ReadingEntry { valve, stage, go: leaf(go), no_go: leaf(no_go), leaves: vec![], adjusted: stage == Set, cold };
    device.book.author().take_reading(machine, entry, &LeafSet::inch(), LengthUnit::Thou, &mut hand(world)).unwrap();
}
