//! What a form sends: that it comes from our own page, that it carries the session's token, and its fields.
//!
//! Three guards against a form that another site makes a browser send: the cookie is SameSite=Strict, the form carries a
//! token that only our pages know, and the browser's own word on where it comes from must be this site.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::str::FromStr;

use axum::Form;
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::{HeaderMap, HeaderName, header};
use maud::{Markup, PreEscaped, html};
use sha2::{Digest, Sha256};
use shared::problem::Code;

use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::refilled::{self, Typed};
use super::sent::{AT, Sent};
use crate::problem_response::ApiError;
use crate::state::ServerState;

const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// The fields of a form by name; a name that comes twice counts once.
#[derive(Debug, Default)]
pub(super) struct Fields(BTreeMap<String, String>);

/// A form that a signed-in visitor sent from our own page.
#[derive(Debug)]
pub(super) struct Posted {
    pub(super) visitor: CurrentUser,
    pub(super) fields: Fields,
}

/// As [`Posted`], with a file.
#[derive(Debug)]
pub(super) struct PostedFile {
    pub(super) visitor: CurrentUser,
    pub(super) file: Vec<u8>,
}

/// Refuses what another site made a browser send (Fetch Metadata's `Sec-Fetch-Site`, else RFC 6454's `Origin`). A browser
/// sends one of the two with every form; what sends neither is no browser, and has the API.
pub(super) fn own_site(headers: &HeaderMap) -> Result<(), ApiError> {
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or_default().to_ascii_lowercase());
    let own = match (text(SITE), text(header::ORIGIN)) {
        (Some(site), _) => site == "same-origin",
        (None, Some(origin)) => {
            let host = text(header::HOST).unwrap_or_default();
            origin.split_once("://").is_some_and(|(_, place)| !host.is_empty() && place == host)
        }
        (None, None) => false,
    };
    if own {
        return Ok(());
    }
    Err(ApiError::new(
        Code::SignatureInvalid,
        "The form does not come from this shop's own page. Nothing was changed. Open the page here and send it from there.",
    ))
}

fn token_holds(visitor: &CurrentUser, given: Option<&str>) -> Result<(), ApiError> {
    // Of hashes, so that the time it takes says nothing of the token.
    let hash = |token: &str| -> [u8; 32] { Sha256::digest(token.as_bytes()).into() };
    if given.is_some_and(|given| hash(given) == hash(visitor.form_token())) {
        return Ok(());
    }
    Err(ApiError::new(
        Code::SignatureInvalid,
        "The form is of another sign-in than this one. Nothing was changed. Open the page and send it again.",
    ))
}

impl FromRequest<ServerState> for Fields {
    type Rejection = ApiError;

    /// Of a form that needs no sign-in: from our own page all the same.
    async fn from_request(request: Request, state: &ServerState) -> Result<Self, ApiError> {
        own_site(request.headers())?;
        let Form(fields) = Form::<Vec<(String, String)>>::from_request(request, state).await?;
        // Browsers send the end of a line as two characters (HTML, "constructing the entry list"); a record has one.
        Ok(Self(fields.into_iter().map(|(name, text)| (name, text.replace("\r\n", "\n"))).collect()))
    }
}

impl FromRequest<ServerState> for Posted {
    type Rejection = ErrorPage;

    async fn from_request(request: Request, state: &ServerState) -> Result<Self, ErrorPage> {
        let visitor = CurrentUser::of(request.headers(), "/office", state).await?;
        let fields = Fields::from_request(request, state).await?;
        token_holds(&visitor, fields.maybe("token"))?;
        Ok(Self { visitor, fields })
    }
}

impl FromRequest<ServerState> for PostedFile {
    type Rejection = ErrorPage;

    async fn from_request(request: Request, state: &ServerState) -> Result<Self, ErrorPage> {
        own_site(request.headers())?;
        let visitor = CurrentUser::of(request.headers(), "/office", state).await?;
        let broken =
            |why: String| ApiError::unreadable(&format!("The file did not come whole ({why}). Nothing was taken in. Send it again"));
        let mut parts = Multipart::from_request(request, state).await.map_err(|e| broken(e.body_text()))?;
        let (mut token, mut file) = (None, Vec::new());
        while let Some(part) = parts.next_field().await.map_err(|e| broken(e.body_text()))? {
            match part.name() {
                Some("token") => token = Some(part.text().await.map_err(|e| broken(e.body_text()))?),
                Some("file") => file = part.bytes().await.map_err(|e| broken(e.body_text()))?.to_vec(),
                _ => {}
            }
        }
        token_holds(&visitor, token.as_deref())?;
        Ok(Self { visitor, file })
    }
}

impl Fields {
    /// A field that may be left empty; blanks around it do not count.
    pub(super) fn maybe(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(|text| text.trim()).filter(|text| !text.is_empty())
    }

    /// All of them, by name.
    pub(super) const fn all(&self) -> &BTreeMap<String, String> {
        &self.0
    }

    /// As it was typed: blanks around a passphrase are of it.
    pub(super) fn as_typed(&self, name: &str) -> String {
        self.0.get(name).cloned().unwrap_or_default()
    }

    /// A field that must be filled in.
    pub(super) fn text(&self, name: &str) -> Result<String, ApiError> {
        self.maybe(name).map(str::to_owned).ok_or_else(|| {
            let say = format!("The field \"{name}\" is empty, and it is needed. Nothing was changed. Fill it in and send it again.");
            ApiError::new(Code::BodyInvalid, say).of_field(name)
        })
    }

    /// A field that is not for people to type: an id, a choice of ours.
    pub(super) fn read<T: FromStr<Err: Display>>(&self, name: &str) -> Result<T, ApiError> {
        let text = self.text(name)?;
        text.parse().map_err(|error: T::Err| ApiError::unreadable(&format!("The field \"{name}\" cannot be read: {error}")).of_field(name))
    }

    /// As [`Self::read`], where it may be left empty.
    pub(super) fn read_maybe<T: FromStr<Err: Display>>(&self, name: &str) -> Result<Option<T>, ApiError> {
        if self.maybe(name).is_some() { self.read(name).map(Some) } else { Ok(None) }
    }
}

/// A form with the session's token in it, and the page that it stands on. One that was just refused has what was typed, and why.
pub(super) fn form(visitor: &CurrentUser, action: &str, inside: &Markup) -> Markup {
    let ours = html! { input type="hidden" name="token" value=(visitor.form_token()); };
    form_at(visitor.at(), visitor.sent(), action, &ours, inside)
}

/// A form that stands on a page; `ours` is what of it nobody types.
pub(super) fn form_at(at: &str, sent: Option<&Sent>, action: &str, ours: &Markup, inside: &Markup) -> Markup {
    let refused = sent.filter(|sent| sent.is(action, &inside.0)).and_then(|sent| Some((sent, sent.not_taken.as_ref()?)));
    let Some((sent, not_taken)) = refused else {
        return html! { form method="post" action=(action) { (ours) input type="hidden" name=(AT) value=(at); (inside) } };
    };
    let wrong = not_taken.field.as_deref();
    let label = wrong.and_then(|name| refilled::label(&inside.0, name));
    // The sentence names a field as the form sends it; people know it by its label.
    let sentence = match (wrong, &label) {
        (Some(name), Some(label)) => not_taken.sentence.replace(&format!("\"{name}\""), &format!("“{label}”")),
        _ => not_taken.sentence.clone(),
    };
    let typed = Typed { fields: &sent.fields, wrong }.put_back(&inside.0);
    html! {
        form method="post" action=(action) data-refused {
            (ours)
            input type="hidden" name=(AT) value=(at);
            p.refused id="refused" role="alert" tabindex="-1" { (sentence) }
            (PreEscaped(typed))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (HeaderName::from_static(name), value.parse().unwrap())).collect()
    }

    #[test]
    fn only_our_own_page_may_send_a_form() {
        let own = |pairs: &[(&'static str, &'static str)]| own_site(&headers(pairs)).is_ok();
        assert!(own(&[("sec-fetch-site", "same-origin")]));
        assert!(own(&[("origin", "https://book.example:7878"), ("host", "book.example:7878")]));
        for site in ["cross-site", "same-site", "none", "", "same-origin, cross-site"] {
            assert!(!own(&[("sec-fetch-site", site), ("origin", "https://book.example"), ("host", "book.example")]), "{site}");
        }
        for origin in ["https://other.example", "null", "", "book.example", "https://book.example:1", "https://book.example.other"] {
            assert!(!own(&[("origin", origin), ("host", "book.example")]), "{origin}");
        }
        assert!(!own(&[]));
        assert!(!own(&[("origin", "https://"), ("host", "")]));
    }

    #[test]
    fn fields_are_trimmed_and_an_empty_one_is_none() {
        let fields =
            Fields([("name", " Pia "), ("role", ""), ("passphrase", " with blanks ")].map(|(n, v)| (n.to_owned(), v.to_owned())).into());
        assert_eq!((fields.maybe("name"), fields.maybe("role"), fields.maybe("other")), (Some("Pia"), None, None));
        assert_eq!(fields.as_typed("passphrase"), " with blanks ");
        assert!(fields.text("role").is_err() && fields.read::<u32>("name").is_err());
        assert_eq!(fields.read_maybe::<u32>("role").unwrap(), None);
    }
}
