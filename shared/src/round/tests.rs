use jiff::ToSpan;
use proptest::prelude::*;

use super::*;
use crate::hours::Hours;

fn today() -> Date {
    Date::constant(2026, 5, 4)
}

fn due(state: DueState, date: Option<Date>) -> Option<Due> {
    Some(Due { state, by_hours: None, hours_left: None, by_calendar: None, date, limit: None, hours_unknown: false, estimated: false })
}

fn machine(n: u8, property: u8, state: DueState, date: Option<Date>) -> RoundMachine {
    RoundMachine {
        machine: MachineId::from_bytes([n; 16]),
        tag: format!("M-{n}"),
        property: PropertyId::from_bytes([property; 16]),
        place: None,
        due: due(state, date),
        hold: false,
        recheck: false,
        cylinders: 1,
        minutes: None,
        parts: Vec::new(),
    }
}

fn rules() -> RoundRules {
    RoundRules { minutes_one_cylinder: 40, minutes_each_further_cylinder: 20, minutes_set_up: 10, ..RoundRules::of(today()) }
}

fn tags(stop: &Stop) -> Vec<&str> {
    stop.machines.iter().map(|m| m.tag.as_str()).collect()
}

#[test]
fn what_is_due_and_nearly_due_is_grouped_with_time_and_parts() {
    let soon = Some(Date::constant(2026, 5, 12));
    let mut twin = machine(2, 1, DueState::DueSoon, soon);
    twin.cylinders = 2;
    twin.parts = vec!["cover gasket".to_owned(), " cover gasket ".to_owned(), " ".to_owned()];
    let mut known = machine(4, 2, DueState::Later, Some(Date::constant(2027, 1, 1)));
    known.recheck = true;
    known.minutes = Some(25);
    known.parts = vec!["plug".to_owned()];
    let round = plan_round(
        &[
            twin,
            machine(1, 1, DueState::Overdue, Some(Date::constant(2026, 4, 1))),
            machine(3, 1, DueState::Later, Some(Date::constant(2026, 5, 19))),
            known,
            machine(5, 3, DueState::NotKnown, None),
        ],
        &rules(),
    );
    assert_eq!(round.stops.len(), 2);
    let [recheck, overdue] = round.stops.as_slice() else { panic!() };
    assert_eq!((tags(recheck), recheck.minutes, recheck.words().as_str()), (vec!["M-4"], 35, "1 to read again: 35 min. Bring 1 × plug."));
    // The 19th is past the horizon of 14 days from the 4th.
    assert_eq!(tags(overdue), ["M-1", "M-2"]);
    assert_eq!(overdue.words(), "1 overdue, 1 due soon: 110 min. Bring 2 × cover gasket.");
    assert_eq!(round.minutes_total, 145);
    assert_eq!(round.order, Order::LeftToCrew { why: LeftWhy::NoStart });
    assert_eq!(round.words(), "Stops: 2. Machines: 3. Work: 145 min without driving. Most urgent first; the way is left to the crew.");
}

#[test]
fn reasons_by_urgency_horizon_and_day() {
    let on = |day| Some(Date::constant(2026, 5, day));
    let reason = |m: &RoundMachine, rules: &RoundRules| m.reason(rules);
    let mut m = machine(1, 1, DueState::Later, on(18));
    assert_eq!(reason(&m, &rules()), Some(Reason::Soon), "the 14th day counts");
    assert_eq!(reason(&m, &RoundRules { horizon_days: 13, ..rules() }), None);
    assert_eq!(reason(&m, &RoundRules { horizon_days: u32::MAX, ..rules() }), Some(Reason::Soon));
    m.due = due(DueState::DueSoon, None);
    assert_eq!(reason(&m, &RoundRules { horizon_days: 0, ..rules() }), Some(Reason::Soon), "by hours, without a date");
    m.due = due(DueState::DueSoon, on(3));
    assert_eq!(reason(&m, &rules()), Some(Reason::Overdue), "a stale answer whose day has passed");
    m.due = due(DueState::NeverChecked, on(4));
    assert_eq!(reason(&m, &rules()), Some(Reason::NeverChecked));
    m.due = None;
    assert_eq!(reason(&m, &rules()), None);
    m.recheck = true;
    assert_eq!(reason(&m, &rules()), Some(Reason::Recheck));
    m.hold = true;
    assert_eq!(reason(&m, &rules()), Some(Reason::Hold));
    let due = Due { hours_left: Some(Hours::from_tenths(-5)), ..due(DueState::Overdue, None).unwrap() };
    assert_eq!(reason(&RoundMachine { due: Some(due), hold: false, recheck: false, ..m }, &rules()), Some(Reason::Overdue));
}

#[test]
fn a_limit_takes_the_urgent_first_and_cuts_only_what_never_fits() {
    let overdue = |n, property| machine(n, property, DueState::Overdue, Some(Date::constant(2026, 4, 1)));
    let soon = |n, property| machine(n, property, DueState::DueSoon, Some(Date::constant(2026, 5, 12)));
    // 130, 90 and 50 min; 150 allowed.
    let mut all = vec![overdue(1, 1), overdue(2, 1), overdue(3, 1), overdue(4, 2), soon(5, 2), soon(6, 3)];
    let limited = |most| RoundRules { most_minutes: Some(most), ..rules() };
    let stops = |round: &Round| round.stops.iter().flat_map(|s| tags(s).into_iter().map(str::to_owned)).collect::<Vec<_>>();
    let round = plan_round(&all, &limited(150));
    assert_eq!((stops(&round), round.minutes_total), (vec!["M-1".to_owned(), "M-2".to_owned(), "M-3".to_owned()], 130));
    assert_eq!(round.put_off.iter().map(|p| p.machine.tag.as_str()).collect::<Vec<_>>(), ["M-4", "M-5", "M-6"]);
    assert!(round.words().ends_with("Put off, since the time does not reach: 3."));
    // The second does not fit after the first, the third does.
    assert_eq!(stops(&plan_round(&all, &limited(180))), ["M-1", "M-2", "M-3", "M-6"]);
    // The first alone is over the limit: two of its machines fit.
    all[1].minutes = Some(200);
    let round = plan_round(&all, &limited(100));
    assert_eq!(stops(&round), ["M-1", "M-3"]);
    let why = |tag: &str| round.put_off.iter().find(|p| p.machine.tag == tag).map(|p| p.why);
    assert_eq!((why("M-2"), why("M-4")), (Some(PutOffWhy::LongerThanRound), Some(PutOffWhy::NoTimeLeft)));
    // With less still, one; what is left of the limit is not overdrawn.
    assert_eq!(stops(&plan_round(&all, &limited(60))), ["M-1"]);
    assert_eq!(plan_round(&[], &rules()).words(), "Nothing is worth a drive.");
}

#[test]
fn known_places_give_an_order() {
    let at = |n: u8, east: f64| RoundMachine {
        place: Some(Place::new(45.0, east).unwrap()),
        ..machine(n, n, DueState::Overdue, Some(Date::constant(2026, 4, i8::try_from(n).unwrap())))
    };
    let mut all = vec![at(1, 0.3), at(2, 0.1), at(3, 0.2)];
    let start = Place::new(45.0, 0.0).ok();
    let by_distance = RoundRules { start, ..rules() };
    let round = plan_round(&all, &by_distance);
    let Order::ByDistance { metres } = round.order else { panic!("{:?}", round.order) };
    // There and back along 0.3 degrees of the 45th parallel: about 2 x 23.59 km.
    assert!((47_170..47_180).contains(&metres), "{metres}");
    let order: Vec<&str> = round.stops.iter().flat_map(tags).collect();
    assert!(order == ["M-2", "M-3", "M-1"] || order == ["M-1", "M-3", "M-2"], "{order:?}");
    assert!(round.words().contains("about 48 km as the crow flies"));
    all[1].place = None;
    assert_eq!(plan_round(&all, &by_distance).order, Order::LeftToCrew { why: LeftWhy::PlaceUnknown });
    assert_eq!(plan_round(&[], &by_distance).order, Order::LeftToCrew { why: LeftWhy::NoStops });
}

/// A value published for R = 6371.0 km: (36.12, -86.67) to (33.94, -118.40) is 2886.444442837984 km (read on a public
/// page with worked solutions in many languages).
#[test]
fn haversine_as_published() {
    let (a, b) = (Place::new(36.12, -86.67).unwrap(), Place::new(33.94, -118.40).unwrap());
    assert!((distance_m(a, b) / 1000.0 - 2_886.444_442_837_984).abs() < 1e-8);
    let (pole, other) = (Place::new(90.0, 12.0).unwrap(), Place::new(-90.0, -3.0).unwrap());
    assert!((distance_m(pole, other) - std::f64::consts::PI * EARTH_RADIUS_M).abs() < 1e-3);
    for (latitude, longitude) in [(90.1, 0.0), (0.0, -180.5), (f64::NAN, 0.0), (0.0, f64::INFINITY)] {
        assert!(Place::new(latitude, longitude).unwrap_err().to_string().contains("is no place"));
    }
    assert!(serde_json::from_str::<Place>(r#"{"latitude_deg":91.0,"longitude_deg":0.0}"#).is_err());
}

#[test]
fn a_crossing_is_undone() {
    // A square walked with its diagonals; each side about 11 km.
    let at = |n: f64, e: f64| Place::new(n, e).unwrap();
    let (start, corners) = (at(0.0, 0.0), [at(0.1, 0.1), at(0.0, 0.1), at(0.1, 0.0)]);
    let uncrossed = shortened(start, &corners, &[0, 1, 2]);
    assert!(uncrossed.metres < 44_500.0, "{uncrossed:?}");
    assert_eq!(shortened(start, &corners, &[0, 0, 7]).order.len(), 3, "an order that is none");
}

#[test]
fn the_day_itself_is_not_overdue() {
    let due_on = |day| machine(1, 1, DueState::DueSoon, Some(Date::constant(2026, 5, day))).reason(&rules());
    assert_eq!((due_on(3), due_on(4)), (Some(Reason::Overdue), Some(Reason::Soon)));
}

/// 10 min to set up and 40 of work are just the 50 allowed: either fits alone, so the other only finds no time left.
#[test]
fn a_machine_that_just_fits_is_not_longer_than_the_round() {
    let overdue = |n| machine(n, 1, DueState::Overdue, Some(Date::constant(2026, 4, 1)));
    let round = plan_round(&[overdue(1), overdue(2)], &RoundRules { most_minutes: Some(50), ..rules() });
    assert_eq!(round.stops.iter().flat_map(tags).collect::<Vec<_>>(), ["M-1"]);
    assert_eq!(round.put_off.iter().map(|p| (p.machine.tag.as_str(), p.why)).collect::<Vec<_>>(), [("M-2", PutOffWhy::NoTimeLeft)]);
}

#[test]
fn so_many_stops_are_ordered_and_no_more() {
    let stops = |count: u16| {
        let one = |n: u16| {
            let mut id = [0; 16];
            id[..2].copy_from_slice(&n.to_be_bytes());
            let (machine_id, property) = (MachineId::from_bytes(id), PropertyId::from_bytes(id));
            RoundMachine { machine: machine_id, property, ..machine(1, 1, DueState::NeverChecked, Some(today())) }
        };
        plan_round(&(0..count).map(one).collect::<Vec<_>>(), &rules()).order
    };
    assert_eq!(stops(400), Order::LeftToCrew { why: LeftWhy::NoStart });
    assert_eq!(stops(401), Order::LeftToCrew { why: LeftWhy::TooMany });
    // Along the equator, the farthest given first: turned round as long as they are not too many, measured in any case.
    let line = |count: u16| (1..=count).rev().map(|n| Place::new(0.0, f64::from(n) * 0.01).unwrap()).collect::<Vec<_>>();
    let start = Place::new(0.0, 0.0).unwrap();
    for (count, first) in [(400, 399), (401, 0)] {
        let (places, around) = (line(count), tour(start, &line(count)));
        assert_eq!(around.order.first(), Some(&first));
        assert!((around.metres - 2.0 * distance_m(start, places[0])).abs() < 1e-3, "{}", around.metres);
    }
}

#[test]
fn a_place_gives_back_its_numbers() {
    let place = Place::new(-33.5, 151.25).unwrap();
    assert_eq!((place.latitude_deg(), place.longitude_deg()), (-33.5, 151.25));
}

/// Out along a line by 1, 3, 2, 4 and back is 10 long; with the middle two turned round it is 8, there and back.
#[test]
fn a_stretch_in_the_middle_is_turned_round() {
    let at = |east: f64| Place::new(0.0, east).unwrap();
    let found = shortened(at(0.0), &[at(0.1), at(0.3), at(0.2), at(0.4)], &[0, 1, 2, 3]);
    assert_eq!(found.order, [0, 2, 1, 3]);
    assert!((found.metres - 2.0 * distance_m(at(0.0), at(0.4))).abs() < 1e-3, "{found:?}");
}

fn places() -> impl Strategy<Value = Place> {
    (-90.0f64..=90.0, -180.0f64..=180.0).prop_map(|(n, e)| Place::new(n, e).unwrap())
}

fn machines() -> impl Strategy<Value = Vec<RoundMachine>> {
    let states = prop::sample::select(vec![
        DueState::Overdue,
        DueState::NeverChecked,
        DueState::LeftOpen,
        DueState::DueSoon,
        DueState::NotKnown,
        DueState::Later,
    ]);
    let date = prop::option::of((-40i32..60).prop_map(|days| today().saturating_add(days.days())));
    let minutes = prop::option::of(prop_oneof![0u32..300, Just(u32::MAX)]);
    let one = (0u8..24, 0u8..6, states, date, any::<(bool, bool)>(), minutes, 0u8..4, prop::option::of(places()));
    let one = one.prop_map(|(n, property, state, date, (hold, recheck), minutes, cylinders, place)| RoundMachine {
        hold: hold && recheck,
        recheck: recheck && n % 3 == 0,
        minutes,
        cylinders,
        place,
        parts: (0..n % 3).map(|part| format!("part {part}")).collect(),
        ..machine(n, property, state, date)
    });
    prop::collection::vec(one, 0..24)
}

proptest! {
    /// Every worthwhile machine exactly once, nothing else, sums that hold, within the limit; whatever the order given.
    #[test]
    fn every_worthwhile_machine_exactly_once(
        machines in machines(), most in prop::option::of(0u32..600), start in prop::option::of(places()), turn in 0usize..24,
    ) {
        let rules = RoundRules { most_minutes: most, start, ..rules() };
        let round = plan_round(&machines, &rules);
        let mut listed: Vec<MachineId> = round.stops.iter().flat_map(|s| s.machines.iter().map(|m| m.machine)).collect();
        listed.extend(round.put_off.iter().map(|p| p.machine.machine));
        listed.sort_unstable();
        let mut worth: Vec<MachineId> = machines.iter().filter(|m| m.reason(&rules).is_some()).map(|m| m.machine).collect();
        worth.sort_unstable();
        worth.dedup();
        prop_assert_eq!(listed, worth);

        let mut properties: Vec<PropertyId> = round.stops.iter().map(|s| s.property).collect();
        properties.sort_unstable();
        properties.dedup();
        prop_assert_eq!(properties.len(), round.stops.len());
        for stop in &round.stops {
            let work: u64 = stop.machines.iter().map(|m| u64::from(m.minutes)).sum();
            prop_assert_eq!(stop.minutes, u64::from(rules.minutes_set_up) + work);
            let why = stop.why;
            prop_assert_eq!(why.hold + why.recheck + why.overdue + why.never_checked + why.left_open + why.soon, stop.machines.len());
        }
        prop_assert_eq!(round.minutes_total, round.stops.iter().map(|s| s.minutes).sum::<u64>());
        prop_assert!(most.is_none_or(|most| round.minutes_total <= u64::from(most)));
        prop_assert!(most.is_some() || round.put_off.is_empty());

        let mut turned = machines.clone();
        turned.rotate_left(turn % machines.len().max(1));
        turned.reverse();
        prop_assert_eq!(plan_round(&turned, &rules), round);
    }

    /// Turning stretches round never lengthens a way, and never loses a place.
    #[test]
    fn exchanges_never_lengthen(start in places(), places in prop::collection::vec(places(), 0..14), seed in any::<u64>()) {
        let length = |order: &[usize]| {
            let way: Vec<Place> = std::iter::once(start).chain(order.iter().map(|at| places[*at])).chain([start]).collect();
            way.windows(2).map(|leg| distance_m(leg[0], leg[1])).sum::<f64>()
        };
        let mut given: Vec<usize> = (0..places.len()).collect();
        given.sort_by_key(|at| seed.rotate_left(u32::try_from(*at * 5).unwrap()).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let better = shortened(start, &places, &given);
        prop_assert!(better.metres <= length(&given) + 1e-6);
        prop_assert!((better.metres - length(&better.order)).abs() < 1e-6);

        // Nearest neighbour, written here once more.
        let mut open: Vec<usize> = (0..places.len()).collect();
        let (mut here, mut nearest) = (start, Vec::new());
        while let Some(next) = open.iter().copied().min_by(|a, b| distance_m(here, places[*a]).total_cmp(&distance_m(here, places[*b]))) {
            open.retain(|at| *at != next);
            here = places[next];
            nearest.push(next);
        }
        let tour = tour(start, &places);
        prop_assert!(tour.metres <= length(&nearest) + 1e-6);
        let mut all = tour.order.clone();
        all.sort_unstable();
        prop_assert_eq!(all, (0..places.len()).collect::<Vec<_>>());
    }
}
