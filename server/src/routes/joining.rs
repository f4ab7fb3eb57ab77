//! Joining a shop and logging in: the token key, one-time codes, enrolment, tokens.

use axum::extract::State;
use axum::extract::rejection::{FormRejection, JsonRejection};
use axum::http::header;
use axum::response::IntoResponse;
use axum::{Form, Json as Given};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde::Serialize;
use shared::problem::Code;
use shared::wire::{ASSERTION_TYPE, CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer, TokenRequest};
use sync_core::book::enrol::EnrolError;
use utoipa::ToSchema;

use crate::bearer::Office;
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::rate_limit::Peer;
use crate::state::ServerState;

/// One public key (RFC 7517, RFC 8037).
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PublicKey {
    kty: &'static str,
    crv: &'static str,
    alg: &'static str,
    #[serde(rename = "use")]
    purpose: &'static str,
    kid: String,
    x: String,
}

/// The keys that verify access tokens.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct KeySet {
    keys: Vec<PublicKey>,
}

/// The keys that verify access tokens (RFC 7517, RFC 8037)
#[utoipa::path(
    get,
    path = "/.well-known/jwks.json",
    tag = "anyone",
    responses((status = 200, description = "The key set.", body = KeySet, content_type = "application/jwk-set+json")),
)]
pub(crate) async fn keys(State(state): State<ServerState>) -> Result<impl IntoResponse, ApiError> {
    let (device, key) = state.read(|book| book.tokens().token_key()).await?;
    let key = PublicKey {
        kty: "OKP",
        crv: "Ed25519",
        alg: "EdDSA",
        purpose: "sig",
        kid: device.to_string(),
        x: BASE64_URL_SAFE_NO_PAD.encode(key.0),
    };
    Ok(([(header::CONTENT_TYPE, "application/jwk-set+json")], Json(KeySet { keys: vec![key] })))
}

/// A device joins the shop with a one-time code
///
/// The device makes its two key pairs itself; the private ones never leave it. The same code with the same keys gets the same answer.
#[utoipa::path(
    post,
    path = "/v1/enrol",
    tag = "anyone",
    request_body = EnrolRequest,
    responses((status = 200, description = "What the device needs to know.", body = EnrolAnswer)),
)]
pub(crate) async fn enrol(
    State(state): State<ServerState>,
    peer: Peer,
    request: Result<Given<EnrolRequest>, JsonRejection>,
) -> Result<Json<EnrolAnswer>, ApiError> {
    let Given(request) = request?;
    let now = state.now();
    let attempt = state.pace.code(peer, &now).map_err(ApiError::too_many_codes)?;
    let pace = std::sync::Arc::clone(&state.pace);
    let answer = state.ask(move |shop| {
        let answer = shop.write(|book, entropy| book.admit_device(&request, &now, entropy));
        if !matches!(answer, Err(EnrolError::Refused(Code::CodeInvalid, _))) {
            pace.forgive(&attempt);
        }
        answer
    });
    let answer = answer.await?;
    // A device has come onto the roster.
    state.moved();
    Ok(Json(answer))
}

/// A log-in: a signed assertion for an access token (RFC 6749 section 4.4, RFC 7523 section 2.2)
///
/// The assertion is a JWT signed by the log-in key (EdDSA): typ client-authentication+jwt, kid, iss and sub the device id, aud exactly the
/// issuer from enrolment, a single-use jti, a life of at most 5 minutes. clock-wrong comes with the shop's time: sign again by that.
#[utoipa::path(
    post,
    path = "/v1/token",
    tag = "anyone",
    request_body(content = TokenRequest, content_type = "application/x-www-form-urlencoded"),
    responses((status = 200, description = "The token; it holds 15 minutes.", body = TokenAnswer)),
)]
pub(crate) async fn token(
    State(state): State<ServerState>,
    request: Result<Form<TokenRequest>, FormRejection>,
) -> Result<Json<TokenAnswer>, ApiError> {
    let Form(request) = request?;
    if request.grant_type != "client_credentials" {
        return Err(ApiError::new(Code::Unreadable, "The grant_type here is client_credentials. No token was given."));
    }
    if request.client_assertion_type != ASSERTION_TYPE {
        return Err(ApiError::new(Code::Unreadable, format!("The client_assertion_type here is {ASSERTION_TYPE}. No token was given.")));
    }
    let now = state.now();
    let (access_token, life_s) = state
        .read(move |book| book.tokens().log_in(&request.client_assertion, &now))
        .await
        .map_err(|refused| refused.telling_time(&now))?;
    Ok(Json(TokenAnswer { access_token, token_type: "Bearer".to_owned(), expires_in: u64::try_from(life_s).unwrap_or(0) }))
}

/// A one-time code, for a person to enrol a device
#[utoipa::path(
    post,
    path = "/v1/codes",
    tag = "office",
    request_body = CodeRequest,
    responses((status = 200, description = "The code. It is shown this once.", body = CodeIssued)),
)]
pub(crate) async fn codes(
    State(state): State<ServerState>,
    Office(caller): Office,
    request: Result<Given<CodeRequest>, JsonRejection>,
) -> Result<Json<CodeIssued>, ApiError> {
    let Given(request) = request?;
    let now = state.now();
    state.write(move |book, entropy| book.issue_code(caller.person, request.person, &now, entropy)).await.map(Json)
}
