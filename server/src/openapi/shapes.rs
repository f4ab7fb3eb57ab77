//! Pieces of the document that several rules use: parameters, headers and answers.

use shared::problem::{Code, Problem};
use utoipa::openapi::header::Header;
use utoipa::openapi::path::{Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{ObjectBuilder, Type};
use utoipa::openapi::{Content, Ref, Required, Response, ResponseBuilder};

use crate::problem_response::status_of;

/// Media type of problem details.
const PROBLEM: &str = "application/problem+json";

pub(super) fn header_parameter(name: &str, description: &str) -> Parameter {
    let schema = ObjectBuilder::new().schema_type(Type::String);
    let parameter = ParameterBuilder::new().name(name).parameter_in(ParameterIn::Header).required(Required::False);
    parameter.schema(Some(schema)).description(Some(description)).build()
}

pub(super) fn header(description: &str) -> Header {
    let mut header = Header::new(ObjectBuilder::new().schema_type(Type::String));
    header.description = Some(description.to_owned());
    header
}

/// A refusal with the codes that it may have and one of them as an example.
pub(super) fn problem(status: u16, codes: &[Code], means: &str) -> Response {
    let names: Vec<String> = codes.iter().map(|code| format!("`{code}`")).collect();
    let description = if names.is_empty() { means.to_owned() } else { format!("{means} Code: {}.", names.join(" or ")) };
    let mut content = Content::new(Some(Ref::from_schema_name("Problem")));
    content.example = codes.first().and_then(|code| {
        let detail = format!("{}. Nothing was changed. {}", code.title(), next_step(*code));
        serde_json::to_value(Problem::new(*code, status, detail)).ok()
    });
    ResponseBuilder::new().description(description).content(PROBLEM, content).build()
}

const fn next_step(code: Code) -> &'static str {
    match code {
        Code::TokenInvalid => "Log in at /v1/token.",
        Code::TooMany => "Try again in 2 s.",
        Code::RoleMayNot | Code::DocumentClosed | Code::DeviceRevoked => "Ask the office.",
        Code::Internal | Code::DiskFull => "Try again; if it stays so, tell the office.",
        _ => "Look at what was sent.",
    }
}

/// Every code with its title and usual status, as a list in Markdown.
pub(super) fn every_code() -> String {
    let line = |code: &Code| format!("- `{code}` ({}): {}.", status_of(*code).as_u16(), code.title());
    Code::ALL.iter().map(line).collect::<Vec<_>>().join("\n")
}
