//! Joining a shop and logging in: health, the token key, one-time codes, enrolment, tokens.

use axum::extract::State;
use axum::extract::rejection::{FormRejection, JsonRejection};
use axum::http::header;
use axum::response::IntoResponse;
use axum::{Form, Json};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde::Serialize;
use shared::problem::Code;
use shared::wire::{ASSERTION_TYPE, CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer, TokenRequest};
use sync_core::enrol::EnrolError;

use crate::bearer::Office;
use crate::problem_response::Refused;
use crate::state::ServerState;

/// That the server is up.
#[derive(Debug, Serialize)]
pub(crate) struct Health {
    status: &'static str,
}

/// GET /health
pub(crate) async fn health() -> Json<Health> {
    Json(Health { status: "up" })
}

/// One public key (RFC 7517, RFC 8037).
#[derive(Debug, Serialize)]
struct PublicKey {
    kty: &'static str,
    crv: &'static str,
    alg: &'static str,
    #[serde(rename = "use")]
    purpose: &'static str,
    kid: String,
    x: String,
}

/// The keys that verify access tokens.
#[derive(Debug, Serialize)]
struct KeySet {
    keys: Vec<PublicKey>,
}

/// GET /.well-known/jwks.json
pub(crate) async fn keys(State(state): State<ServerState>) -> Result<impl IntoResponse, Refused> {
    let (device, key) = state.ask(|shop| shop.token_key()).await?;
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

/// POST /v1/enrol
pub(crate) async fn enrol(
    State(state): State<ServerState>,
    request: Result<Json<EnrolRequest>, JsonRejection>,
) -> Result<Json<EnrolAnswer>, Refused> {
    let Json(request) = request?;
    let now = state.now();
    let attempt = state.tries.begin(&now).map_err(Refused::too_many_codes)?;
    let tries = std::sync::Arc::clone(&state.tries);
    let answer = state.ask(move |shop| {
        let answer = shop.enrol(&request, &now);
        if !matches!(answer, Err(EnrolError::Refused(Code::CodeInvalid, _))) {
            tries.forgive(&attempt);
        }
        answer
    });
    answer.await.map(Json)
}

/// POST /v1/token (RFC 6749 §4.4 with the client assertion of RFC 7523 §2.2)
pub(crate) async fn token(
    State(state): State<ServerState>,
    request: Result<Form<TokenRequest>, FormRejection>,
) -> Result<Json<TokenAnswer>, Refused> {
    let Form(request) = request?;
    if request.grant_type != "client_credentials" {
        return Err(Refused::new(Code::Unreadable, "The grant_type here is client_credentials. No token was given."));
    }
    if request.client_assertion_type != ASSERTION_TYPE {
        return Err(Refused::new(Code::Unreadable, format!("The client_assertion_type here is {ASSERTION_TYPE}. No token was given.")));
    }
    let now = state.now();
    let (access_token, life_s) =
        state.ask(move |shop| shop.log_in(&request.client_assertion, &now)).await.map_err(|refused| refused.telling_time(&now))?;
    Ok(Json(TokenAnswer { access_token, token_type: "Bearer".to_owned(), expires_in: u64::try_from(life_s).unwrap_or(0) }))
}

/// POST /v1/codes
pub(crate) async fn codes(
    State(state): State<ServerState>,
    Office(caller): Office,
    request: Result<Json<CodeRequest>, JsonRejection>,
) -> Result<Json<CodeIssued>, Refused> {
    let Json(request) = request?;
    let now = state.now();
    state.ask(move |shop| shop.issue_code(caller.person, request.person, &now)).await.map(Json)
}
