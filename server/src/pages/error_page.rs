//! An answer of the pages other than the one asked for, as a page: the same sentence as the problem details, the same status.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use maud::html;

use super::layout;
use super::sent::{NobodyThere, NotTaken};
use crate::problem_response::ApiError;

/// Why a page is not shown.
#[derive(Debug)]
pub(crate) enum ErrorPage {
    /// Something was refused or broke.
    ApiError(Box<ApiError>),
    /// Nobody is signed in: where to go back to afterwards.
    SignIn(String),
}

impl<E: Into<ApiError>> From<E> for ErrorPage {
    fn from(error: E) -> Self {
        Self::ApiError(Box::new(error.into()))
    }
}

impl ErrorPage {
    /// As a page that knows nobody: it must be shown even where the book cannot be asked.
    fn page(refused: ApiError) -> Response {
        let field = refused.field().map(str::to_owned);
        let (status, detail, headers) = refused.told();
        let not_taken = NotTaken { sentence: detail.clone(), field };
        let body = html! {
            h1 { (heading(status)) }
            p.sentence { (detail) }
            p {
                @if status == StatusCode::NOT_FOUND { a href="/office" { "To the day sheet" } }
                @else { "Your browser's Back button brings back what you had entered. " a href="/office" { "To the day sheet" } }
            }
        };
        let mut response = (status, layout::bare(heading(status), &body)).into_response();
        // That one names the scheme of the API's tokens; a browser would make nothing of it.
        response.extensions_mut().insert(not_taken);
        response.headers_mut().extend(headers.into_iter().filter(|(name, _)| *name != header::WWW_AUTHENTICATE));
        response
    }
}

/// What a status says, in a few words.
fn heading(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "Not here",
        StatusCode::FORBIDDEN | StatusCode::UNAUTHORIZED => "Not allowed",
        StatusCode::TOO_MANY_REQUESTS => "Too often",
        StatusCode::CONFLICT => "Something changed meanwhile",
        status if status.is_server_error() || status == StatusCode::REQUEST_TIMEOUT => "Something broke",
        _ => "Not taken",
    }
}

impl IntoResponse for ErrorPage {
    fn into_response(self) -> Response {
        match self {
            Self::ApiError(refused) => Self::page(*refused),
            Self::SignIn(to) => {
                let to = super::words::in_query(&to);
                let mut response = Redirect::to(&format!("/office/sign-in?to={to}")).into_response();
                response.extensions_mut().insert(NobodyThere);
                response
            }
        }
    }
}
