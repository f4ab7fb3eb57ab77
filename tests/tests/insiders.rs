//! One fixed story for each family of attack: what is promised holds at its end. Longer stories draw the same attacks by chance.

use shared::role::Role;
use tests::sim::{Act, Attack, Closed, Deed, Door, Into, Opening, Reserved, Step, Told, Way, tell};

// Of those who may be insiders, by their order.
const LEAD: usize = 0;
const HELPER: usize = 3;
const BOOKKEEPER: usize = 4;

/// An insider's phone among all phones: the office's own comes first.
const fn phone(insider: usize) -> usize {
    insider + 1
}

fn by(insider: usize, attack: Attack) -> Act {
    Act::Attack { insider, attack }
}

fn exchange(phone: usize) -> Act {
    Act::Exchange { phone, up: Way::Through, down: Way::Through, shop_cut: None, phone_cut: None }
}

/// The office takes somebody's role away, and the shop hears of it.
fn dismissed(insider: usize) -> Vec<Act> {
    vec![Act::Role { phone: insider, role: 3 }, exchange(0)]
}

fn decides(deed: Deed) -> Attack {
    Attack::Decides { deed, back_min: 600, door: Door::Shop }
}

/// Tells a story that nobody's luck decides.
#[track_caller]
fn told(acts: Vec<Act>) -> Told {
    let attacks = acts.iter().filter(|act| matches!(act, Act::Attack { .. })).count();
    let steps: Vec<Step> = acts.into_iter().zip(1..).map(|(act, dice)| Step { act, dice }).collect();
    match tell(7, &steps) {
        Ok(told) => {
            assert_eq!(told.attacks.values().sum::<usize>(), attacks, "{}", told.story);
            assert!(told.forged > 0 || told.attacks.contains_key("opens what is closed"), "nothing was tried:\n{}", told.story);
            told
        }
        Err((why, story)) => panic!("{story}\n\"{}\": {}", why.promise, why.seen),
    }
}

/// Everything that was forged is outside the book.
#[track_caller]
fn refused(acts: Vec<Act>) {
    let told = told(acts);
    assert_eq!((told.forged, told.forged_out), (told.forged_out, told.forged), "{}", told.story);
}

#[test]
fn a_flood_leaves_every_exchange_possible() {
    let flood = |records| by(HELPER, Attack::Floods { into: Into::Machine(0), records, bytes: 60_000, within: false, days: 1 });
    told(vec![flood(104), flood(505), exchange(0)]);
}

/// Everything in it is taken until the day is full, and a page has room for a part of it alone.
#[test]
fn a_flood_that_is_within_every_bound_leaves_pages_small() {
    let flood = by(HELPER, Attack::Floods { into: Into::Machine(0), records: 300, bytes: 60_000, within: true, days: 1 });
    told(vec![flood, exchange(0), exchange(phone(LEAD))]);
}

#[test]
fn a_flood_leaves_every_document_whole() {
    told(vec![by(HELPER, Attack::Floods { into: Into::Machine(0), records: 300, bytes: 60_000, within: false, days: 1 })]);
}

#[test]
fn quarantine_has_room_for_a_flood() {
    told(vec![
        by(HELPER, Attack::Floods { into: Into::Machine(0), records: 400, bytes: 0, within: false, days: 1 }),
        exchange(phone(HELPER)),
    ]);
}

fn on_hold() -> Vec<Act> {
    vec![Act::Find { phone: phone(1), machine: 0, cut: None }, exchange(phone(1)), exchange(0), exchange(phone(LEAD))]
}

#[test]
fn a_receipt_for_a_note_clears_no_hold_on_a_phone() {
    for (door, beside) in [Door::Phone(0), Door::Phone(phone(1)), Door::Shop].into_iter().flat_map(|door| [(door, false), (door, true)]) {
        told([on_hold(), vec![by(HELPER, Attack::Relabels { deed: Deed::ClearsHold(0), door, beside })]].concat());
    }
}

#[test]
fn a_receipt_from_before_makes_nobody_office_at_a_restored_shop() {
    let relabels = by(HELPER, Attack::Relabels { deed: Deed::TakesRole(Role::Office), door: Door::Shop, beside: false });
    let replays = by(HELPER, Attack::Replays { door: Door::Shop });
    told(vec![Act::Backup { node: 0 }, relabels, Act::Restore { node: 0, command: true }, replays]);
}

#[test]
fn a_lead_whose_role_was_taken_away_decides_nothing() {
    for deed in [Deed::VoidsOwnRole, Deed::VoidsRecord(0), Deed::ClearsHold(0), Deed::SignsOff] {
        refused([on_hold(), dismissed(LEAD), vec![by(LEAD, decides(deed))]].concat());
    }
    let read = |phone, go| Act::Read { phone, machine: 0, valve: 0, go, cut: None };
    let contested = vec![read(phone(1), 3), read(phone(2), 6), exchange(phone(1)), exchange(phone(2))];
    refused([contested, dismissed(LEAD), vec![by(LEAD, decides(Deed::Rules(0)))]].concat());
}

#[test]
fn an_office_person_whose_role_was_taken_away_makes_no_accomplice_office() {
    for deed in [Deed::GivesRole(3, Role::Office), Deed::RevokesOffice, Deed::TakesProperty, Deed::ChangesSettings, Deed::VoidsOwnRole] {
        refused([dismissed(BOOKKEEPER), vec![by(BOOKKEEPER, decides(deed))]].concat());
    }
}

#[test]
fn the_office_lets_a_wrong_hands_decision_in_and_it_decides_nothing() {
    let release = Act::Release { which: 0, keep_out: false };
    for deed in [Deed::VoidsOwnRole, Deed::TakesRole(Role::Office), Deed::ClearsHold(0), Deed::GivesRole(3, Role::Office)] {
        told([on_hold(), dismissed(LEAD), vec![by(LEAD, decides(deed)), release.clone()]].concat());
    }
}

#[test]
fn a_shop_that_forgot_a_dismissal_decides_nothing_by_it() {
    let restored = Act::Restore { node: 0, command: true };
    for deed in [Deed::GivesRole(3, Role::Office), Deed::VoidsRecord(0)] {
        let acts = vec![restored.clone(), by(BOOKKEEPER, decides(deed))];
        let read = Act::Read { phone: phone(1), machine: 0, valve: 0, go: 4, cut: None };
        told([vec![read, exchange(phone(1)), Act::Backup { node: 0 }], dismissed(BOOKKEEPER), acts].concat());
    }
}

/// The shop hears of the dismissal only after the deed, whose date is before it.
#[test]
fn what_arrives_while_a_dismissal_is_on_its_way_decides_nothing_in_the_end() {
    for deed in [Deed::GivesRole(3, Role::Office), Deed::VoidsRecord(0), Deed::ChangesSettings] {
        let read = Act::Read { phone: phone(1), machine: 0, valve: 0, go: 4, cut: None };
        let on_its_way = Act::Role { phone: BOOKKEEPER, role: 3 };
        told(vec![read, exchange(phone(1)), on_its_way, by(BOOKKEEPER, decides(deed)), exchange(0)]);
    }
}

#[test]
fn somebody_without_a_role_is_sent_nothing() {
    for closed in [Closed::Machine(0), Closed::Property] {
        told([dismissed(HELPER), vec![by(HELPER, Attack::Opens { closed, by: Opening::Asks }), exchange(phone(HELPER))]].concat());
    }
}

#[test]
fn an_office_person_takes_over_no_device() {
    for back_min in [0, 20_000] {
        refused(vec![by(BOOKKEEPER, Attack::WritesDeviceCard { of: phone(1), back_min })]);
    }
}

#[test]
fn writing_into_a_closed_document_opens_nothing() {
    for by_writing in [Opening::Asks, Opening::WritesNote, Opening::WritesPhoto] {
        told(vec![by(HELPER, Attack::Opens { closed: Closed::Property, by: by_writing })]);
    }
}

#[test]
fn nobody_takes_the_place_of_the_shops_own_documents() {
    for reserved in [Reserved::Days, Reserved::Roster, Reserved::Engines] {
        refused(vec![by(HELPER, Attack::Founds { reserved })]);
    }
}

#[test]
fn a_version_of_the_future_needs_the_right_of_its_kind() {
    for deed in [Deed::TakesRole(Role::Office), Deed::ChangesEngineCard, Deed::ClearsHold(0)] {
        refused([on_hold(), vec![by(HELPER, Attack::SendsVersion { deed, v: 2, door: Door::Shop })]].concat());
    }
}

#[test]
fn unknown_kinds_in_the_shops_own_documents_are_the_offices() {
    for into in [Into::Roster, Into::Engines] {
        refused(vec![by(HELPER, Attack::SendsUnknown { into })]);
    }
}

#[test]
fn a_clock_that_contradicts_the_shops_measure_is_in_doubt() {
    for offset_min in [-360, 360] {
        told(vec![Act::Wait { minutes: 600 }, by(HELPER, Attack::LiesAboutClock { offset_min })]);
    }
}

#[test]
fn a_record_whose_id_was_taken_waits_with_its_reason() {
    let read = Act::Read { phone: phone(1), machine: 0, valve: 0, go: 4, cut: None };
    told(vec![read, by(HELPER, Attack::TakesId { record: 0 }), exchange(phone(1))]);
}

/// The office could otherwise keep out what stands in its own book.
#[test]
fn what_is_in_the_book_does_not_wait_in_quarantine() {
    let read = Act::Read { phone: phone(1), machine: 0, valve: 0, go: 4, cut: None };
    let note = by(HELPER, decides(Deed::VoidsRecord(0)));
    told(vec![read, exchange(phone(1)), note, by(HELPER, Attack::Repeats { record: 0 }), exchange(phone(LEAD))]);
}

/// The good note is in the book before its writer's device is revoked, and comes once more, in a change of the phone that saved it.
#[test]
fn what_is_in_the_book_is_not_judged_again() {
    let mixes = by(HELPER, Attack::Mixes { deed: Deed::VoidsRecord(0), to: phone(1) });
    let read = Act::Read { phone: phone(1), machine: 0, valve: 0, go: 4, cut: None };
    told(vec![read, exchange(phone(1)), mixes, Act::Revoke { phone: HELPER }, exchange(0), exchange(phone(1))]);
}

/// The office's change of a role is older than two readings, and reaches the shop after them.
#[test]
fn a_changed_role_reaches_what_stands() {
    for role in 0..4 {
        let quarrel = Act::Quarrel { one: 1, other: 2, machine: 0, role };
        let steps = [quarrel].map(|act| Step { act, dice: 1 });
        assert!(tell(7, &steps).is_ok_and(|told| told.kept >= 3), "the role {role} does not reach what stands");
    }
}

/// The shop takes none of it, and the honest phone that carries it offers it again, each record once.
#[test]
fn what_an_insider_puts_on_a_phone_twice_stops_no_exchange() {
    let relabels = by(BOOKKEEPER, Attack::Relabels { deed: Deed::ChangesSettings, door: Door::Phone(0), beside: true });
    told(vec![relabels, by(BOOKKEEPER, Attack::Replays { door: Door::Phone(0) }), exchange(0)]);
}

/// What was of a lower role when it was written is taken back for good, whatever has become of its author since.
#[test]
fn what_a_lead_took_back_stays_taken_back() {
    const TECH: usize = 1;
    let read = Act::Read { phone: phone(TECH), machine: 0, valve: 0, go: 4, cut: None };
    let takes_back = by(LEAD, Attack::Decides { deed: Deed::VoidsRecord(0), back_min: 0, door: Door::Shop });
    told(vec![read, exchange(phone(TECH)), takes_back, Act::Role { phone: TECH, role: 2 }, exchange(0)]);
}

#[test]
fn a_machine_is_its_founders_though_another_took_the_id_of_its_card() {
    let founds = Act::NewMachine { phone: phone(1), cut: None };
    let takes_back = Act::Void { phone: phone(1), record: 0, cut: None };
    told(vec![founds, by(LEAD, Attack::TakesId { record: 0 }), takes_back, exchange(phone(1)), exchange(phone(1))]);
}

/// It was the office's word when it reached the shop, with what the office's own device carried while somebody joined.
#[test]
fn what_came_by_right_while_somebody_joined_stays() {
    let mixes = by(BOOKKEEPER, Attack::Mixes { deed: Deed::TakesProperty, to: 0 });
    told(vec![mixes, Act::Role { phone: BOOKKEEPER, role: 0 }, Act::Join { role: 0 }]);
}
