//! What every route has by who may call it and by what surrounds it: the token, refusals, tags of versions, keys of writes.

use shared::problem::Code;
use utoipa::openapi::path::{Operation, Parameter, ParameterIn, PathItem};
use utoipa::openapi::schema::Schema;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{Components, OpenApi, RefOr};

use super::shapes::{every_code, header, header_parameter, problem};

/// The name of the security scheme.
const TOKEN: &str = "token";
/// Routes that ask nothing of the book and are made of what the program itself knows.
const OF_THE_PROGRAM: [&str; 3] = ["/health", "/v1/openapi.json", "/docs"];
/// Routes of anyone that a token of another kind opens.
const WITH_A_SECRET: [&str; 1] = ["/v1/due.ics"];

/// Completes the document.
pub(super) fn complete(mut doc: OpenApi) -> OpenApi {
    let components = doc.components.get_or_insert_with(Components::new);
    let bearer = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("JWT")
        .description(Some("The access token of /v1/token. It holds 15 minutes, and not beyond the device's revocation."));
    components.add_security_scheme(TOKEN, SecurityScheme::Http(bearer.build()));
    if let Some(RefOr::T(Schema::Object(code))) = components.schemas.get_mut("Code") {
        code.description =
            Some(format!("Why something was refused. The names are a promise; the status is the usual one.\n\n{}", every_code()));
    }
    for (path, item) in &mut doc.paths.paths {
        for (method, operation) in operations(item) {
            Route { path, method }.complete(operation);
        }
    }
    doc
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = (&'static str, &mut Operation)> {
    let all = [("get", item.get.as_mut()), ("post", item.post.as_mut()), ("put", item.put.as_mut())];
    all.into_iter().filter_map(|(method, operation)| operation.map(|operation| (method, operation)))
}

/// The route whose operation is completed.
struct Route<'a> {
    path: &'a str,
    method: &'static str,
}

impl Route<'_> {
    fn complete(&self, operation: &mut Operation) {
        operation.operation_id = Some(self.id());
        let tag = operation.tags.iter().flatten().next().cloned().unwrap_or_default();
        let secured = tag != "anyone";
        if secured {
            let mut security = vec![SecurityRequirement::new::<_, [&str; 0], &str>(TOKEN, [])];
            if self.path == "/metrics" {
                // Without one, from the server's own computer.
                security.push(SecurityRequirement::default());
            }
            operation.security = Some(security);
        }
        let asks_the_book = !OF_THE_PROGRAM.contains(&self.path);
        if asks_the_book {
            self.of_the_book(operation);
        }
        if secured || WITH_A_SECRET.contains(&self.path) || self.path == "/v1/token" {
            let codes = [Code::TokenInvalid, Code::DeviceUnknown, Code::DeviceRevoked];
            let codes = if self.path == "/v1/token" { [&codes[..], &[Code::ClockWrong]].concat() } else { codes.to_vec() };
            let mut response = problem(401, &codes, "No token that holds, or a device that is not trusted (any more).");
            response.headers.insert("www-authenticate".to_owned(), RefOr::T(header("Bearer.")));
            set(operation, "401", response);
        }
        if tag.starts_with("office") || self.path == "/v1/calendar-feed" {
            set(operation, "403", problem(403, &[Code::RoleMayNot], "It is for another role."));
        }
        self.given(operation);
        if self.method == "post" {
            self.written(operation, &tag);
        } else if self.method == "put" {
            sent(operation);
        } else if self.path.starts_with("/v1/") {
            looked_at(operation);
        }
    }

    /// A name of its own: the method and the words of the path.
    fn id(&self) -> String {
        let words = self.path.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty() && *word != "v1");
        std::iter::once(self.method).chain(words).collect::<Vec<_>>().join("_")
    }

    fn of_the_book(&self, operation: &mut Operation) {
        set(
            operation,
            "408",
            problem(408, &[Code::Internal], "It took longer than 30 s and was given up; it may have been done all the same."),
        );
        set(
            operation,
            "500",
            problem(500, &[Code::Internal, Code::Defect, Code::BookDamaged, Code::BookFailed], "Something broke at the shop."),
        );
        set(
            operation,
            "503",
            problem(503, &[Code::Internal, Code::BookInUse, Code::BookUnwritable], "The shop's book cannot be reached or written for now."),
        );
        set(operation, "507", problem(507, &[Code::DiskFull], "The shop's disk is full (RFC 4918 section 11.5)."));
        let mut busy = problem(429, &[Code::TooMany], "Too many requests at once.");
        busy.headers.insert("retry-after".to_owned(), RefOr::T(header("Seconds to wait.")));
        set(operation, "429", busy);
        if self.path.contains("/reckon/") || REASONED.iter().any(|end| self.path.ends_with(end)) {
            set(operation, "422", problem(422, &[Code::NoAnswer], "The arithmetic has no answer to this, and says why."));
        }
    }

    /// What the question may be refused for.
    fn given(&self, operation: &mut Operation) {
        let places: Vec<&ParameterIn> = parameters(operation.parameters.as_deref()).map(|p| &p.parameter_in).collect();
        let (query, path) = (places.contains(&&ParameterIn::Query), places.contains(&&ParameterIn::Path));
        if query {
            set(operation, "400", problem(400, &[Code::Unreadable], "The question cannot be read, or has a name that is not known."));
        }
        if path {
            let closed = self.path.contains("/machines/") || self.path.contains("/photos/");
            let codes: &[Code] = if closed { &[Code::DocumentClosed, Code::NotFound] } else { &[Code::NotFound] };
            set(operation, "404", problem(404, codes, "There is none, or it is not open to this device: which of the two is not said."));
        }
    }

    fn written(&self, operation: &mut Operation, tag: &str) {
        let body = operation.request_body.is_some();
        if body {
            let codes: &[Code] = match self.path {
                "/v1/enrol" => &[Code::Unreadable, Code::BodyInvalid],
                "/v1/exchange" => &[Code::Unreadable, Code::VersionUnknown],
                _ => &[Code::Unreadable],
            };
            set(operation, "400", problem(400, codes, "The body is not of the agreed form."));
            set(operation, "415", problem(415, &[Code::Unreadable], "The body is of another media type or encoding."));
        }
        let keyed = tag == "office";
        if body || keyed {
            set(operation, "413", problem(413, &[Code::TooLarge], "The body is larger than agreed."));
        }
        if self.path == "/v1/enrol" {
            set(operation, "403", problem(403, &[Code::CodeInvalid], "The one-time code is unknown, used or expired."));
            set(operation, "409", problem(409, &[Code::IdTaken], "The device's id or keys are taken."));
        }
        if self.path == "/v1/codes" {
            set(operation, "404", problem(404, &[Code::NotFound], "There is no such person."));
        }
        if keyed {
            let say =
                "A text of 1 to 255 characters, best a fresh random one. The same key with the same request gets the first answer again.";
            operation.parameters.get_or_insert_default().push(RefOr::T(header_parameter("idempotency-key", say)));
            set(operation, "400", problem(400, &[Code::Unreadable], "The body or the Idempotency-Key is not of the agreed form."));
            let busy: &[Code] = if self.path == "/v1/backups" { &[Code::KeyReused, Code::IdTaken] } else { &[Code::KeyReused] };
            set(
                operation,
                "409",
                problem(409, busy, "The first request with this key is still under way, or the like was done this very second."),
            );
            set(operation, "422", problem(422, &[Code::KeyReused], "The key was used for another request."));
        }
    }
}

/// Ends of the paths whose answers are reckoned.
const REASONED: [&str; 11] =
    ["/sure", "/leaves", "/turn", "/warm", "/meter", "/usage", "/{id}/due", "/drift", "/carry", "/agreement", "/round"];

/// What the sending of a picture may be refused for.
fn sent(operation: &mut Operation) {
    set(operation, "400", problem(400, &[Code::BodyInvalid], "The bytes are not those whose hash the address names."));
    set(operation, "413", problem(413, &[Code::TooLarge], "The picture is larger than agreed."));
    set(operation, "415", problem(415, &[Code::Unreadable], "The bytes are no JPEG, PNG or WebP file."));
}

/// What a GET under /v1 has besides.
fn looked_at(operation: &mut Operation) {
    let etag = "A strong tag of the answer's content (RFC 9110 section 8.8.3).";
    if let Some(RefOr::T(response)) = operation.responses.responses.get_mut("200") {
        if response.content.contains_key("text/event-stream") {
            return;
        }
        response.headers.insert("etag".to_owned(), RefOr::T(header(etag)));
        let paged = parameters(operation.parameters.as_deref()).any(|p| p.name == "after" && p.parameter_in == ParameterIn::Query);
        if paged && parameters(operation.parameters.as_deref()).any(|p| p.name == "limit") {
            response
                .headers
                .insert("link".to_owned(), RefOr::T(header("The address of the next page, rel=next (RFC 8288); absent on the last.")));
        }
    }
    let mut same = utoipa::openapi::Response::new("What the caller has already is still so.");
    same.headers.insert("etag".to_owned(), RefOr::T(header(etag)));
    set(operation, "304", same);
    let say = "Tags of answers that the caller has: 304 where one of them is still so.";
    operation.parameters.get_or_insert_default().push(RefOr::T(header_parameter("if-none-match", say)));
}

/// The parameters of an operation: each is described in full where it is.
fn parameters(given: Option<&[RefOr<Parameter>]>) -> impl Iterator<Item = &Parameter> {
    given.into_iter().flatten().filter_map(|one| if let RefOr::T(parameter) = one { Some(parameter) } else { None })
}

/// Sets an answer that the route has not described itself.
fn set(operation: &mut Operation, status: &str, response: utoipa::openapi::Response) {
    operation.responses.responses.entry(status.to_owned()).or_insert(RefOr::T(response));
}
