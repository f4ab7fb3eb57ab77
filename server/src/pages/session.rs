//! Who is signed in at a browser. Held in memory, and kept in the shop's database so that a restart signs nobody out; with the same limits.
//!
//! The browser holds 32 random bytes, the server their SHA-256 only: what forms carry is made from the bytes each time. What a person may do
//! is not kept here: the role is looked up at every request.

use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};

use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::ids::PersonId;
use shared::length::LengthUnit;
use sync_core::store::KeptSession;
use sync_core::sys::clock::ClockReading;

use crate::problem_response::ApiError;
use crate::state::ServerState;

/// A session that nobody used for so long ends.
const IDLE_MS: i64 = 2 * 3_600_000;
/// A session ends after so long, used or not: a working day and its evening.
const LONGEST_MS: i64 = 12 * 3_600_000;
/// How long a use of a session may go unkept: a restart takes it back by no more.
const KEPT_EVERY_MS: i64 = 60_000;
/// Sessions at once; a further one ends the one unused for longest.
pub(super) const MOST_SESSIONS: usize = 64;

/// What a browser shows to be known again.
pub(super) struct Key(String);

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key")
    }
}

impl Key {
    /// As the cookie's value.
    pub(super) fn text(&self) -> &str {
        &self.0
    }

    /// What every form of its session carries.
    pub(super) fn form_token(&self) -> String {
        form_token(&self.0)
    }
}

/// A session as one request needs it.
#[derive(Debug, Clone)]
pub(super) struct Seen {
    pub(super) person: PersonId,
    /// In which unit this browser shows lengths, where its person chose one.
    pub(super) unit: Option<LengthUnit>,
    /// What every form of this session carries.
    pub(super) form_token: String,
}

struct Session {
    hash: [u8; 32],
    person: PersonId,
    unit: Option<LengthUnit>,
    said: Option<String>,
    began_ms: i64,
    used_ms: i64,
    /// The use that was kept last.
    kept_ms: i64,
}

/// Everyone who is signed in.
#[derive(Default)]
pub(super) struct Sessions {
    held: Mutex<Vec<Session>>,
    /// What is held is not what is kept.
    moved: AtomicBool,
    /// Those that were kept are here.
    here: tokio::sync::OnceCell<()>,
}

impl fmt::Debug for Sessions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sessions").finish_non_exhaustive()
    }
}

fn hash(key: &str) -> [u8; 32] {
    Sha256::digest(key.as_bytes()).into()
}

/// What every form of a session carries: known to who has the key, and kept nowhere.
fn form_token(key: &str) -> String {
    hex::encode(Sha256::digest(format!("what forms carry: {key}").as_bytes()))
}

/// The sessions, those of before a restart among them.
pub(super) async fn sessions(state: &ServerState) -> Result<&Sessions, ApiError> {
    let sessions = &state.rooms.sessions;
    let take = async || {
        let (kept, now) = (state.read(|book| book.tokens().kept_sessions()).await?, state.now());
        sessions.take_in(&kept, &now);
        Ok::<_, ApiError>(())
    };
    sessions.here.get_or_try_init(take).await?;
    Ok(sessions)
}

/// Keeps the sessions, where something about them is another than was kept.
pub(super) async fn keep(state: &ServerState) -> Result<(), ApiError> {
    let Some(kept) = state.rooms.sessions.to_keep(&state.now()) else { return Ok(()) };
    let done = state.read(move |book| book.tokens().keep_sessions(&kept)).await;
    if done.is_err() {
        state.rooms.sessions.moved.store(true, Ordering::Relaxed);
    }
    done
}

impl Sessions {
    fn with<T>(&self, now: &ClockReading, step: impl FnOnce(&mut Vec<Session>) -> T) -> T {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let within = |since: i64, most: i64| (0..most).contains(&now.steady_ms.saturating_sub(since));
        held.retain(|session| within(session.used_ms, IDLE_MS) && within(session.began_ms, LONGEST_MS));
        step(&mut held)
    }

    /// Signs a person in; `chance` is fresh for each.
    pub(super) fn begin(&self, person: PersonId, chance: &[u8; 32], now: &ClockReading) -> Key {
        let key = Key(hex::encode(chance));
        let session = Session {
            hash: hash(&key.0),
            person,
            unit: None,
            said: None,
            began_ms: now.steady_ms,
            used_ms: now.steady_ms,
            kept_ms: now.steady_ms,
        };
        self.moved.store(true, Ordering::Relaxed);
        self.with(now, |held| {
            while held.len() >= MOST_SESSIONS {
                let longest = held.iter().enumerate().min_by_key(|(_, session)| session.used_ms).map(|(n, _)| n);
                longest.map(|n| held.swap_remove(n));
            }
            held.push(session);
        });
        key
    }

    /// The session of a key, used now; where a page only `waiting` for news asks, nobody uses it.
    pub(super) fn seen(&self, key: &str, waiting: bool, now: &ClockReading) -> Option<Seen> {
        let sought = hash(key);
        self.with(now, |held| {
            let session = held.iter_mut().find(|session| session.hash == sought)?;
            if !waiting {
                session.used_ms = now.steady_ms;
                if session.used_ms.saturating_sub(session.kept_ms) >= KEPT_EVERY_MS {
                    self.moved.store(true, Ordering::Relaxed);
                }
            }
            Some(Seen { person: session.person, unit: session.unit, form_token: form_token(key) })
        })
    }

    /// What the last step gave, said once.
    pub(super) fn said(&self, key: &str, now: &ClockReading) -> Option<String> {
        let sought = hash(key);
        self.with(now, |held| held.iter_mut().find(|session| session.hash == sought)?.said.take())
    }

    /// Shows lengths in this unit from now on.
    pub(super) fn show_in(&self, key: &str, unit: LengthUnit, now: &ClockReading) {
        self.change(key, now, |session| session.unit = Some(unit));
        self.moved.store(true, Ordering::Relaxed);
    }

    /// Says something on the next page.
    pub(super) fn say(&self, key: &str, what: String, now: &ClockReading) {
        self.change(key, now, |session| session.said = Some(what));
    }

    /// What is to be kept now; `None` where it is kept already. A clock that is steady within one run of the server alone is told by the
    /// shop's own.
    fn to_keep(&self, now: &ClockReading) -> Option<Vec<KeptSession>> {
        if !self.moved.swap(false, Ordering::Relaxed) {
            return None;
        }
        let by_wall = |steady_ms: i64| now.wall_ms.saturating_sub(now.steady_ms.saturating_sub(steady_ms));
        Some(self.with(now, |held| {
            let kept = |session: &mut Session| {
                session.kept_ms = session.used_ms;
                let (began_ms, used_ms) = (by_wall(session.began_ms), by_wall(session.used_ms));
                KeptSession { hash: Bytes32(session.hash), person: session.person, unit: session.unit, began_ms, used_ms }
            };
            held.iter_mut().map(kept).collect()
        }))
    }

    /// Takes in what was kept before a restart. One of a time to come is none: the clock was set, and its age is not known.
    fn take_in(&self, kept: &[KeptSession], now: &ClockReading) {
        let by_steady = |wall_ms: i64| now.steady_ms.saturating_sub(now.wall_ms.saturating_sub(wall_ms));
        self.with(now, |held| {
            let known = kept.iter().filter(|kept| kept.began_ms <= kept.used_ms && kept.used_ms <= now.wall_ms);
            let session = |kept: &KeptSession| Session {
                hash: kept.hash.0,
                person: kept.person,
                unit: kept.unit,
                said: None,
                began_ms: by_steady(kept.began_ms),
                used_ms: by_steady(kept.used_ms),
                kept_ms: by_steady(kept.used_ms),
            };
            held.extend(known.map(session));
        });
    }

    fn change(&self, key: &str, now: &ClockReading, step: impl FnOnce(&mut Session)) {
        let sought = hash(key);
        self.with(now, |held| held.iter_mut().find(|session| session.hash == sought).map(step));
    }

    /// Signs a browser out.
    pub(super) fn end(&self, key: &str, now: &ClockReading) {
        let sought = hash(key);
        self.with(now, |held| held.retain(|session| session.hash != sought));
        self.moved.store(true, Ordering::Relaxed);
    }

    /// Signs a person out everywhere: the passphrase is another one now.
    pub(super) fn end_all_of(&self, person: PersonId, now: &ClockReading) {
        self.with(now, |held| held.retain(|session| session.person != person));
        self.moved.store(true, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600_000;

    fn person(n: u8) -> PersonId {
        PersonId::from_bytes([n; 16])
    }

    fn begin(sessions: &Sessions, n: u8, ms: i64) -> Key {
        sessions.begin(person(n), &[n; 32], &ClockReading::at(ms))
    }

    #[test]
    fn two_idle_hours_end_it_and_so_do_twelve_busy_ones() {
        let sessions = Sessions::default();
        let key = begin(&sessions, 1, 0);
        assert!(sessions.seen(key.text(), false, &ClockReading::at(2 * HOUR - 1)).is_some());
        assert!(sessions.seen(key.text(), false, &ClockReading::at(4 * HOUR - 1)).is_none());
        let key = begin(&sessions, 1, 0);
        for hour in 1..12 {
            assert!(sessions.seen(key.text(), false, &ClockReading::at(hour * HOUR)).is_some(), "{hour}");
        }
        assert!(sessions.seen(key.text(), false, &ClockReading::at(12 * HOUR)).is_none());
    }

    #[test]
    fn a_restart_ends_nothing_and_lengthens_nothing() {
        let moment = |steady_ms: i64, wall_ms: i64| ClockReading { steady_ms, ..ClockReading::at(wall_ms) };
        let sessions = Sessions::default();
        // The server had been up for an hour, at ten in the morning.
        let key = sessions.begin(person(1), &[1; 32], &moment(HOUR, 10 * HOUR));
        sessions.show_in(key.text(), LengthUnit::Mm, &moment(HOUR, 10 * HOUR));
        let kept = sessions.to_keep(&moment(HOUR + 1, 10 * HOUR + 1)).unwrap();
        assert_eq!(sessions.to_keep(&moment(HOUR + 2, 10 * HOUR + 2)), None, "it is kept");
        // A use is kept once a minute.
        assert!(sessions.seen(key.text(), false, &moment(HOUR + 59_000, 10 * HOUR + 59_000)).is_some());
        assert_eq!(sessions.to_keep(&moment(HOUR + 59_000, 10 * HOUR + 59_000)), None);
        assert!(sessions.seen(key.text(), false, &moment(HOUR + 60_000, 10 * HOUR + 60_000)).is_some());
        assert!(sessions.to_keep(&moment(HOUR + 60_000, 10 * HOUR + 60_000)).is_some());
        let after = |steady_ms: i64, wall_ms: i64| {
            let sessions = Sessions::default();
            sessions.take_in(&kept, &moment(steady_ms, wall_ms));
            sessions.seen(key.text(), false, &moment(steady_ms, wall_ms))
        };
        // After a restart its steady clock begins at nothing.
        let seen = after(5, 12 * HOUR - 1).unwrap();
        assert_eq!((seen.person, seen.unit, seen.form_token), (person(1), Some(LengthUnit::Mm), form_token(key.text())));
        assert!(after(5, 12 * HOUR).is_none(), "two idle hours end it over a restart too");
        assert!(after(5, 10 * HOUR - 1).is_none(), "a clock that was set back keeps nobody signed in");
        let busy = vec![KeptSession { used_ms: 22 * HOUR - 1, ..kept[0] }];
        let sessions = Sessions::default();
        sessions.take_in(&busy, &moment(5, 22 * HOUR - 1));
        assert!(sessions.seen(key.text(), false, &moment(5, 22 * HOUR - 1)).is_some());
        assert!(sessions.seen(key.text(), false, &moment(6, 22 * HOUR)).is_none(), "and so do twelve busy ones");
    }

    #[test]
    fn a_page_that_only_waits_does_not_keep_a_session_up() {
        let sessions = Sessions::default();
        let key = begin(&sessions, 1, 0);
        for minute in 1..120 {
            assert!(sessions.seen(key.text(), true, &ClockReading::at(minute * 60_000)).is_some(), "{minute}");
        }
        assert!(sessions.seen(key.text(), true, &ClockReading::at(2 * HOUR)).is_none());
    }

    #[test]
    fn what_is_said_is_said_once_and_a_stranger_is_nobody() {
        let sessions = Sessions::default();
        let key = begin(&sessions, 1, 0);
        sessions.say(key.text(), "kept".to_owned(), &ClockReading::at(1));
        sessions.show_in(key.text(), LengthUnit::Mm, &ClockReading::at(1));
        let seen = sessions.seen(key.text(), false, &ClockReading::at(2)).unwrap();
        assert_ne!(seen.form_token, key.text());
        assert_eq!((seen.unit, seen.person, seen.form_token), (Some(LengthUnit::Mm), person(1), form_token(key.text())));
        assert_eq!(sessions.said(key.text(), &ClockReading::at(3)).as_deref(), Some("kept"));
        assert_eq!(sessions.said(key.text(), &ClockReading::at(3)), None);
        assert!(sessions.seen("", false, &ClockReading::at(3)).is_none());
        assert!(sessions.seen(&hex::encode([2; 32]), false, &ClockReading::at(3)).is_none());
        // The book of sessions holds no key: what is shown to it is not what it holds.
        assert!(sessions.seen(&hex::encode(hash(key.text())), false, &ClockReading::at(3)).is_none());
    }

    #[test]
    fn the_longest_unused_gives_way_and_a_person_can_be_signed_out_everywhere() {
        let sessions = Sessions::default();
        let keys: Vec<Key> = (0..64).map(|n| begin(&sessions, n, i64::from(n))).collect();
        sessions.seen(keys[0].text(), false, &ClockReading::at(100)).unwrap();
        let more = begin(&sessions, 200, 101);
        assert!(sessions.seen(keys[1].text(), false, &ClockReading::at(102)).is_none());
        assert!(sessions.seen(keys[0].text(), false, &ClockReading::at(102)).is_some());
        sessions.end(keys[2].text(), &ClockReading::at(103));
        assert!(sessions.seen(keys[2].text(), false, &ClockReading::at(103)).is_none());
        sessions.end_all_of(person(200), &ClockReading::at(104));
        assert!(sessions.seen(more.text(), false, &ClockReading::at(105)).is_none());
        assert!(sessions.seen(keys[3].text(), false, &ClockReading::at(105)).is_some());
    }
}
