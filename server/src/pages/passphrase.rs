//! Passphrases: hashed with Argon2id, proved at their own pace, and no quicker for a name that nobody has.

use std::sync::Arc;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use sha2::{Digest, Sha256};
use shared::passphrase;
use shared::problem::Code;
use sync_core::sys::clock::ClockReading;
use tokio::sync::Semaphore;

use super::browser::Known;
use crate::keyed::{Keyed, Paced};
use crate::problem_response::{ApiError, sentence};
use crate::rate_limit::Peer;
use crate::state::ServerState;

/// Passphrases proved at once: each takes the memory that makes guessing dear.
const AT_ONCE: usize = 2;
/// Wrong passphrases of one name, or of one browser that its person signed in at before: five, then one a minute.
const OF_ONE: Paced = Paced { burst: 5, each_us: 60_000_000 };
/// Wrong passphrases of one address, whatever the names: a round of an office's people passes, a list of names does not.
const OF_ONE_ADDRESS: Paced = Paced { burst: 20, each_us: 15_000_000 };

/// What a name that nobody has is proved against: as much work as a real one, and the hash of nothing that is known.
const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// How often passphrases are tried, and the places to prove one.
#[derive(Debug)]
pub(super) struct Passphrases {
    by_name: Keyed<[u8; 32]>,
    by_address: Keyed<Peer>,
    by_browser: Keyed<Known>,
    places: Arc<Semaphore>,
    /// For browsers that are known, so that they do not wait behind strangers' guesses.
    of_known: Arc<Semaphore>,
}

/// A try under way. It counts from its beginning, so that many at once cannot slip through.
#[derive(Debug)]
#[must_use = "a try that is not forgiven counts as wrong"]
pub(super) enum Try {
    Of { name: [u8; 32], peer: Peer },
    At(Known),
}

impl Default for Passphrases {
    fn default() -> Self {
        Self {
            by_name: Keyed::new(OF_ONE),
            by_address: Keyed::new(OF_ONE_ADDRESS),
            by_browser: Keyed::new(OF_ONE),
            places: Arc::new(Semaphore::new(AT_ONCE)),
            of_known: Arc::new(Semaphore::new(1)),
        }
    }
}

impl Passphrases {
    /// Begins a try for a name, or says how many seconds to wait. A browser at which that person signed in before has a pace of its
    /// own (OWASP, device cookies): what others try under the name does not lock it out.
    pub(super) fn begin(&self, name: &str, peer: Peer, known: Option<Known>, now: &ClockReading) -> Result<Try, i64> {
        if let Some(known) = known {
            self.by_browser.take(&known, now)?;
            return Ok(Try::At(known));
        }
        let name: [u8; 32] = Sha256::digest(name.trim().to_lowercase().as_bytes()).into();
        if peer.0.is_some() {
            self.by_address.take(&peer, now)?;
        }
        self.by_name.take(&name, now).inspect_err(|_| self.by_address.give_back(&peer))?;
        Ok(Try::Of { name, peer })
    }

    /// Forgets a try whose passphrase was right, and that person's wrong ones with it.
    pub(super) fn forgive(&self, right: &Try) {
        match right {
            Try::At(known) => self.by_browser.forget(known),
            Try::Of { name, peer } => {
                self.by_name.forget(name);
                self.by_address.give_back(peer);
            }
        }
    }

    /// Whether a passphrase is the one of a hash; of a name that nobody has, no, after as long.
    pub(super) async fn proves(&self, passphrase: String, phc: Option<String>, of: &Try, state: &ServerState) -> Result<bool, ApiError> {
        let found = phc.is_some();
        let phc = phc.unwrap_or_else(|| NOBODY.to_owned());
        let places = if matches!(of, Try::At(_)) { &self.of_known } else { &self.places };
        let right = work(places, state, move || Ok::<_, ApiError>(proves(&passphrase, &phc))).await?;
        Ok(right && found)
    }

    /// A new passphrase as the string that is kept of it.
    pub(super) async fn new_hash(&self, passphrase: String, state: &ServerState) -> Result<String, ApiError> {
        let passphrase = fits(&passphrase)?;
        let none = || ApiError::broke("No passphrase was set. Try again.");
        work(&self.places, state, move || hash(&passphrase).ok_or_else(none)).await
    }
}

/// Hashes, where there is a place for it.
async fn work<T: Send + 'static>(
    places: &Arc<Semaphore>,
    state: &ServerState,
    step: impl FnOnce() -> Result<T, ApiError> + Send + 'static,
) -> Result<T, ApiError> {
    let after = "Nobody was signed in. Try again.";
    let place = Arc::clone(places).acquire_owned().await.map_err(|_| ApiError::broke(after))?;
    let step = move || {
        // Held until the work ends, not until the request does.
        let _place = place;
        step()
    };
    state.work(after, step).await
}

/// Whether a text may be a passphrase at all; gives it as it is hashed.
pub(super) fn fits(passphrase: &str) -> Result<String, ApiError> {
    passphrase::check(passphrase).map_err(|weak| ApiError::new(Code::BodyInvalid, sentence(&weak.to_string())))
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
    fn names_addresses_and_known_browsers_have_each_a_pace_of_their_own() {
        let held = Passphrases::default();
        let now = ClockReading::at(1_000);
        let (here, there) = (Peer(Some([192, 0, 2, 1].into())), Peer(Some([192, 0, 2, 2].into())));
        for _ in 0..5 {
            let _wrong = held.begin("Ana", there, None, &now).unwrap();
        }
        assert_eq!(held.begin(" ANA ", here, None, &now).unwrap_err(), 60);
        let known = Known::from_bytes([1; 16], [2; 16]);
        let right = held.begin("Ana", there, Some(known), &now).unwrap();
        held.forgive(&right);
        for n in 0..15 {
            let _wrong = held.begin(&format!("name {n}"), there, None, &now).unwrap();
        }
        assert!(held.begin("Ben", there, None, &now).is_err());
        let right = held.begin("Ben", here, None, &now).unwrap();
        held.forgive(&right);
        let _later = held.begin("Ana", here, None, &ClockReading::at(61_000)).unwrap();
    }
}
