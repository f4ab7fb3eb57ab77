//! The small records that cross to the other language. `crossing.rs` makes them of the engine's own.

use std::collections::HashMap;

/// A request to the shop's server: send it with whatever HTTP the platform has, and hand the answer's status and body back.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Call {
    /// The method.
    pub method: String,
    /// The path under the server's address.
    pub path: String,
    /// The header fields.
    pub headers: HashMap<String, String>,
    /// The body.
    pub body: Vec<u8>,
}

/// What an enrolment gave.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Enrolled {
    /// The shop's name.
    pub shop: String,
    /// Whose device this now is.
    pub person: String,
    /// That person's role.
    pub role: Option<String>,
}

/// What became of a log-in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum LogIn {
    /// This device is logged in.
    Done,
    /// The clock is off, and the shop has told the time: call again, which signs by that.
    Again,
}

/// A record that was not taken, now in quarantine.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Refused {
    /// Its document.
    pub doc: String,
    /// Which, where one record was at fault.
    pub record: Option<String>,
    /// Why: a code of `shared/src/problem.rs`.
    pub code: String,
    /// Why, in a sentence.
    pub sentence: String,
}

/// What one round trip did.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Exchanged {
    /// There is more: exchange again at once.
    pub more: bool,
    /// Changes that the shop took, or holds already.
    pub taken: u64,
    /// Changes that came from the shop.
    pub received: u64,
    /// Records that the shop did not take.
    pub refused: Vec<Refused>,
    /// Records appended again after a refusal.
    pub healed: u64,
    /// The shop was put back from a backup: everything is offered again.
    pub shop_restored: bool,
}

/// What moved in the book since a mark: what a front end draws anew.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Moved {
    /// The mark now.
    pub mark: u64,
    /// The roster or an engine card is among it: whatever is on the screen may say something else.
    pub everything: bool,
    /// The documents: machines and properties by their ids.
    pub documents: Vec<String>,
}

/// A bundle made.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct BundleMade {
    /// The files' bytes, to be taken in one after the other. There is one, unless it would be too large.
    pub bundles: Vec<Vec<u8>>,
    /// Documents in them, beside the roster and the engine cards.
    pub documents: u64,
    /// Changes in them that the shop is not known to hold.
    pub unsent: u64,
}

/// What was saved of a damaged book.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Salvaged {
    /// The files' bytes, to be taken in one after the other. There is one, unless it would be too large.
    pub bundles: Vec<Vec<u8>>,
    /// Documents in them, beside the roster and the engine cards.
    pub documents: u64,
    /// Changes in them that the shop is not known to hold.
    pub changes: u64,
    /// Records in them that waited in quarantine.
    pub quarantined: u64,
    /// Parts of the log, and records in quarantine, that cannot be read: ask the office which records it lacks.
    pub unreadable: u64,
}

/// What taking a bundle in did.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct BundleTaken {
    /// Changes taken in.
    pub taken: u64,
    /// Changes that were here already.
    pub held: u64,
    /// Records that were not taken.
    pub refused: Vec<Refused>,
    /// Records taken out of changes that could not be taken as they were.
    pub saved: u64,
}

/// When in the work a valve is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum Stage {
    /// Before touching.
    Found,
    /// Adjuster locked, engine not yet turned over.
    Set,
    /// After turning the engine over and checking again.
    Left,
}

/// In which unit lengths are said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum LengthUnit {
    /// Thousandths of an inch.
    Thou,
    /// Inches, written as .005.
    Inch,
    /// Millimetres.
    Mm,
}

/// How grave a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum Grade {
    /// To be looked after.
    Watch,
    /// Do not run this machine until cleared.
    Hold,
}

/// What a reading says against the engine card's range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum Verdict {
    /// Leave it alone.
    InSpec,
    /// Below the range.
    Tight,
    /// Above the range.
    Loose,
    /// None of the three can be said yet.
    NotSettled,
}

/// The person's leaves.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Leaves {
    /// The person entered them; else a plain set of the unit is taken for granted.
    pub own: bool,
    /// Their thicknesses, thinnest first.
    pub leaves_tenth_um: Vec<i64>,
    /// Each in words, without its unit.
    pub words: Vec<String>,
    /// The unit of the words.
    pub unit: LengthUnit,
    /// What of the entry was taken for inches, in a sentence to be shown: "Read as inches: 0.005 in., 5 thou."; absent where nothing was.
    pub inches: Option<String>,
}

/// A length as it was understood.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct LengthRead {
    /// The length, in tenths of a micrometre.
    pub tenth_um: i64,
    /// That it was taken for inches, in a sentence to be shown beside the entry; absent where it was not.
    pub inches: Option<String>,
}

/// The leaf to try next, or two stacked, and what its answers mean.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct NextLeaf {
    /// In words.
    pub words: String,
    /// The thickness of all its leaves together.
    pub thickness_tenth_um: i64,
    /// Its one or two leaves.
    pub leaves_tenth_um: Vec<i64>,
    /// Both answers settle the verdict.
    pub settles: bool,
    /// The verdict if it enters.
    pub if_enters: Verdict,
    /// The verdict if it does not.
    pub if_refused: Verdict,
}

/// A leaf that was tried, or two stacked.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct LeafTried {
    /// The thickness of all its leaves together.
    pub thickness_tenth_um: i64,
    /// Its one or two leaves; empty: the one leaf of that thickness.
    pub leaves_tenth_um: Vec<i64>,
    /// It goes into the gap.
    pub goes: bool,
}

/// A reading to be kept: at least one of go and no-go.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct NewReading {
    /// `1I`, `1E`, `2I`, `2E`.
    pub valve: String,
    /// When in the work.
    pub stage: Stage,
    /// The largest leaf that enters.
    pub go_tenth_um: Option<i64>,
    /// The smallest that does not.
    pub no_go_tenth_um: Option<i64>,
    /// The single leaves, where leaves were stacked.
    pub leaves_tenth_um: Vec<i64>,
    /// The adjuster was turned.
    pub adjusted: bool,
    /// Overrides what the visit says of the engine.
    pub cold: Option<bool>,
}

/// How far to turn the adjuster.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Turn {
    /// Thousandths of a degree; above zero tightens and closes the clearance.
    pub degrees_milli: i64,
    /// The same in hundredths of a flat of a hex nut.
    pub sixths_hundredth: i64,
    /// It closes the clearance.
    pub closes: bool,
    /// Clockwise on a right-hand thread, looking at the end that is turned; the other way on a left-hand thread.
    pub clockwise: bool,
}

/// Between which two turns the aim lies, as far as the two leaves tell.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct TurnRange {
    /// From the leaf that is nearer to the aim.
    pub least: Turn,
    /// From the leaf that is further from it.
    pub most: Turn,
}

/// A reading kept, and what it means.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct ReadingKept {
    /// The record.
    pub record: String,
    /// Its visit, where one is open.
    pub visit: Option<String>,
    /// The bracket in words.
    pub bracket: String,
    /// The verdict; absent without an engine card with a source.
    pub judged: Option<Verdict>,
    /// The verdict in a word or two.
    pub verdict: String,
    /// What to do next, in sentences.
    pub next: Vec<String>,
    /// The leaf to try next, where the verdict is open.
    pub next_leaf: Option<NextLeaf>,
    /// How far to turn the adjuster, where that is known and asked for.
    pub turn: Option<TurnRange>,
    /// Someone else's reading of this valve disagrees.
    pub contested: bool,
    /// Why the reading does not stand, where it does not.
    pub doubt: Option<String>,
}

/// What is needed to open a visit.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct NewVisit {
    /// The engine is cold, confirmed by hand.
    pub cold: bool,
    /// Its temperature in tenths of a degree Celsius, where measured.
    pub engine_tenth_c: Option<i32>,
    /// Every one of `cautions` was shown and confirmed: no visit opens without.
    pub cautions_confirmed: bool,
    /// Why the machine is visited; may be empty.
    pub purpose: String,
    /// What the hour meter shows, tenths of an hour: 0 to 9,999,999, six digits and a tenth. More is refused.
    pub meter_tenth_h: Option<i64>,
}

/// A visit opened.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct VisitOpened {
    /// The visit.
    pub visit: String,
    /// The hour reading, where one was given.
    pub hours: Option<HoursKept>,
    /// Visits of this person to this machine that are open besides.
    pub also_open: u64,
    /// What was found on the machine that forbids running it: to be shown before any step.
    pub holds: Vec<String>,
}

/// An hour reading kept.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct HoursKept {
    /// The record.
    pub record: String,
    /// Why it cannot be, with the likely slip; absent where it can.
    pub doubt: Option<String>,
}

/// A photo noted: the picture itself travels apart.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct PhotoKept {
    /// The record.
    pub record: String,
    /// SHA-256 of the picture's bytes, hexadecimal.
    pub sha256: String,
}

/// A photo that this device noted, and where its bytes are: here alone, at the shop, or stopped.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct PhotoOf {
    /// The record.
    pub record: String,
    /// The machine or property whose document it is in.
    pub doc: String,
    /// SHA-256 of the picture's bytes, hexadecimal.
    pub sha256: String,
    /// How many bytes.
    pub size_bytes: u64,
    /// What it shows.
    pub caption: String,
    /// The shop has the bytes, since this time by this device's clock.
    pub at_shop_since_ms: Option<i64>,
    /// The bytes need not stay on this device from then on.
    pub let_go_ms: Option<i64>,
    /// The bytes will not get to the shop: why, in a sentence.
    pub stopped: Option<String>,
}

/// A photo whose bytes the shop has not got.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct PhotoWaiting {
    /// Which.
    pub photo: PhotoOf,
    /// The shop has its record: the bytes may be sent now.
    pub ready: bool,
}

/// A visit finished.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Finished {
    /// The sign-off.
    pub record: String,
    /// The visit.
    pub visit: String,
    /// Every valve was left in range.
    pub complete: bool,
    /// What was left open, one sentence each.
    pub open: Vec<String>,
}
