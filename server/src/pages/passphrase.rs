//! Passphrases: hashed with Argon2id, proved at their own pace, and no quicker for a name that nobody has.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use sha2::{Digest, Sha256};
use shared::passphrase;
use shared::problem::Code;
use sync_core::moment::Moment;
use tokio::sync::Semaphore;

use crate::problem_response::{Refused, sentence};
use crate::state::ServerState;

/// Passphrases proved at once: each takes the memory that makes guessing dear.
const AT_ONCE: usize = 2;
/// Wrong passphrases of one name within [`WINDOW_MS`], after which that name waits.
const MOST_OF_ONE: usize = 5;
/// Wrong passphrases of all names within [`WINDOW_MS`], after which everyone waits.
const MOST_OF_ALL: usize = 40;
/// The time that both are counted over.
const WINDOW_MS: i64 = 5 * 60_000;

/// What a name that nobody has is proved against: as much work as a real one, and the hash of nothing that is known.
const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// Wrong passphrases of the last minutes, and the places to prove one.
#[derive(Debug)]
pub(super) struct Passphrases {
    wrong: Mutex<Wrong>,
    places: Arc<Semaphore>,
}

/// Times of the steady clock. A try counts from its beginning, so that many at once cannot slip through.
#[derive(Debug, Default)]
struct Wrong {
    by_name: BTreeMap<[u8; 32], Vec<i64>>,
    all: Vec<i64>,
}

/// A try under way.
#[derive(Debug)]
#[must_use = "a try that is not forgiven counts as wrong"]
pub(super) struct Try {
    name: [u8; 32],
    at_ms: i64,
}

impl Default for Passphrases {
    fn default() -> Self {
        Self { wrong: Mutex::default(), places: Arc::new(Semaphore::new(AT_ONCE)) }
    }
}

impl Passphrases {
    /// Begins a try for a name, or says how many seconds to wait.
    pub(super) fn begin(&self, name: &str, now: &Moment) -> Result<Try, i64> {
        let mut wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh = |at: &i64| (0..WINDOW_MS).contains(&now.steady_ms.saturating_sub(*at));
        wrong.all.retain(fresh);
        wrong.by_name.retain(|_, tries| {
            tries.retain(fresh);
            !tries.is_empty()
        });
        let name: [u8; 32] = Sha256::digest(name.trim().to_lowercase().as_bytes()).into();
        let of_one = wrong.by_name.get(&name).map_or(&[][..], Vec::as_slice);
        for (tries, most) in [(of_one, MOST_OF_ONE), (&wrong.all, MOST_OF_ALL)] {
            if let Some(oldest) = tries.len().checked_sub(most).and_then(|n| tries.get(n)) {
                let wait_ms = oldest.saturating_add(WINDOW_MS).saturating_sub(now.steady_ms);
                return Err(wait_ms.div_euclid(1000).saturating_add(1));
            }
        }
        wrong.all.push(now.steady_ms);
        wrong.by_name.entry(name).or_default().push(now.steady_ms);
        Ok(Try { name, at_ms: now.steady_ms })
    }

    /// Forgets a try whose passphrase was right, and that person's wrong ones with it.
    pub(super) fn forgive(&self, right: &Try) {
        let mut wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        wrong.by_name.remove(&right.name);
        if let Some(n) = wrong.all.iter().position(|at| *at == right.at_ms) {
            wrong.all.remove(n);
        }
    }

    /// Whether a passphrase is the one of a hash; of a name that nobody has, no, after as long.
    pub(super) async fn proves(&self, passphrase: String, phc: Option<String>, state: &ServerState) -> Result<bool, Refused> {
        let known = phc.is_some();
        let phc = phc.unwrap_or_else(|| NOBODY.to_owned());
        let right = self.work(state, move || Ok::<_, Refused>(proves(&passphrase, &phc))).await?;
        Ok(right && known)
    }

    /// A new passphrase as the string that is kept of it.
    pub(super) async fn new_hash(&self, passphrase: String, state: &ServerState) -> Result<String, Refused> {
        let passphrase = fits(&passphrase)?;
        let none = || Refused::broke("No passphrase was set. Try again.");
        self.work(state, move || hash(&passphrase).ok_or_else(none)).await
    }

    async fn work<T: Send + 'static>(
        &self,
        state: &ServerState,
        step: impl FnOnce() -> Result<T, Refused> + Send + 'static,
    ) -> Result<T, Refused> {
        let after = "Nobody was signed in. Try again.";
        let place = Arc::clone(&self.places).acquire_owned().await.map_err(|_| Refused::broke(after))?;
        let step = move || {
            // Held until the work ends, not until the request does.
            let _place = place;
            step()
        };
        state.work(after, step).await
    }
}

/// Whether a text may be a passphrase at all; gives it as it is hashed.
pub(super) fn fits(passphrase: &str) -> Result<String, Refused> {
    passphrase::check(passphrase).map_err(|weak| Refused::new(Code::BodyInvalid, sentence(&weak.to_string())))
}

/// Argon2id with the parameters that the `argon2` crate recommends, as a PHC string with a fresh salt.
fn hash(passphrase: &str) -> Option<String> {
    Argon2::default().hash_password(passphrase.as_bytes()).ok().map(|hash| hash.to_string())
}

fn proves(passphrase: &str, phc: &str) -> bool {
    let Some(passphrase) = passphrase::prepared(passphrase) else { return false };
    PasswordHash::new(phc).is_ok_and(|hash| Argon2::default().verify_password(passphrase.as_bytes(), &hash).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_argon2id_is_never_the_same_and_proves_its_passphrase_alone() {
        let (one, other) = (hash("four plain words do").unwrap(), hash("four plain words do").unwrap());
        // 19 MiB, two passes, one lane: the first choice of RFC 9106 for small memory and of the crate (argon2 0.6).
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert_ne!(one, other);
        assert!(proves("four plain words do", &one) && proves("four plain words do", &other));
        assert!(!proves("four plain words don't", &one) && !proves("", &one) && !proves("four plain words do", ""));
    }

    #[test]
    fn a_name_that_nobody_has_costs_the_same_work() {
        let cost = |phc: &str| phc.split('$').take(4).collect::<Vec<_>>().join("$");
        assert_eq!(cost(NOBODY), cost(&hash("four plain words do").unwrap()));
        let read = PasswordHash::new(NOBODY).unwrap();
        assert!(read.salt.is_some() && read.hash.is_some_and(|hash| hash.as_bytes().len() == 32));
    }

    #[test]
    fn what_is_no_passphrase_is_said_and_what_is_one_is_the_same_from_every_keyboard() {
        assert!(fits("            ").is_err() && fits("twelve chars").is_ok());
        let kept = hash(&fits("f\u{f6}ur plain words do").unwrap()).unwrap();
        assert!(proves("fo\u{308}ur plain words do", &kept) && !proves("four plain words do", &kept));
    }

    #[test]
    fn five_wrong_ones_make_a_name_wait_and_forty_everyone() {
        let held = Passphrases::default();
        let now = Moment::at(1_000);
        for _ in 0..5 {
            let _wrong = held.begin("Ana", &now).unwrap();
        }
        assert_eq!(held.begin(" ANA ", &now).unwrap_err(), 301);
        let right = held.begin("Ben", &now).unwrap();
        held.forgive(&right);
        for n in 0..35 {
            let _wrong = held.begin(&format!("name {n}"), &now).unwrap();
        }
        assert!(held.begin("Ben", &now).is_err());
        let _later = held.begin("Ana", &Moment::at(1_000 + WINDOW_MS)).unwrap();
    }

    #[test]
    fn the_right_one_forgets_the_wrong_ones_of_that_name() {
        let held = Passphrases::default();
        for _ in 0..10 {
            for _ in 0..4 {
                let _wrong = held.begin("Ana", &Moment::at(0)).unwrap();
            }
            if let Ok(right) = held.begin("Ana", &Moment::at(0)) {
                held.forgive(&right);
            }
        }
        // What is counted over everyone is not forgotten with it: forty wrong ones are forty wrong ones.
        assert!(held.begin("Ben", &Moment::at(0)).is_err());
    }
}
