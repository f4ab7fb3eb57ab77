//! Every error to its status and its problem details (RFC 9457), in one file.
//!
//! Which error belongs where: an error type of the core is turned into a [`ApiError`] here and nowhere else; routes,
//! extractors and layers return [`ApiError`]; no other error body leaves this server. Below HTTP, hyper alone answers
//! what is no request at all, without a body.

use std::time::Duration;

use axum::body::Body;
use axum::extract::rejection::{BytesRejection, FormRejection, JsonRejection, PathRejection, QueryRejection};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use shared::crank::CrankError;
use shared::problem::{Code, Problem};
use shared::wire::EXCHANGE_TYPE;
use sync_core::book::enrol::EnrolError;
use sync_core::book::login::LoginError;
use sync_core::engine::BookError;
use sync_core::store::BackupError;
use sync_core::sync::BodyError;
use sync_core::sys::clock::ClockReading;

use crate::pdf::PaperError;

mod photos;
mod words;

pub(crate) use words::sentence;

/// Media type of problem details.
const PROBLEM_TYPE: HeaderValue = HeaderValue::from_static("application/problem+json");

/// An answer other than the one asked for.
#[derive(Debug)]
pub(crate) struct ApiError {
    status: StatusCode,
    problem: Box<Problem>,
    headers: Vec<(HeaderName, HeaderValue)>,
    field: Option<String>,
}

/// The status that goes with a code where nothing more is known.
pub(crate) const fn status_of(code: Code) -> StatusCode {
    match code {
        Code::TokenInvalid | Code::ClockWrong | Code::DeviceUnknown | Code::DeviceRevoked => StatusCode::UNAUTHORIZED,
        Code::RoleMayNot | Code::KeptOut | Code::CodeInvalid | Code::NotTheAuthor | Code::SignatureInvalid => StatusCode::FORBIDDEN,
        Code::NotFound | Code::DocumentClosed => StatusCode::NOT_FOUND,
        Code::IdTaken | Code::Later | Code::ChangeInvalid | Code::DocumentFull | Code::Moved => StatusCode::CONFLICT,
        Code::KeyReused | Code::NoAnswer => StatusCode::UNPROCESSABLE_ENTITY,
        Code::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
        Code::TooMany | Code::DayFull | Code::QuarantineFull => StatusCode::TOO_MANY_REQUESTS,
        Code::Unreadable | Code::BodyInvalid | Code::EntryInvalid | Code::VersionUnknown | Code::WrongDocument | Code::WrongPlace => {
            StatusCode::BAD_REQUEST
        }
        Code::DiskFull => StatusCode::INSUFFICIENT_STORAGE,
        Code::BookInUse | Code::BookUnwritable => StatusCode::SERVICE_UNAVAILABLE,
        Code::Internal | Code::Defect | Code::NotABook | Code::BookTooNew | Code::BookDamaged | Code::BookFailed => {
            StatusCode::INTERNAL_SERVER_ERROR
        }
        // What only a device says of itself: a server that says so is broken.
        Code::NotEnrolled | Code::EnrolledAlready | Code::LateAnswer | Code::BookSealed | Code::KeyWrong | Code::PhotoGone => {
            StatusCode::INTERNAL_SERVER_ERROR
        }
    }
}

impl ApiError {
    pub(crate) fn new(code: Code, detail: impl Into<String>) -> Self {
        Self::with_status(code, status_of(code), detail)
    }

    fn with_status(code: Code, status: StatusCode, detail: impl Into<String>) -> Self {
        let problem = Box::new(Problem::new(code, status.as_u16(), detail));
        let headers = match status {
            StatusCode::UNAUTHORIZED => vec![(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"))],
            _ => Vec::new(),
        };
        Self { status, problem, headers, field: None }
    }

    fn and(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.headers.push((name, value));
        self
    }

    /// Tells the shop's time where the device's clock was the problem.
    pub(crate) fn telling_time(mut self, now: &ClockReading) -> Self {
        if self.problem.code == Code::ClockWrong {
            self.problem.shop_time_ms = Some(now.wall_ms);
        }
        self
    }

    /// Something of ours broke; `after` says what is true now.
    pub(crate) fn broke(after: &str) -> Self {
        Self::new(Code::Internal, format!("Something broke at the shop. {after}"))
    }

    pub(crate) fn too_slow(limit: Duration) -> Self {
        let detail = format!(
            "The request took longer than {} s and was given up. It may have been taken in all the same: send it again, which changes nothing twice.",
            limit.as_secs()
        );
        Self::with_status(Code::Internal, StatusCode::REQUEST_TIMEOUT, detail)
    }

    /// What was sent is not of the agreed form; `why` is a text of the core or a sentence.
    pub(crate) fn unreadable(why: &str) -> Self {
        Self::new(Code::Unreadable, sentence(why))
    }

    /// The same whether there is no such machine or it is not the caller's to see: the difference is nobody's business.
    pub(crate) fn closed() -> Self {
        let detail = "There is no such machine, or it is not open to this device. Ask the office to assign its property.";
        Self::new(Code::DocumentClosed, detail)
    }

    pub(crate) fn no_such_route() -> Self {
        Self::new(Code::NotFound, "There is nothing at this address. Nothing was taken in. Check the address.")
    }

    /// Asked under a name that is not the shop's (RFC 9110 section 15.5.20).
    pub(crate) fn wrong_host() -> Self {
        let detail = "This server answers to the name in the shop's issuer alone. Nothing was taken in. Use the shop's own address.";
        Self::with_status(Code::NotFound, StatusCode::MISDIRECTED_REQUEST, detail)
    }

    pub(crate) fn wrong_method() -> Self {
        let detail = "This address takes other methods; the Allow header names them. Nothing was taken in.";
        Self::with_status(Code::NotFound, StatusCode::METHOD_NOT_ALLOWED, detail)
    }

    pub(crate) fn wrong_exchange_type() -> Self {
        let detail = format!("An exchange is sent as {EXCHANGE_TYPE}. Nothing was taken in.");
        Self::with_status(Code::Unreadable, StatusCode::UNSUPPORTED_MEDIA_TYPE, detail)
            .and(HeaderName::from_static("accept-post"), HeaderValue::from_static(EXCHANGE_TYPE))
    }

    pub(crate) fn wrong_exchange_encoding() -> Self {
        let detail = "An exchange is compressed with zstd or not at all. Nothing was taken in.";
        Self::with_status(Code::Unreadable, StatusCode::UNSUPPORTED_MEDIA_TYPE, detail)
            .and(header::ACCEPT_ENCODING, HeaderValue::from_static("zstd, identity"))
    }

    pub(crate) fn too_many_codes(wait_s: i64) -> Self {
        let detail = format!("Too many wrong codes came in the last minute. Nothing was enrolled. Try again in {wait_s} s.");
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(wait_s))
    }

    pub(crate) fn too_many_requests(wait_s: i64) -> Self {
        let detail = format!("This device asks too often. Nothing was taken in, and nothing is lost. Try again in {wait_s} s.");
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(wait_s))
    }

    pub(crate) fn too_many_strangers(wait_s: i64) -> Self {
        let detail = format!("Too many ask to join or to log in at once. Nothing was taken in. Try again in {wait_s} s.");
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(wait_s))
    }

    pub(crate) fn not_ready() -> Self {
        let detail = "The shop's book does not answer within a second. Nothing is lost. Try again.";
        Self::with_status(Code::Internal, StatusCode::SERVICE_UNAVAILABLE, detail)
    }

    pub(crate) fn too_many_streams() -> Self {
        let detail = "Too many streams of events are open, of this device or of all. Close one, or try again in 15 s.";
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(15))
    }

    pub(crate) fn too_many_passphrases(wait_s: i64) -> Self {
        let detail = format!("Too many wrong passphrases came in the last minutes. Nobody was signed in. Try again in {wait_s} s.");
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(wait_s))
    }

    pub(crate) fn too_many_exchanges() -> Self {
        let detail = "Other exchanges of this device are still under way. Nothing of this one was taken in. Try again in 1 s.";
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(1))
    }

    pub(crate) fn key_reused() -> Self {
        let detail = "This Idempotency-Key was used for another request. Nothing of this one was done. Send it with a key of its own.";
        Self::new(Code::KeyReused, detail)
    }

    pub(crate) fn key_busy() -> Self {
        let detail = "The first request with this Idempotency-Key is still under way. This one was not done. Send it again in 1 s.";
        Self::with_status(Code::KeyReused, StatusCode::CONFLICT, detail).and(header::RETRY_AFTER, HeaderValue::from(1))
    }

    /// The body as such could not be taken.
    fn body(status: StatusCode, why: &str) -> Self {
        match status {
            StatusCode::PAYLOAD_TOO_LARGE => Self::new(Code::TooLarge, "The message is larger than agreed. Nothing was taken in."),
            StatusCode::UNSUPPORTED_MEDIA_TYPE => {
                Self::with_status(Code::Unreadable, status, format!("{} Nothing was taken in.", sentence(why)))
            }
            status if status.is_server_error() => Self::broke("Nothing was taken in. Try again."),
            _ => Self::new(Code::Unreadable, format!("{} Nothing was taken in.", sentence(why))),
        }
    }
}

/// The problem that a response says, for whoever knows more of the request.
#[derive(Debug, Clone)]
struct Said(Box<Problem>);

fn text_of(problem: &Problem) -> Vec<u8> {
    let text = serde_json::to_string(problem).unwrap_or_default();
    shared::text::visible_in_json(&text).into_owned().into_bytes()
}

/// Names the request in a response that says a problem (RFC 9457 section 3.1.5), as the log and the header name it.
pub(crate) fn name_request(mut response: Response, id: &str) -> Response {
    let Some(Said(mut problem)) = response.extensions_mut().remove::<Said>() else { return response };
    problem.instance = Some(format!("urn:tappetbook:request:{id}"));
    *response.body_mut() = Body::from(text_of(&problem));
    response.headers_mut().remove(header::CONTENT_LENGTH);
    response
}

impl ApiError {
    fn log(&self) {
        if self.status.is_server_error() {
            tracing::error!(code = %self.problem.code, detail = self.problem.detail, "refused");
        } else {
            // Without the detail: it may repeat what was sent.
            tracing::info!(code = %self.problem.code, "refused");
        }
    }

    /// Status, sentence and headers, for an answer that is a page.
    pub(crate) fn told(self) -> (StatusCode, String, Vec<(HeaderName, HeaderValue)>) {
        self.log();
        (self.status, self.problem.detail, self.headers)
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        self.log();
        let Self { status, problem, headers, .. } = self;
        let mut response = (status, [(header::CONTENT_TYPE, PROBLEM_TYPE)], text_of(&problem)).into_response();
        response.headers_mut().extend(headers);
        response.extensions_mut().insert(Said(problem));
        response
    }
}

impl From<EnrolError> for ApiError {
    fn from(error: EnrolError) -> Self {
        match error {
            EnrolError::Refused(code, detail) => Self::new(code, detail),
            EnrolError::Book(book) => book.into(),
        }
    }
}

impl From<LoginError> for ApiError {
    fn from(error: LoginError) -> Self {
        match error {
            LoginError::Refused(code, detail) => Self::new(code, detail),
            LoginError::Book(book) => book.into(),
        }
    }
}

impl From<BookError> for ApiError {
    fn from(error: BookError) -> Self {
        Self::new(error.code(), sentence(&error.to_string()))
    }
}

impl From<BackupError> for ApiError {
    fn from(error: BackupError) -> Self {
        let detail = sentence(&error.to_string());
        match error {
            BackupError::Exists(_) => Self::new(Code::IdTaken, "A backup was made this very second already. Ask again for another."),
            BackupError::Unwritable { path, why } => {
                tracing::error!(path = %path.display(), why, "a backup cannot be written");
                // Where the shop keeps its files is nobody's business out there.
                let detail =
                    format!("The backup cannot be written at the shop ({why}); none was made, and the book is as it was. Make room there.");
                Self::with_status(Code::Internal, StatusCode::SERVICE_UNAVAILABLE, detail)
            }
            BackupError::Pictures { path, why } => {
                tracing::error!(path = %path.display(), why, "a picture cannot be copied");
                Self::with_status(
                    Code::Internal,
                    StatusCode::SERVICE_UNAVAILABLE,
                    format!("The book was copied, and not every picture of its photos ({why}). Make room at the shop, and do it again."),
                )
            }
            BackupError::Untrue(_) | BackupError::Unsound(_) => Self::new(Code::Internal, detail),
            BackupError::Store(store) => Self::new(BookError::from(store).code(), detail),
        }
    }
}

/// A full disk is 507 (RFC 4918 §11.5), what may pass by itself or by someone giving rights back 503; what needs a repair
/// is 500.
/// As the same arithmetic's refusals that come by way of the book.
impl From<CrankError> for ApiError {
    fn from(error: CrankError) -> Self {
        Self::new(Code::NoAnswer, sentence(&error.to_string()))
    }
}

impl From<PaperError> for ApiError {
    fn from(error: PaperError) -> Self {
        tracing::error!(%error, "a page could not be made");
        Self::broke(crate::routes::paper::NOTHING_CHANGED)
    }
}

impl From<BodyError> for ApiError {
    fn from(error: BodyError) -> Self {
        let code = match error {
            BodyError::TooLarge { .. } => Code::TooLarge,
            BodyError::Unreadable(_) => Code::Unreadable,
        };
        Self::new(code, sentence(&error.to_string()))
    }
}

impl From<JsonRejection> for ApiError {
    fn from(rejection: JsonRejection) -> Self {
        Self::body(rejection.status(), &rejection.body_text())
    }
}

impl From<FormRejection> for ApiError {
    fn from(rejection: FormRejection) -> Self {
        Self::body(rejection.status(), &rejection.body_text())
    }
}

impl From<BytesRejection> for ApiError {
    fn from(rejection: BytesRejection) -> Self {
        Self::body(rejection.status(), &rejection.body_text())
    }
}

/// A part of the path that is no text names nothing.
impl From<PathRejection> for ApiError {
    fn from(_: PathRejection) -> Self {
        Self::no_such_route()
    }
}

impl From<QueryRejection> for ApiError {
    fn from(rejection: QueryRejection) -> Self {
        let text = rejection.body_text();
        let why = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text);
        Self::unreadable(&format!("The question at the end of the address cannot be read: {why}"))
    }
}

#[cfg(test)]
mod tests {
    use sync_core::store::StoreError;

    use super::*;

    #[test]
    fn a_text_becomes_a_sentence_once() {
        assert_eq!(sentence("not kept: it cannot be"), "Not kept: it cannot be.");
        assert_eq!(sentence("Done. Nothing else."), "Done. Nothing else.");
        assert_eq!(sentence(""), ".");
    }

    #[test]
    fn what_may_pass_is_not_a_defect() {
        assert_eq!(ApiError::from(BookError::from(StoreError::Full)).status, StatusCode::INSUFFICIENT_STORAGE);
        let read_only = StoreError::Unwritable("attempt to write a readonly database".to_owned());
        assert_eq!(ApiError::from(BookError::from(read_only)).status, StatusCode::SERVICE_UNAVAILABLE);
        assert_eq!(ApiError::from(BookError::from(StoreError::TooNew)).status, StatusCode::INTERNAL_SERVER_ERROR);
        assert_eq!(ApiError::from(BookError::NotEnrolled).status, StatusCode::INTERNAL_SERVER_ERROR);
    }
}
