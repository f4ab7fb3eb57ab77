//! The style and the script, each under a name that has its hash: held for a year, and never an old one beside a new page.

use std::sync::LazyLock;

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

/// A file that comes with the program.
pub(super) struct Asset {
    path: LazyLock<String>,
    media_type: &'static str,
    text: &'static str,
}

pub(super) static STYLE: Asset = Asset {
    path: LazyLock::new(|| path(STYLE.text, "style", "css")),
    media_type: "text/css; charset=utf-8",
    text: include_str!("style.css"),
};
pub(super) static SCRIPT: Asset = Asset {
    path: LazyLock::new(|| path(SCRIPT.text, "script", "js")),
    media_type: "text/javascript; charset=utf-8",
    text: include_str!("script.js"),
};

fn path(text: &str, name: &str, ending: &str) -> String {
    let hash = hex::encode(Sha256::digest(text.as_bytes()));
    format!("/office/{name}-{}.{ending}", &hash[..16])
}

impl Asset {
    pub(super) fn path(&self) -> &str {
        self.path.as_str()
    }

    /// The file, or that the browser has it (RFC 9110 section 13.1.2).
    pub(super) fn answer(&'static self, asked: &HeaderMap) -> Response {
        let tag = format!("\"{}\"", self.path.rsplit('/').next().unwrap_or_default());
        let has =
            asked.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).is_some_and(|tags| tags.split(',').any(|t| t.trim() == tag));
        let kept = [
            (header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable")),
            (header::CONTENT_TYPE, HeaderValue::from_static(self.media_type)),
        ];
        let status = if has { StatusCode::NOT_MODIFIED } else { StatusCode::OK };
        let mut response = (status, kept, if has { "" } else { self.text }).into_response();
        if let Ok(tag) = HeaderValue::from_str(&tag) {
            response.headers_mut().insert(header::ETAG, tag);
        }
        response
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    /// A colour's share of light, as WCAG 2.2 defines relative luminance.
    fn luminance(hex: &str) -> f64 {
        let channel = |n: usize| {
            let value = f64::from(u8::from_str_radix(&hex[n..n + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    /// WCAG 2.2, definition of contrast ratio.
    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The colours of each `:root` in the style, in their order: light, dark, print.
    fn palettes() -> Vec<BTreeMap<&'static str, &'static str>> {
        let roots = STYLE.text.split(":root {").skip(1).map(|rest| rest.split('}').next().unwrap());
        let lines = |root: &'static str| root.lines().filter_map(|line| line.trim().strip_suffix(';')?.split_once(": "));
        roots.map(|root| lines(root).filter(|(_, value)| value.starts_with('#') && value.len() == 7).collect()).collect()
    }

    #[test]
    fn the_ratio_is_the_published_one() {
        // Black on white is 21 to 1 (WCAG 2.2, note to the definition); #767676 on white is the known least grey that passes 4.5 (from memory).
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!(contrast("#767676", "#ffffff") >= 4.5 && contrast("#777777", "#ffffff") < 4.5);
    }

    #[test]
    fn every_text_can_be_read_on_every_ground() {
        let palettes = palettes();
        assert_eq!(palettes.len(), 3);
        for palette in palettes {
            let colour = |name: &str| *palette.get(name).unwrap_or_else(|| panic!("no {name} in {palette:?}"));
            for text in ["--ink", "--soft", "--link", "--good", "--warn", "--stop"] {
                for ground in ["--ground", "--panel", "--said"] {
                    // WCAG 2.2, 1.4.3: text 4.5 to 1.
                    assert!(contrast(colour(text), colour(ground)) >= 4.5, "{text} on {ground}: {palette:?}");
                }
            }
            assert!(contrast(colour("--on-act"), colour("--act")) >= 4.5, "{palette:?}");
            for edge in ["--edge", "--act", "--link"] {
                for ground in ["--ground", "--panel"] {
                    // WCAG 2.2, 1.4.11: edges of fields and what shows the focus 3 to 1.
                    assert!(contrast(colour(edge), colour(ground)) >= 3.0, "{edge} on {ground}: {palette:?}");
                }
            }
        }
    }

    #[test]
    fn nothing_is_asked_of_another_host() {
        for text in [STYLE.text, SCRIPT.text] {
            assert!(!text.contains("//") && !text.contains("@import") && !text.contains("url("), "an address in an asset");
        }
    }
}
