//! A browser as the pages meet one: it holds a cookie, sends forms from our own page, and reads what is on the page.

use axum::body::Body;
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use shared::wire::{CodeIssued, CodeRequest};

use crate::slips;
use crate::support::{Device, World};

pub(crate) const PASSPHRASE: &str = "four plain words do";

/// A browser.
#[derive(Default)]
pub(crate) struct Browser {
    pub(crate) cookie: String,
    /// The token of the forms that it has seen.
    pub(crate) token: String,
}

/// A page that came.
#[derive(Debug)]
pub(crate) struct Seen {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) html: String,
}

impl Seen {
    /// Where it sends the browser.
    pub(crate) fn to(&self) -> &str {
        assert_eq!(self.status, StatusCode::SEE_OTHER, "{}", self.html);
        self.headers[header::LOCATION].to_str().unwrap()
    }

    /// The words of the page's main part, one line each, with ids blotted out.
    pub(crate) fn words(&self) -> String {
        let main = self.html.split_once("<main").and_then(|(_, rest)| rest.split_once('>')).map_or("", |(_, main)| main);
        let main = main.split("</main>").next().unwrap();
        let mut words = String::new();
        for piece in main.split('<') {
            let (tag, text) = piece.split_once('>').unwrap_or(("", piece));
            let block =
                ["p", "h1", "h2", "h3", "li", "td", "th", "dt", "dd", "tr", "caption", "button", "summary", "label", "small", "option"];
            let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap();
            words.push_str(if block.contains(&name) { "\n" } else { "" });
            words.push_str(text);
        }
        let lines = words.lines().map(str::trim).filter(|line| !line.is_empty());
        lines
            .map(blotted)
            .collect::<Vec<_>>()
            .join("\n")
            .replace("&quot;", "\"")
            .replace("&amp;", "&")
            .replace("&lt;", "<")
            .replace("&gt;", ">")
    }

    /// The value of a field of the first form that has it, among forms for an address.
    pub(crate) fn value_in(&self, action: &str, name: &str) -> String {
        let form = self.html.split(&format!("action=\"{action}\"")).nth(1).unwrap_or_else(|| panic!("no form {action}: {}", self.html));
        let form = form.split("</form>").next().unwrap();
        let field = form.split(&format!("name=\"{name}\" value=\"")).nth(1).unwrap_or_else(|| panic!("no field {name}: {form}"));
        field.split('"').next().unwrap().to_owned()
    }

    /// An address on the page that begins so.
    pub(crate) fn link(&self, begins: &str) -> String {
        let rest = self.html.split(&format!("href=\"{begins}")).nth(1).unwrap_or_else(|| panic!("no link {begins}: {}", self.html));
        format!("{begins}{}", rest.split('"').next().unwrap()).replace("&amp;", "&")
    }
}

/// A line with every run of eight or more hexadecimal digits blotted out: ids differ from run to run.
fn blotted(line: &str) -> String {
    let mut out = String::new();
    let mut run = String::new();
    for letter in line.chars().chain(['\n']) {
        if letter.is_ascii_digit() || ('a'..='f').contains(&letter) || (letter == '-' && run.len() >= 8) {
            run.push(letter);
            continue;
        }
        out.push_str(if run.len() >= 8 && !run.starts_with("202") { "ID" } else { &run });
        run.clear();
        out.push(letter);
    }
    out.trim_end().to_owned()
}

/// Fields as a form sends them.
pub(crate) fn encoded(fields: &[(&str, &str)]) -> String {
    let escape = |text: &str| -> String {
        text.bytes().map(|b| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
    };
    fields.iter().map(|(name, value)| format!("{}={}", escape(name), escape(value))).collect::<Vec<_>>().join("&")
}

impl Browser {
    /// A request of this browser.
    pub(crate) fn asks(&self, method: Method, path: &str) -> axum::http::request::Builder {
        let request = Request::builder().method(method).uri(path).header(header::HOST, "book.example");
        if self.cookie.is_empty() { request } else { request.header(header::COOKIE, &self.cookie) }
    }

    pub(crate) async fn send(&mut self, world: &World, request: Request<Body>) -> Seen {
        let answer = world.send(request).await;
        let seen = Seen { status: answer.status, headers: answer.headers, html: String::from_utf8(answer.body).unwrap() };
        // Whatever page is shown in any test: one thing is one.
        let main = seen.html.split("<main").nth(1).unwrap_or_default();
        assert_eq!(slips::slips(&slips::text_of(main)), Vec::<String>::new(), "{}", seen.words());
        if let Some(cookie) = seen.headers.get(header::SET_COOKIE) {
            self.cookie = cookie.to_str().unwrap().split(';').next().unwrap().to_owned();
        }
        if let Some((_, rest)) = seen.html.split_once("name=\"token\" value=\"") {
            self.token = rest.split('"').next().unwrap().to_owned();
        }
        seen
    }

    pub(crate) async fn get(&mut self, world: &World, path: &str) -> Seen {
        self.send(world, self.asks(Method::GET, path).body(Body::empty()).unwrap()).await
    }

    /// A page that must be there.
    #[track_caller]
    pub(crate) fn page<'a>(&'a mut self, world: &'a World, path: &'a str) -> impl Future<Output = Seen> + 'a {
        let at = std::panic::Location::caller();
        async move {
            let seen = self.get(world, path).await;
            assert_eq!(seen.status, StatusCode::OK, "{path} ({at}): {}", seen.html);
            seen
        }
    }

    /// Sends a form from our own page, with the token that was on it.
    pub(crate) async fn post(&mut self, world: &World, path: &str, fields: &[(&str, &str)]) -> Seen {
        let token = self.token.clone();
        let all: Vec<(&str, &str)> = [("token", token.as_str())].into_iter().chain(fields.iter().copied()).collect();
        let form = self.form(path, "same-origin", &all);
        self.send(world, form).await
    }

    /// A form that comes from a site.
    pub(crate) fn form(&self, path: &str, site: &str, fields: &[(&str, &str)]) -> Request<Body> {
        let request = self.asks(Method::POST, path).header("sec-fetch-site", site);
        request.header(header::CONTENT_TYPE, "application/x-www-form-urlencoded").body(Body::from(encoded(fields))).unwrap()
    }

    /// Signs in where a passphrase is set already.
    pub(crate) async fn sign_in(&mut self, world: &World, name: &str, passphrase: &str) -> Seen {
        self.post(world, "/office/sign-in", &[("name", name), ("passphrase", passphrase)]).await
    }

    /// A browser of a person of the shop, who sets a passphrase with a one-time code and is signed in.
    pub(crate) async fn of(world: &World, office: &Device, person: &Device) -> Self {
        let mut browser = Self::default();
        let code = code_for(world, office, person).await;
        let seen = browser.post(world, "/office/first", &[("code", &code), ("passphrase", PASSPHRASE), ("again", PASSPHRASE)]).await;
        assert_eq!(seen.to(), "/office");
        browser.page(world, "/office").await;
        browser
    }
}

/// A one-time code for a person.
pub(crate) async fn code_for(world: &World, office: &Device, person: &Device) -> String {
    let issued = world.post_json("/v1/codes", &office.token, &CodeRequest { person: person.person() }).await;
    issued.json::<CodeIssued>().code
}
