//! Small words that several pages share: times on the shop's clock, counts, what goes into an address.

use jiff::Timestamp;
use jiff::tz::TimeZone;
pub(super) use shared::text::count;

/// A time as the shop's clock shows it, to the minute.
pub(super) fn local(ms: i64, zone: &TimeZone) -> String {
    match Timestamp::from_millisecond(ms) {
        Ok(at) => at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string(),
        Err(_) => "outside the calendar".to_owned(),
    }
}

/// A text inside an address's query: everything but letters, digits and a few marks as percent and hexadecimal (RFC 3986 section 2.1).
pub(super) fn in_query(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_keeps_its_place_in_a_query() {
        assert_eq!(in_query("/office/slot?doc=1&slot=lash/1I/found"), "/office/slot%3Fdoc%3D1%26slot%3Dlash/1I/found");
        assert_eq!(in_query("\"<ä"), "%22%3C%C3%A4");
    }

    #[test]
    fn times_are_the_shops() {
        let zone = TimeZone::get("America/Chicago").unwrap();
        assert_eq!(local(1_780_318_800_000, &zone), "2026-06-01 08:00");
        assert_eq!(local(i64::MAX, &zone), "outside the calendar");
    }
}
