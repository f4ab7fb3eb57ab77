//! What to send to the shop: a request as plain values, for whatever HTTP the front end has.

use std::borrow::Cow;

use serde::Serialize;
use shared::problem::Problem;

use crate::error::KitError;

/// The first bytes of a zstd frame (RFC 8878 section 3.1.1). No CBOR message of ours begins so.
const ZSTD: [u8; 4] = [0x28, 0xb5, 0x2f, 0xfd];

/// A request to the shop's server.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Call {
    /// The method.
    pub method: &'static str,
    /// The path under the server's address.
    pub path: Cow<'static, str>,
    /// The header fields. A field that the platform does not let anybody set (`accept-encoding`, in browsers) may be left out.
    pub headers: Vec<(&'static str, String)>,
    /// The body.
    pub body: Vec<u8>,
}

impl Call {
    pub(crate) fn post(path: &'static str, content_type: &str, accept: &str, body: Vec<u8>) -> Self {
        let headers = vec![("content-type", content_type.to_owned()), ("accept", accept.to_owned())];
        Self { method: "POST", path: path.into(), headers, body }
    }

    pub(crate) fn put(path: String, content_type: &str, body: Vec<u8>) -> Self {
        let headers = vec![("content-type", content_type.to_owned()), ("accept", "application/json".to_owned())];
        Self { method: "PUT", path: path.into(), headers, body }
    }

    pub(crate) fn with(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.headers.push((name, value.into()));
        self
    }
}

/// The body of an answer that is a success, else what the shop said.
pub(crate) fn success(status: u16, body: &[u8]) -> Result<&[u8], KitError> {
    match status {
        200..=299 => Ok(body),
        _ => Err(match serde_json::from_slice::<Problem>(body) {
            Ok(problem) => KitError::Refused(Box::new(problem)),
            Err(_) if status >= 500 => KitError::ShopAway(format!("it answered with status {status}")),
            Err(_) => KitError::Answer(format!("it has status {status}, and is not a shop's server's")),
        }),
    }
}

/// Reads JSON.
pub(crate) fn read_json<T: serde::de::DeserializeOwned>(bytes: &[u8]) -> Result<T, KitError> {
    serde_json::from_slice(bytes).map_err(|e| KitError::Answer(format!("it is not what was asked for: {e}")))
}

/// Whether bytes are compressed. Some platforms unpack what they receive and some do not; the bytes tell.
pub(crate) fn is_compressed(bytes: &[u8]) -> bool {
    bytes.starts_with(&ZSTD)
}

/// A form's body (URL Standard, `application/x-www-form-urlencoded`): everything but unreserved characters as %XX.
pub(crate) fn form(fields: &[(&str, &str)]) -> Vec<u8> {
    use std::fmt::Write as _;
    let mut out = String::new();
    let escaped = |text: &str, out: &mut String| {
        for byte in text.bytes() {
            match byte {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
                // Writing to a string cannot fail.
                _ => drop(write!(out, "%{byte:02X}")),
            }
        }
    };
    for (at, (name, value)) in fields.iter().enumerate() {
        if at > 0 {
            out.push('&');
        }
        escaped(name, &mut out);
        out.push('=');
        escaped(value, &mut out);
    }
    out.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_are_escaped() {
        assert_eq!(form(&[("a", "x y"), ("b:", "ü.-_~")]), b"a=x%20y&b%3A=%C3%BC.-_~");
    }

    #[test]
    fn what_is_no_success_says_what_the_shop_said() {
        assert_eq!(success(200, b"yes").unwrap(), b"yes");
        assert_eq!(success(503, b"<html>").unwrap_err().code(), "shop-away");
        assert_eq!(success(404, b"<html>").unwrap_err().code(), "answer-unreadable");
        let problem = serde_json::to_vec(&Problem::new(shared::problem::Code::CodeInvalid, 403, "The code has been used.")).unwrap();
        let error = success(403, &problem).unwrap_err();
        assert_eq!((error.code(), error.sentence()), ("code-invalid", "The code has been used.".to_owned()));
    }
}
