//! Closing the day, and the desk at which the office does it: signed in a person's name, receipted, and known everywhere.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use jiff::civil::Date;
use shared::ids::{DocId, PersonId, RecordId};
use shared::length::LengthUnit::Thou;
use shared::problem::Code;
use shared::record::{Body, Decision, Stage};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::enrol::EnrolError;
use sync_core::commands::{ActionContext, Author};
use sync_core::engine::BookError;
use sync_core::judge::permissions::DocKind;
use sync_core::judge::standing::{Standing, State};
use sync_core::queries::weighed;
use sync_core::sys::clock::ClockReading;
use tests::Crew;
use tests::MORNING_MS as MORNING;

const DAY_MS: i64 = 86_400_000;

fn first_day() -> Date {
    "2026-06-01".parse().unwrap()
}

/// Opens the desk of one of the crew.
fn open_desk(crew: &mut Crew, phone: usize, passphrase: &str) -> Result<PersonId, EnrolError> {
    let (office, person, now) = (crew.phones[0].person, crew.phones[phone].person, ClockReading::at(crew.now_ms));
    let code = crew.shop.issue_code(office, person, &now, &mut crew.dice).unwrap().code;
    crew.shop.author().open_desk(&code, passphrase, &now, &mut crew.dice).map(|desk| desk.person)
}

fn at_desk<T>(
    crew: &mut Crew,
    person: PersonId,
    step: impl FnOnce(&mut Author<'_>, &mut ActionContext<'_>) -> Result<T, BookError>,
) -> Result<T, BookError> {
    let now = ClockReading::at(crew.now_ms);
    crew.shop.author().at_desk(person, &now, &mut crew.dice, step)
}

fn close(crew: &mut Crew, person: PersonId, day: Date, left_open: &str) -> Result<RecordId, BookError> {
    at_desk(crew, person, |author, hand| author.close_day(day, left_open, hand))
}

/// A shop with a lead, a tech, a machine with a contested valve, and the office's desk.
fn crew() -> (Crew, DocId, [usize; 3], PersonId) {
    let (mut crew, machine, phones) = Crew::of_three(21);
    let office = open_desk(&mut crew, 0, "first").unwrap();
    crew.read(phones[0], machine, "1I", Stage::Found, 3, 4);
    crew.read(phones[1], machine, "1I", Stage::Found, 6, 7);
    crew.level_all();
    (crew, machine, phones, office)
}

#[test]
fn what_is_decided_at_a_desk_is_signed_receipted_and_everywhere() {
    let (mut crew, machine, [lead, tech, _], office) = crew();
    let slot = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    let now = crew.shop.store().projections().standing(machine, &slot).unwrap().unwrap();
    let picked = now.stands.unwrap();
    let one = weighed(&Standing { contenders: vec![picked], ..now });
    let decision = Decision::Stands(picked);
    let seen_one = at_desk(&mut crew, office, |author, hand| author.rule_as_weighed(machine, &slot, one, decision, "seen both", hand));
    assert!(matches!(seen_one, Err(BookError::Moved(_))), "there are two, and one was weighed");
    let ruling = at_desk(&mut crew, office, |author, hand| author.rule(machine, &slot, decision, "seen both", hand)).unwrap();
    crew.level_all();
    for book in [&crew.shop, &crew.phones[lead].book, &crew.phones[tech].book] {
        let held = book.store().records().held(ruling).unwrap().unwrap();
        assert_eq!(held.entry.record.by, office);
        assert_ne!(held.entry.device, crew.shop.identity().unwrap().device, "it is the person's word, not the server's");
        assert!(held.received_ms.is_some(), "receipted");
        assert_eq!(book.store().projections().standing(machine, &slot).unwrap().unwrap().state, State::Ruled);
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

#[test]
fn a_desk_gives_nobody_a_right_that_their_role_lacks() {
    let (mut crew, machine, [lead, tech, _], _) = crew();
    let Err(EnrolError::Refused(code, _)) = open_desk(&mut crew, tech, "tech's") else { panic!("a tech has no desk") };
    assert_eq!(code, Code::RoleMayNot);
    let person = open_desk(&mut crew, lead, "lead's").unwrap();
    let before = crew.shop.store().log().log_end().unwrap();
    let add = |crew: &mut Crew| at_desk(crew, person, |author, hand| author.add_person("Nobody", Role::Office, hand));
    assert!(matches!(add(&mut crew), Err(BookError::Denied(_))));
    let own = crew.read(lead, machine, "1E", Stage::Found, 3, 4);
    crew.read(tech, machine, "1E", Stage::Found, 7, 8);
    crew.level_all();
    let slot = Slot::Lash("1E".parse().unwrap(), Stage::Found);
    let rule = at_desk(&mut crew, person, |author, hand| author.rule(machine, &slot, Decision::Stands(own), "", hand));
    assert!(matches!(rule, Err(BookError::Denied(_))), "a lead does not rule on their own reading");
    let end = crew.shop.store().log().log_end().unwrap();
    assert!(add(&mut crew).is_err() && crew.shop.store().log().log_end().unwrap() == end && end > before);
    // Whoever loses the role has no rights left at the desk.
    let taken = crew.phones[lead].person;
    crew.on(0, |book, hand| book.author().set_role(taken, Some(Role::Helper), hand).unwrap());
    crew.level_all();
    assert!(matches!(close(&mut crew, person, first_day(), "x"), Err(BookError::Denied(_))));
}

#[test]
fn a_code_opens_one_desk_once_and_a_second_code_only_changes_the_passphrase() {
    let (mut crew, _, _, office) = crew();
    let device = |crew: &Crew| {
        let roster = crew.shop.roster().unwrap();
        roster.devices.values().filter(|d| d.card.person == office && d.revoked_ms.is_none()).map(|d| d.card.device).max().unwrap()
    };
    let (first, count) = (device(&crew), crew.shop.roster().unwrap().devices.len());
    assert_eq!(open_desk(&mut crew, 0, "second").unwrap(), office);
    assert_eq!((device(&crew), crew.shop.roster().unwrap().devices.len()), (first, count));
    assert_eq!(crew.shop.advisor().desk(" OFFICE ").unwrap().unwrap().passphrase, "second");
    assert_eq!(crew.shop.advisor().desk("Nobody").unwrap(), None);
    let now = ClockReading::at(crew.now_ms);
    let code = crew.shop.issue_code(office, office, &now, &mut crew.dice).unwrap().code;
    crew.shop.author().open_desk(&code, "third", &now, &mut crew.dice).unwrap();
    for used in [code.as_str(), "00000-00000"] {
        let refused = crew.shop.author().open_desk(used, "fourth", &now, &mut crew.dice);
        assert!(matches!(refused, Err(EnrolError::Refused(Code::CodeInvalid, _))));
    }
    let late = ClockReading::at(crew.now_ms + 2 * DAY_MS);
    let code = crew.shop.issue_code(office, office, &now, &mut crew.dice).unwrap().code;
    assert!(matches!(crew.shop.author().open_desk(&code, "fifth", &late, &mut crew.dice), Err(EnrolError::Refused(Code::CodeInvalid, _))));
    assert_eq!(crew.shop.advisor().desk_of(office).unwrap().unwrap().passphrase, "third");
    // Revoked, it is gone; a new code opens another.
    crew.on(0, |book, hand| book.author().revoke_device(first, "left unlocked", hand).unwrap());
    crew.level(0);
    assert_eq!(crew.shop.advisor().desk_of(office).unwrap(), None);
    assert!(matches!(close(&mut crew, office, first_day(), "x"), Err(BookError::Denied(_))));
    open_desk(&mut crew, 0, "sixth").unwrap();
    assert!(device(&crew) != first && close(&mut crew, office, first_day(), "still contested").is_ok());
}

#[test]
fn a_day_is_closed_with_nothing_open_or_with_a_reason() {
    let (mut crew, machine, [lead, tech, helper], office) = crew();
    let Err(BookError::Entry(why)) = close(&mut crew, office, first_day(), " ") else { panic!("a slot is contested") };
    assert!(why.contains("M-1: clearance 1I (cylinder 1 intake), found is contested"), "{why}");
    assert!(matches!(close(&mut crew, office, "2026-06-02".parse().unwrap(), "x"), Err(BookError::Entry(_))), "it has not come");
    close(&mut crew, office, first_day(), "the lead looks at it tomorrow").unwrap();
    let closed = crew.shop.days().closed_day(first_day(), Thou).unwrap().unwrap();
    assert_eq!((closed.counts.contested, closed.counts.readings, closed.late.len()), (1, 2, 0));
    assert_eq!((closed.by.as_str(), closed.left_open.as_str()), ("Office", "the lead looks at it tomorrow"));
    assert!(matches!(close(&mut crew, office, first_day(), "again"), Err(BookError::Entry(_))), "closed, and nothing came since");
    crew.level_all();
    let at = |crew: &Crew, phone: usize| crew.phones[phone].book.days().closed_day(first_day(), Thou).unwrap();
    assert_eq!(at(&crew, lead), Some(closed), "a lead knows of it");
    assert_eq!((at(&crew, tech), at(&crew, helper)), (None, None), "it is not for the crew");
    assert!(crew.phones[tech].book.store().documents().has_nothing_of(crew.shop.identity().unwrap().root.shop.days()).unwrap());
    at_desk(&mut crew, office, |author, hand| author.add_note(machine, "after hours", hand)).unwrap();
    assert_eq!(crew.shop.days().closed_day(first_day(), Thou).unwrap().unwrap().late.len(), 0, "a note of the same moment is not late");
}

#[test]
fn what_comes_late_shows_and_the_evening_stays_as_it_was() {
    let (mut crew, machine, [lead, tech, _], office) = crew();
    let kept_back = crew.read(tech, machine, "2E", Stage::Found, 9, 10);
    close(&mut crew, office, first_day(), "one contested").unwrap();
    let evening = |crew: &Crew| crew.shop.days().evening(first_day(), machine, Thou).unwrap();
    let then = evening(&crew);
    let lines =
        |evening: &sync_core::queries::Evening| evening.lines.iter().map(|l| (l.slot_words.clone(), l.words.clone())).collect::<Vec<_>>();
    assert!(!lines(&then).iter().any(|(slot, _)| slot.contains("2E")), "nobody knew of it");
    assert!(then.lines.iter().all(|line| !line.changed_since));
    crew.now_ms = MORNING + DAY_MS;
    crew.level(tech);
    crew.read(lead, machine, "1I", Stage::Found, 4, 5);
    crew.level_all();
    let closed = crew.shop.days().closed_day(first_day(), Thou).unwrap().unwrap();
    assert_eq!(closed.late.iter().map(|l| l.record).collect::<Vec<_>>(), [kept_back], "yesterday's reading, and not today's");
    let now = evening(&crew);
    assert_eq!(lines(&now), lines(&then), "what they knew that evening does not change");
    assert!(now.lines.iter().any(|line| line.slot_words.contains("1I") && line.changed_since));
    // Closed again, with what came: a second statement, which stands and covers what moved since.
    close(&mut crew, office, first_day(), "one contested").unwrap();
    let again = crew.shop.days().closed_day(first_day(), Thou).unwrap().unwrap();
    assert!(again.record != closed.record && again.late.is_empty());
    assert!(lines(&evening(&crew)).iter().any(|(slot, _)| slot.contains("2E")));
    let days = crew.shop.store().records().ledger_of(crew.shop.identity().unwrap().root.shop.days()).unwrap();
    let Body::DayClosed(second) = &days.get(again.record).unwrap().record.body else { panic!("a closing") };
    assert_eq!(second.since, Some(closed.record));
    assert!(second.covers.len() < closed.covers, "only what moved since");
    let property = crew.shop.store().documents().all().unwrap().into_iter().find(|d| d.place == DocKind::Property).unwrap().doc;
    assert!(crew.shop.days().evening(first_day(), property, Thou).is_ok(), "what did not move is as the closing before said");
    assert!(matches!(crew.shop.days().evening("2026-05-31".parse().unwrap(), machine, Thou), Err(BookError::Unknown(_))));
    for book in [&crew.shop, &crew.phones[lead].book] {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

#[test]
fn an_office_device_closes_a_day_as_well() {
    let (mut crew, _, [lead, ..], _) = crew();
    let refused = crew.on(lead, |book, hand| book.author().close_day(first_day(), "x", hand));
    assert!(matches!(refused, Err(BookError::Denied(_))), "a lead does not close days");
    let record = crew.on(0, |book, hand| book.author().close_day(first_day(), "one contested", hand).unwrap());
    crew.level(0);
    assert_eq!(crew.shop.days().closed_day(first_day(), Thou).unwrap().unwrap().record, record);
    assert_eq!(crew.shop.days().closed_days(5, Thou).unwrap().len(), 1);
}
