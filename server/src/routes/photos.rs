//! The bytes of photos, one by one: sent by a device, and handed to whoever may see the document that has their record.
//!
//! The document is part of the address because the right to a photo is the right to its document, and because one document is
//! then all that is looked at to find the record. The hash is the other part: it names these bytes and no others, for ever.
//! Bytes are handed out through the document for which they were sent: a hash that somebody knows from elsewhere opens nothing.

use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{FromRequestParts, Path, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use shared::bytes::Bytes32;
use shared::ids::{DocId, MachineId};
use shared::picture::PictureKind;
use shared::problem::Code;
use sync_core::book::pictures::named;
use tokio::sync::OwnedSemaphorePermit;

use crate::bearer::Caller;
use crate::concurrency::{Client, Turn, until_sent};
use crate::etag;
use crate::permits::Permit;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// A picture never changes under its address: a year, and no asking again (RFC 9111 section 5.2.2.1, RFC 8246 section 2). It is
/// for the one who asked, and for no cache in between.
const FOR_EVER: HeaderValue = HeaderValue::from_static("private, max-age=31536000, immutable");
/// A picture opened by itself is a picture, and may do nothing.
const MAY: HeaderValue = HeaderValue::from_static("default-src 'none'; sandbox");

/// A photo that an address names.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NamedPhoto {
    pub(crate) doc: DocId,
    pub(crate) sha256: Bytes32,
}

impl NamedPhoto {
    /// The photo that the parts of a path name; a text that is no id or no hash names nothing.
    pub(crate) fn of(doc: &str, sha256: &str) -> Result<Self, ApiError> {
        let doc: MachineId = doc.parse().map_err(|_| ApiError::closed())?;
        let no_hash = || ApiError::new(Code::NotFound, "A photo is named by its SHA-256: 64 hexadecimal digits in lower case.");
        Ok(Self { doc: doc.doc(), sha256: named(sha256).ok_or_else(no_hash)? })
    }
}

/// A photo that is open to the caller. Asked for before the body, which so is not even read where it is not.
#[derive(Debug)]
pub(crate) struct OpenPhoto {
    photo: NamedPhoto,
    caller: Caller,
}

/// A caller who may send a photo, and whose turn it is.
#[derive(Debug)]
pub(crate) struct Sender {
    photo: NamedPhoto,
    turn: (Turn, OwnedSemaphorePermit),
}

impl FromRequestParts<ServerState> for OpenPhoto {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        let caller = Caller::from_request_parts(parts, state).await?;
        let Path((doc, sha256)) = Path::<(String, String)>::from_request_parts(parts, state).await?;
        let photo = NamedPhoto::of(&doc, &sha256)?;
        state.read(move |book| book.photos().open_to(caller.person, photo.doc, photo.sha256)).await?;
        Ok(Self { photo, caller })
    }
}

impl FromRequestParts<ServerState> for Sender {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        let OpenPhoto { photo, caller } = OpenPhoto::from_request_parts(parts, state).await?;
        let turn = state.uploads.begin(Client::Device(caller.device)).ok_or_else(ApiError::too_many_pictures)?;
        let room = turn.room_now().ok_or_else(ApiError::too_many_pictures)?;
        Ok(Self { photo, turn: (turn, room) })
    }
}

/// The bytes of a photo reach the shop
///
/// Exchange first: the shop's book must have the photo's record in this document. The bytes must be those whose SHA-256 the address names,
/// and begin as a JPEG (ITU-T T.81), a PNG (its specification, section 5.2) or a WebP file (RFC 9649). Whatever media type is said is not
/// looked at. Sent twice, the answer is the same, and nothing is taken twice. Answered with 204, the picture survives a power cut.
/// A picture that two documents note is sent for each: it is shown in those for which it was sent.
#[utoipa::path(
    put,
    path = "/v1/photos/{id}/{sha256}",
    tag = "whoever may read the machine",
    params(
        ("id" = String, Path, format = Uuid, description = "The machine or property whose document has the photo's record."),
        ("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, as the record has it."),
    ),
    request_body(content_type = "image/jpeg", description = "The picture, at most 8 MiB; image/png and image/webp alike."),
    responses((status = 204, description = "The shop has the picture.")),
)]
pub(crate) async fn send(
    State(state): State<ServerState>,
    Sender { photo, turn }: Sender,
    body: Result<Bytes, BytesRejection>,
) -> Result<StatusCode, ApiError> {
    let body = body?;
    state
        .ask(move |shop| {
            // Held until the bytes are gone, even where the request was given up on.
            let _turn = turn;
            shop.pictures().keep(photo.doc, photo.sha256, &body)
        })
        .await?;
    Ok(StatusCode::NO_CONTENT)
}

/// The bytes of a photo
///
/// HEAD tells whether the shop has them.
#[utoipa::path(
    get,
    path = "/v1/photos/{id}/{sha256}",
    tag = "whoever may read the machine",
    params(
        ("id" = String, Path, format = Uuid, description = "The machine or property whose document has the photo's record."),
        ("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, as the record has it."),
    ),
    responses((status = 200, description = "The picture as it was taken: image/jpeg, image/png or image/webp.", body = Vec<u8>, content_type = "image/jpeg")),
)]
pub(crate) async fn picture(
    State(state): State<ServerState>,
    OpenPhoto { photo, caller }: OpenPhoto,
    asked: HeaderMap,
) -> Result<Response, ApiError> {
    hand_out(&state, photo, state.unread.take(Client::Device(caller.device)), &asked).await
}

/// A picture, or that the browser has it: `unread` until it is sent. The caller has asked whether it is open to them.
pub(crate) async fn hand_out(
    state: &ServerState,
    photo: NamedPhoto,
    unread: Option<Permit<Client>>,
    asked: &HeaderMap,
) -> Result<Response, ApiError> {
    let unread = unread.ok_or_else(ApiError::too_much_unread)?;
    let tag = format!("\"{}\"", photo.sha256);
    let known = asked.get_all(header::IF_NONE_MATCH).iter().any(|value| value.to_str().is_ok_and(|list| etag::names(list, &tag)));
    let bytes = state.ask(move |shop| shop.pictures().read(photo.doc, photo.sha256)).await?;
    let found = bytes.and_then(|bytes| PictureKind::of(&bytes).map(|kind| (kind, bytes)));
    let Some((kind, bytes)) = found else { return Err(ApiError::picture_not_here()) };
    let mut response = if known {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let shown = format!("inline; filename=\"photo-{}.{}\"", tag.get(1..9).unwrap_or_default(), kind.ending());
        let of_it: [(HeaderName, HeaderValue); 1] = [(header::CONTENT_TYPE, HeaderValue::from_static(kind.media_type()))];
        let mut response = (of_it, until_sent(bytes, unread)).into_response();
        response.headers_mut().extend(HeaderValue::from_str(&shown).ok().map(|shown| (header::CONTENT_DISPOSITION, shown)));
        response
    };
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, FOR_EVER);
    headers.insert(header::CONTENT_SECURITY_POLICY, MAY);
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.extend(HeaderValue::from_str(&tag).ok().map(|tag| (header::ETAG, tag)));
    Ok(response)
}
