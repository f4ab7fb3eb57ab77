//! Dates on the wire: ISO 8601 calendar dates, "2026-08-01".

/// A date.
pub(super) mod date {
    use jiff::civil::Date;
    use serde::{Deserialize, Deserializer, Serializer, de};

    pub(in super::super) fn serialize<S: Serializer>(date: &Date, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(date)
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Date, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

/// A date that may be missing.
pub(super) mod optional_date {
    use jiff::civil::Date;
    use serde::{Deserialize, Deserializer, Serializer, de};

    pub(in super::super) fn serialize<S: Serializer>(date: &Option<Date>, serializer: S) -> Result<S::Ok, S::Error> {
        match date {
            Some(date) => serializer.collect_str(date),
            None => serializer.serialize_none(),
        }
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Date>, D::Error> {
        let text = Option::<String>::deserialize(deserializer)?;
        text.map(|text| text.parse().map_err(de::Error::custom)).transpose()
    }
}
