//! Enrolment and log-in bodies (JSON and JWT claims).

use serde::{Deserialize, Serialize};

use crate::bytes::Bytes32;
use crate::ids::{DeviceId, PersonId, ShopId};
use crate::role::Role;

/// `client_assertion_type` of RFC 7523.
pub const ASSERTION_TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
/// `typ` header that an assertion must carry (RFC 10070).
pub const ASSERTION_TYP: &str = "client-authentication+jwt";

/// A device that presents a one-time code. Sent again after a lost answer, it gets the same answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct EnrolRequest {
    /// The one-time code, as the office read it out.
    pub code: String,
    /// The id that the device gave itself.
    pub device: DeviceId,
    /// What the device calls itself.
    pub device_name: String,
    /// Ed25519 public key that will sign records.
    pub record_key: Bytes32,
    /// Ed25519 public key that will sign log-ins.
    pub login_key: Bytes32,
}

/// What an enrolled device needs to know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct EnrolAnswer {
    /// The shop.
    pub shop: ShopId,
    /// Its name.
    pub shop_name: String,
    /// The issuer that log-in assertions name as their audience.
    pub issuer: String,
    /// Device id under which the shop signs arrivals.
    pub shop_device: DeviceId,
    /// Ed25519 key under which the shop signs arrivals.
    pub shop_key: Bytes32,
    /// Whose device this now is.
    pub person: PersonId,
    /// That person's name.
    pub person_name: String,
    /// That person's role.
    pub role: Option<Role>,
    /// Shop time, ms since 1970 UTC.
    pub shop_time_ms: i64,
}

/// The office asks for a one-time code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CodeRequest {
    /// For whom.
    pub person: PersonId,
}

/// A one-time code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CodeIssued {
    /// The code, for reading out.
    pub code: String,
    /// For whom.
    pub person: PersonId,
    /// Until when, ms since 1970 UTC.
    pub until_ms: i64,
}

/// A log-in (RFC 6749 §4.4 with the client assertion of RFC 7523 §2.2), as a form.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct TokenRequest {
    /// `client_credentials`.
    pub grant_type: String,
    /// [`ASSERTION_TYPE`].
    pub client_assertion_type: String,
    /// The JWT signed by the device's log-in key.
    pub client_assertion: String,
}

/// An access token (RFC 6749 §5.1).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct TokenAnswer {
    /// The token.
    pub access_token: String,
    /// `Bearer`.
    pub token_type: String,
    /// Seconds until it ends.
    pub expires_in: u64,
}

/// Claims of a log-in assertion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AssertionClaims {
    /// The device.
    pub iss: DeviceId,
    /// The device again.
    pub sub: DeviceId,
    /// The shop's issuer, as one string.
    pub aud: String,
    /// Made at, seconds since 1970 UTC.
    pub iat: i64,
    /// Ends at, seconds since 1970 UTC.
    pub exp: i64,
    /// Single-use id.
    pub jti: uuid::Uuid,
}

/// Claims of an access token.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AccessClaims {
    /// The shop's issuer.
    pub iss: String,
    /// The shop's issuer again: the token is for this server.
    pub aud: String,
    /// The device.
    pub sub: DeviceId,
    /// Its person.
    pub person: PersonId,
    /// Made at, seconds since 1970 UTC.
    pub iat: i64,
    /// Ends at, seconds since 1970 UTC.
    pub exp: i64,
}
