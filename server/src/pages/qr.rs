//! QR codes: a text drawn as one, for a screen or for paper.

use maud::{Markup, html};
use qrcode::{Color, EcLevel, QrCode};

/// Modules of nothing around a QR code: four, as ISO/IEC 18004 asks for (from memory).
const QUIET: usize = 4;

/// A text as a QR code, with what it is in words; nothing where the text is too long for one.
pub(super) fn drawn(text: &str, words: &str) -> Markup {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::M) else { return html! {} };
    let (width, dark) = (code.width(), code.to_colors());
    let mut path = String::new();
    for (n, _) in dark.iter().enumerate().filter(|(_, colour)| **colour == Color::Dark) {
        path.push_str(&format!("M{} {}h1v1h-1z", n % width + QUIET, n / width + QUIET));
    }
    let side = width + 2 * QUIET;
    html! {
        svg.qr viewBox={ "0 0 " (side) " " (side) } role="img" aria-label=(words) shape-rendering="crispEdges" {
            path d=(path) {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_qr_code_has_its_three_corners_and_a_quiet_edge() {
        let drawn = drawn("https://book.example/phone/#/enrol/4K7QM-2ZT9A", "a code").into_string();
        let side: usize = drawn.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        // The finder patterns' outer corners are dark (ISO/IEC 18004, from memory); nothing is drawn outside them.
        for (x, y) in [(QUIET, QUIET), (side - QUIET - 1, QUIET), (QUIET, side - QUIET - 1)] {
            assert!(drawn.contains(&format!("M{x} {y}h1")), "{x} {y}");
        }
        assert!(!drawn.contains(&format!("M{} ", QUIET - 1)) && !drawn.contains(&format!("M{} ", side - QUIET)), "{drawn}");
    }
}
