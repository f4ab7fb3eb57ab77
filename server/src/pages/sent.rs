//! A form that was sent and not taken: it stands on its page again, open, with what was typed and the reason by the field; or, where the
//! sign-in had ended, it waits beside the sign-in to be sent again.
//!
//! One place for all forms: a form says on which page it stands ([`AT`]), and what comes back from its step is looked at here.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Form;
use axum::body::{Body, HttpBody, to_bytes};
use axum::extract::{FromRequest, Request};
use axum::http::{HeaderMap, Method, StatusCode, header, request};
use axum::response::Response;
use tower::ServiceExt;

use super::desk::ours;
use super::forms::own_site;
use super::{every, refilled};
use crate::rate_limit::Peer;
use crate::router::LARGEST_SMALL_BODY;
use crate::state::ServerState;

/// The field that says on which page a form stands.
pub(super) const AT: &str = "at";
/// What a form has beside what people fill in.
const OURS: [&str; 4] = [AT, "token", "weighed", "says"];

/// Why a form was not taken, as its step's answer carries it.
#[derive(Debug, Clone)]
pub(super) struct NotTaken {
    pub(super) sentence: String,
    /// The field that is wrong, where it is known.
    pub(super) field: Option<String>,
}

/// Nobody was signed in where a form was sent, as its step's answer carries it.
#[derive(Debug, Clone, Copy)]
pub(super) struct NobodyThere;

/// A form as it was sent.
#[derive(Debug)]
pub(super) struct Sent {
    /// Where to.
    pub(super) action: String,
    /// Its fields.
    pub(super) fields: BTreeMap<String, String>,
    /// Why it was not taken, where it was refused.
    pub(super) not_taken: Option<NotTaken>,
    headers: HeaderMap,
    peer: Peer,
}

fn is_small_form(request: &Request) -> bool {
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let small = request.body().size_hint().exact().is_some_and(|n| n <= LARGEST_SMALL_BODY as u64);
    // What another site made a browser send is nobody's to be put back.
    own_site(request.headers()).is_ok()
        && request.method() == Method::POST
        && kind.starts_with("application/x-www-form-urlencoded")
        && small
}

impl Sent {
    /// A form among the requests: taken note of, and passed on whole. What is no small form of our own pages is left as it is.
    pub(super) async fn of(request: Request) -> (Request, Option<Self>) {
        if !is_small_form(&request) {
            return (request, None);
        }
        let (parts, body) = request.into_parts();
        // One that broke off on its way is no form, and is refused as that.
        let Ok(bytes) = to_bytes(body, LARGEST_SMALL_BODY).await else { return (Request::from_parts(parts, Body::empty()), None) };
        let sent = Self::read(&parts, bytes.clone()).await;
        (Request::from_parts(parts, Body::from(bytes)), sent)
    }

    async fn read(parts: &request::Parts, bytes: axum::body::Bytes) -> Option<Self> {
        let copy = Request::builder().method(Method::POST).header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        let Form(fields) = Form::<Vec<(String, String)>>::from_request(copy.body(Body::from(bytes)).ok()?, &()).await.ok()?;
        let headers = parts.headers.iter().filter(|(name, _)| !name.as_str().starts_with("content-"));
        Some(Self {
            action: parts.uri.path().to_owned(),
            fields: fields.into_iter().map(|(name, text)| (name, text.replace("\r\n", "\n"))).collect(),
            not_taken: None,
            headers: headers.map(|(name, value)| (name.clone(), value.clone())).collect(),
            peer: Peer::of(&parts.extensions),
        })
    }

    /// The answer to the form, as it is shown: the page that it stands on, where it was not taken.
    pub(super) async fn shown(self, answer: Response, state: &ServerState) -> Response {
        let at = self.fields.get(AT).filter(|at| ours(at)).cloned();
        let status = answer.status();
        if answer.extensions().get::<NobodyThere>().is_some() {
            let to = at.unwrap_or_else(|| "/office".to_owned());
            let page = format!("/office/sign-in?to={}", super::words::in_query(&to));
            return self.again(&page, StatusCode::FORBIDDEN, state).await.unwrap_or(answer);
        }
        let (Some(not_taken), Some(at), true) = (answer.extensions().get::<NotTaken>().cloned(), at, status.is_client_error()) else {
            return answer;
        };
        let headers = answer.headers().clone();
        let sent = Self { not_taken: Some(not_taken), ..self };
        let Some(mut page) = sent.again(&at, status, state).await else { return answer };
        page.headers_mut()
            .extend(headers.into_iter().filter_map(|(name, value)| Some((name?, value))).filter(|(name, _)| *name == header::RETRY_AFTER));
        page
    }

    /// The page at an address with this form in mind, where it is there.
    async fn again(self, at: &str, status: StatusCode, state: &ServerState) -> Option<Response> {
        let mut request = Request::builder().method(Method::GET).uri(at).body(Body::empty()).ok()?;
        *request.headers_mut() = self.headers.clone();
        // Who asks, and no more: what the router knew of the form's own address is not true of the page's.
        request.extensions_mut().insert(self.peer);
        request.extensions_mut().insert(Arc::new(self));
        let mut page = every().with_state(state.clone()).oneshot(request).await.ok()?;
        let is_there = page.status() == StatusCode::OK;
        *page.status_mut() = status;
        is_there.then_some(page)
    }

    /// Whether this is a form on a page: the same address, the same in what is hidden in it, and no field that was not sent.
    pub(super) fn is(&self, action: &str, inside: &str) -> bool {
        let same = |(name, value): (&String, &String)| OURS.contains(&name.as_str()) || self.fields.get(name) == Some(value);
        let mut names = refilled::always_sent(inside);
        self.action == action && refilled::hidden(inside).iter().all(same) && names.all(|name| self.fields.contains_key(name))
    }

    /// What people filled in, and what the form itself says, without what only one sign-in or one moment knows.
    pub(super) fn lasting(&self) -> impl Iterator<Item = (&str, &str)> {
        self.fields.iter().map(|(name, text)| (name.as_str(), text.as_str())).filter(|(name, _)| *name != "token")
    }
}
