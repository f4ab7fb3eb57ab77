//! Due dates as a calendar that other programs follow. Calendars send no header, so the address itself is the secret.

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use shared::bytes::Bytes32;
use shared::ids::DeviceId;
use shared::problem::Code;
use sync_core::book::calendar_token::CalendarToken;
use sync_core::queries::DueLine;
use utoipa::{IntoParams, ToSchema};

use super::given::Given;
use crate::bearer::Caller;
use crate::ical::{AllDay, calendar};
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// Where a person's calendar is.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Feed {
    /// The whole address, for a calendar program. Whoever has it sees the due dates: keep it as a password.
    url: String,
    /// The same without the server's name.
    path: String,
}

/// The secret of a feed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfFeed {
    /// The secret, as /v1/calendar-feed gave it.
    token: String,
}

/// The address of the caller's calendar of due dates
///
/// For the office, leads and techs; the same each time, and another for each device. It holds for as long as the person has such a role
/// and the device is not revoked.
#[utoipa::path(post, path = "/v1/calendar-feed", tag = "any device", responses((status = 200, description = "The address.", body = Feed)))]
pub(crate) async fn feed(State(state): State<ServerState>, caller: Caller) -> Result<Json<Feed>, ApiError> {
    let (secret, issuer) = state.read(move |book| book.tokens().calendar_feed(caller.device)).await?;
    let path = format!("/v1/due.ics?token={}", text_of(&secret));
    Ok(Json(Feed { url: format!("{}{path}", issuer.trim_end_matches('/')), path }))
}

/// The due dates of the machines open to a person, as a calendar (RFC 5545)
///
/// One all-day event for each machine, on the earliest day on which its check may be due. Machines of which no day is known have none.
#[utoipa::path(
    get,
    path = "/v1/due.ics",
    tag = "anyone",
    params(OfFeed),
    responses((status = 200, description = "The calendar.", body = String, content_type = "text/calendar")),
)]
pub(crate) async fn due(State(state): State<ServerState>, Given(asked): Given<OfFeed>) -> Result<Response, ApiError> {
    let secret = secret_of(&asked.token);
    let now = state.now();
    let (lines, status, today) = state
        .read(move |book| {
            let person = book.tokens().calendar_person(&secret?)?;
            Ok::<_, ApiError>((book.read_by(person).due(&now)?, book.reader().shop_status()?, book.reader().today(&now)?))
        })
        .await?;
    let events: Vec<AllDay> = lines.iter().filter_map(event).collect();
    let text = calendar(&format!("{}: checks due", status.shop), today, &events);
    Ok(([(header::CONTENT_TYPE, "text/calendar; charset=utf-8")], text).into_response())
}

fn event(line: &DueLine) -> Option<AllDay> {
    let hold = if line.hold { " (on hold: do not run)" } else { "" };
    Some(AllDay {
        uid: format!("due-{}@tappetbook", line.machine),
        day: line.due.as_ref()?.date?,
        summary: format!("{}: valve check due{hold}", line.tag),
        description: format!("{} {}\nThe engine maker's manual decides.", line.description, line.words).trim_start().to_owned(),
        place: line.property_name.clone(),
    })
}

fn text_of(secret: &CalendarToken) -> String {
    BASE64_URL_SAFE_NO_PAD.encode([&secret.device.as_bytes()[..], &secret.code.0].concat())
}

/// What is no secret at all is refused as a wrong one is.
fn secret_of(text: &str) -> Result<CalendarToken, ApiError> {
    let bytes = BASE64_URL_SAFE_NO_PAD.decode(text).unwrap_or_default();
    let read = bytes.split_at_checked(16).and_then(|(device, code)| {
        let device = DeviceId::from_bytes(device.try_into().ok()?);
        Some(CalendarToken { device, code: Bytes32::from_slice(code)? })
    });
    read.ok_or_else(|| ApiError::new(Code::TokenInvalid, sync_core::book::calendar_token::HOLDS_NOT))
}
