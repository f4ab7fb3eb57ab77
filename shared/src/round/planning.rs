//! Grouping, ordering and fitting the machines that are worth the drive.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::{
    LeftWhy, MOST_ROUTED, Order, Place, PutOff, PutOffWhy, Reason, Round, RoundMachine, RoundRules, Stop, StopMachine, WhyStop, tour,
};
use crate::ids::{MachineId, PropertyId};

/// The week's round. The same machines in any order give the same round; of two entries of one machine the more urgent
/// counts. Common practice, no source. No errors: whatever cannot be placed or timed is said in the answer.
///
/// Worthwhile machines ([`RoundMachine::reason`]) are grouped by property. Stops are ordered by their most urgent
/// machine, then its date, then the more machines, then the property's id. Where minutes are limited, stops are taken
/// whole in that order, and a later one that still fits is taken after one that does not; a stop that alone is over
/// the limit is cut to those of its machines, most urgent first, that fit. Then, if the start and every stop's place
/// are known, the stops are put in the order of [`tour`].
#[must_use]
pub fn plan_round(machines: &[RoundMachine], rules: &RoundRules) -> Round {
    let limit = rules.most_minutes.map_or(u64::MAX, u64::from);
    let (mut stops, mut put_off, mut left) = (Vec::new(), Vec::new(), limit);
    for mut candidate in candidates(machines, rules) {
        put_off.append(&mut candidate.cut(rules, limit));
        let stop = candidate.stop(rules);
        if stop.machines.is_empty() {
            continue;
        }
        if stop.minutes <= left {
            left -= stop.minutes;
            stops.push(stop);
        } else {
            let (property, why) = (stop.property, PutOffWhy::NoTimeLeft);
            put_off.extend(stop.machines.into_iter().map(|machine| PutOff { property, machine, why }));
        }
    }
    put_off.sort_by(|a, b| urgency(&a.machine).cmp(&urgency(&b.machine)));
    let order = order(&mut stops, rules.start);
    Round { minutes_total: stops.iter().map(|stop| stop.minutes).sum(), stops, put_off, order }
}

/// A property's worthwhile machines with the parts of each, most urgent first.
struct Candidate {
    property: PropertyId,
    place: Option<Place>,
    machines: Vec<(StopMachine, Vec<String>)>,
}

/// What puts one machine before another.
fn urgency(machine: &StopMachine) -> (Reason, Date, &str, MachineId) {
    (machine.reason, machine.date.unwrap_or(Date::MAX), &machine.tag, machine.machine)
}

/// The properties worth the drive, most urgent first.
fn candidates(machines: &[RoundMachine], rules: &RoundRules) -> Vec<Candidate> {
    let mut worth: Vec<(StopMachine, &RoundMachine)> = machines
        .iter()
        .filter_map(|m| {
            let (reason, date) = (m.reason(rules)?, m.due.as_ref().and_then(|due| due.date));
            Some((StopMachine { machine: m.machine, tag: m.tag.clone(), reason, date, minutes: m.minutes(rules) }, m))
        })
        .collect();
    // The property and the rest decide between two entries of one machine that are as urgent as each other.
    worth.sort_by(|(a, of_a), (b, of_b)| {
        let rest = |m: &RoundMachine, minutes: u32| (m.property, minutes);
        urgency(a)
            .cmp(&urgency(b))
            .then_with(|| rest(of_a, a.minutes).cmp(&rest(of_b, b.minutes)))
            .then_with(|| of_a.parts.cmp(&of_b.parts))
    });
    let mut met = BTreeSet::new();
    let mut properties: BTreeMap<PropertyId, Candidate> = BTreeMap::new();
    for (machine, of) in worth {
        if met.insert(machine.machine) {
            let empty = || Candidate { property: of.property, place: None, machines: Vec::new() };
            properties.entry(of.property).or_insert_with(empty).machines.push((machine, of.parts.clone()));
        }
    }
    // Any machine of the property may know its place; the lowest machine id decides where they differ.
    let mut placed: Vec<&RoundMachine> = machines.iter().filter(|m| m.place.is_some()).collect();
    placed.sort_by(|a, b| a.machine.cmp(&b.machine).then_with(|| Place::cmp_of(a.place, b.place)));
    for machine in placed.into_iter().rev() {
        if let Some(candidate) = properties.get_mut(&machine.property) {
            candidate.place = machine.place;
        }
    }
    let mut candidates: Vec<Candidate> = properties.into_values().collect();
    candidates.sort_by_key(|c| {
        let first = c.machines.first().map(|(m, _)| (m.reason, m.date.unwrap_or(Date::MAX)));
        (first, std::cmp::Reverse(c.machines.len()), c.property)
    });
    candidates
}

impl Candidate {
    fn minutes(&self, rules: &RoundRules) -> u64 {
        u64::from(rules.minutes_set_up) + self.machines.iter().map(|(m, _)| u64::from(m.minutes)).sum::<u64>()
    }

    /// Keeps the machines that fit in the limit together, and gives the rest.
    fn cut(&mut self, rules: &RoundRules, limit: u64) -> Vec<PutOff> {
        let (set_up, property) = (u64::from(rules.minutes_set_up), self.property);
        let (mut minutes, mut kept, mut rest) = (set_up, Vec::new(), Vec::new());
        for (machine, parts) in std::mem::take(&mut self.machines) {
            let own = u64::from(machine.minutes);
            if minutes + own <= limit {
                minutes += own;
                kept.push((machine, parts));
            } else {
                let why = if set_up + own > limit { PutOffWhy::LongerThanRound } else { PutOffWhy::NoTimeLeft };
                rest.push(PutOff { property, machine, why });
            }
        }
        self.machines = kept;
        rest
    }

    fn stop(self, rules: &RoundRules) -> Stop {
        let minutes = self.minutes(rules);
        let (mut why, mut parts, mut machines) = (WhyStop::default(), BTreeMap::new(), Vec::new());
        for (machine, bring) in self.machines {
            why.count(machine.reason);
            for part in bring.iter().map(|part| part.trim()).filter(|part| !part.is_empty()) {
                *parts.entry(part.to_owned()).or_insert(0) += 1;
            }
            machines.push(machine);
        }
        Stop { property: self.property, place: self.place, machines, minutes, why, parts }
    }
}

/// Puts the stops in the order of a short way, where it can be known.
fn order(stops: &mut Vec<Stop>, start: Option<Place>) -> Order {
    let left = |why| Order::LeftToCrew { why };
    if stops.is_empty() {
        return left(LeftWhy::NoStops);
    }
    if stops.len() > MOST_ROUTED {
        return left(LeftWhy::TooMany);
    }
    let Some(start) = start else { return left(LeftWhy::NoStart) };
    let Some(places) = stops.iter().map(|stop| stop.place).collect::<Option<Vec<Place>>>() else { return left(LeftWhy::PlaceUnknown) };
    let tour = tour(start, &places);
    let mut unordered: Vec<Option<Stop>> = std::mem::take(stops).into_iter().map(Some).collect();
    stops.extend(tour.order.iter().filter_map(|at| unordered.get_mut(*at).and_then(Option::take)));
    Order::ByDistance { metres: tour.whole_metres() }
}
