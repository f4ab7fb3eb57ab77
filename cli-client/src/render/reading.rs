//! A reading that was just kept: its verdict first, then what to do next.

use shared::hours::Hours;
use shared::record::Stage;
use shared::valve::Valve;
use sync_core::commands::{HoursOutcome, ReadingOutcome};
use sync_core::queries::short;

use super::{sentence, wrapped};

/// A clearance reading: the verdict in its word, what to do, and under which name it is kept.
pub(crate) fn words(valve: Valve, stage: Stage, done: &ReadingOutcome, cold: Option<bool>, width: usize) -> String {
    let mut lines = vec![done.verdict.clone()];
    lines.extend(done.next.iter().map(|next| sentence(next)));
    if done.contested {
        lines.push("CONTESTED: someone else's reading of this valve disagrees. Both are kept; the office or a lead rules.".to_owned());
    }
    if let Some(doubt) = &done.doubt {
        lines.push(format!("It does not stand by itself: {}", sentence(doubt)));
    }
    if done.visit.is_none() && cold.is_none() {
        lines.push(
            "You have no open visit to this machine, so nobody has said that the engine is cold. Open one, or say --cold.".to_owned(),
        );
    }
    let visit = done.visit.map_or_else(String::new, |visit| format!(", in visit {}", short(&visit)));
    lines.push(format!("Kept: {valve} {stage}, {}, as record {}{visit}.", done.bracket_words, short(&done.record)));
    wrapped(&lines.join("\n"), width)
}

/// An hour reading that was just kept.
pub(crate) fn hours(meter: Hours, done: &HoursOutcome) -> String {
    let kept = format!("Hour meter {meter} h is kept as record {}.", short(&done.record));
    match &done.doubt {
        Some(doubt) => format!(
            "{kept}\nIt is in doubt and does not stand by itself: {} Read the meter again, and enter it again if it was a slip.",
            sentence(doubt)
        ),
        None => kept,
    }
}
