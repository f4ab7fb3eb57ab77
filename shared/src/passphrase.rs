//! What a passphrase of the office's pages must have, in one place for whatever asks for one.
//!
//! NIST SP 800-63B section 5.1.1: length is what counts, no kinds of signs are asked for, and a text is normalised before it is
//! hashed, so that one keyboard's "ö" is another's. Twelve times the same sign has the length and nothing to guess: a few
//! different signs are asked for as well. Blanks around a passphrase are of it, and do not count as length.

use std::collections::BTreeSet;

use unicode_normalization::UnicodeNormalization;

/// The fewest characters, blanks around them aside.
pub const FEWEST_CHARACTERS: usize = 12;
/// The fewest different characters, blanks aside: "four plain words do" has eleven, a pattern of three or four keys has not.
pub const FEWEST_DIFFERENT: usize = 5;
/// The most bytes: beyond it nothing is a passphrase, only work.
pub const MOST_BYTES: usize = 1024;

/// Why a text is no passphrase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Weak {
    /// Too few characters.
    #[error("a passphrase has {FEWEST_CHARACTERS} characters or more, blanks around it aside: four plain words do. None was set")]
    Short,
    /// Too few different characters.
    #[error("a passphrase has {FEWEST_DIFFERENT} different characters or more, blanks aside: four plain words do. None was set")]
    Same,
    /// Too many bytes.
    #[error("a passphrase has {MOST_BYTES} bytes at most. None was set; take a shorter one")]
    Long,
}

/// A passphrase as it is hashed and compared: NFKC, as NIST SP 800-63B has it. `None` where it is longer than any.
#[must_use]
pub fn prepared(passphrase: &str) -> Option<String> {
    let bounded = |text: &str| text.len() <= MOST_BYTES;
    Some(passphrase).filter(|text| bounded(text)).map(|text| text.nfkc().collect::<String>()).filter(|text| bounded(text))
}

/// Whether a text may be a new passphrase; gives it as it is hashed.
///
/// # Errors
/// [`Weak`]: why not.
pub fn check(passphrase: &str) -> Result<String, Weak> {
    let prepared = prepared(passphrase).ok_or(Weak::Long)?;
    let seen = |c: &char| !(c.is_whitespace() || c.is_control() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2060}' | '\u{feff}'));
    if prepared.trim_matches(|c| !seen(&c)).chars().count() < FEWEST_CHARACTERS {
        return Err(Weak::Short);
    }
    if prepared.chars().filter(seen).collect::<BTreeSet<_>>().len() < FEWEST_DIFFERENT {
        return Err(Weak::Same);
    }
    Ok(prepared)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn length_and_a_few_different_characters_are_all_that_is_asked() {
        for good in ["four plain words do", "twelve chars", "aaaaaaaabcde", "äöüßéàäöüßéà", "  twelve chars "] {
            assert!(check(good).is_ok(), "{good}");
        }
        for (bad, why) in [
            ("", Weak::Short),
            ("            ", Weak::Short),
            ("\u{3000}\u{a0}\u{200b}\u{2003}        ", Weak::Short),
            ("elevenchars", Weak::Short),
            ("elevenchars      ", Weak::Short),
            ("aaaaaaaaaaaa", Weak::Same),
            ("abababababab", Weak::Same),
            ("a           b", Weak::Same),
            ("äöüäöüäöüäöü", Weak::Same),
        ] {
            assert_eq!(check(bad), Err(why), "{bad:?}");
        }
        assert_eq!(check(&"abcdefgh".repeat(129)), Err(Weak::Long));
        // One character that NFKC makes eighteen of.
        assert_eq!(check(&"\u{fdfa}".repeat(300)), Err(Weak::Long));
    }

    #[test]
    fn what_two_keyboards_write_differently_is_one_passphrase() {
        assert_eq!(check("fo\u{308}ur plain words"), check("f\u{f6}ur plain words"));
        assert_eq!(prepared("\u{ff46}our"), prepared("four"));
        assert_ne!(prepared(" four"), prepared("four"));
    }
}
