//! Paper for the client: the service record of a visit, or of a machine's season, as a PDF.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use shared::ids::RecordId;
use shared::length::LengthUnit;
use utoipa::IntoParams;

use super::given::{self, Given};
use crate::bearer::{Caller, OpenMachine};
use crate::pdf::{self, Paper};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// What is true when a page cannot be made.
pub(crate) const NOTHING_CHANGED: &str = "Nothing was changed, and no page was made.";

/// How a page is to be made.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Asked {
    /// The sheet: letter, or a4.
    #[param(value_type = Option<String>, pattern = "^(letter|a4)$")]
    paper: Option<String>,
    /// Unit of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// Which days, and how the pages are to be made.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct AskedOfDays {
    /// The first day, in the shop's zone.
    #[param(value_type = String, format = Date)]
    from: String,
    /// The last day.
    #[param(value_type = String, format = Date)]
    until: String,
    /// The sheet: letter, or a4.
    #[param(value_type = Option<String>, pattern = "^(letter|a4)$")]
    paper: Option<String>,
    /// Unit of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// The service record of a visit, as a PDF to hand to the client
///
/// One sheet, unless what was written fills more. Nothing internal is on it.
#[utoipa::path(
    get,
    path = "/v1/visits/{id}/service-record.pdf",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The record that opened the visit."), Asked),
    responses((status = 200, description = "The PDF.", body = Vec<u8>, content_type = "application/pdf")),
)]
pub(crate) async fn service_record(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
    Given(asked): Given<Asked>,
) -> Result<Response, ApiError> {
    let (visit, unit): (RecordId, _) = (given::id(id?)?, given::unit(asked.unit.as_deref())?);
    let paper = paper_of(asked.paper.as_deref())?;
    let now = state.now();
    let record = state.read(move |book| book.read_by(caller.person).service_record(visit, unit, &now)).await?;
    let name = file_name(&record.tag, &record.when);
    let pdf = state.work(NOTHING_CHANGED, move || pdf::service_record(&record, paper)).await?;
    Ok(sent(pdf, &name))
}

/// The service record of a machine over some days, as a PDF to hand to the client
///
/// Its finished visits, oldest first, on as many sheets as it takes.
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/season.pdf",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), AskedOfDays),
    responses((status = 200, description = "The PDF.", body = Vec<u8>, content_type = "application/pdf")),
)]
pub(crate) async fn season(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<AskedOfDays>,
) -> Result<Response, ApiError> {
    let (unit, paper) = (given::unit(asked.unit.as_deref())?, paper_of(asked.paper.as_deref())?);
    let (from, until) = (given::day(&asked.from)?, given::day(&asked.until)?);
    let now = state.now();
    let record = state.read(move |book| book.machines().season_record(machine, from, until, unit, &now)).await?;
    let name = file_name(&record.tag, &format!("{from} {until}"));
    let pdf = state.work(NOTHING_CHANGED, move || pdf::season_record(&record, paper)).await?;
    Ok(sent(pdf, &name))
}

pub(crate) fn paper_of(text: Option<&str>) -> Result<Paper, ApiError> {
    text.map_or(Ok(Paper::default()), given::read)
}

/// A file's name out of what people wrote: letters and figures that every file system takes, and dashes.
pub(crate) fn file_name(tag: &str, when: &str) -> String {
    let plain: String = format!("{tag} {when}").chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).take(60).collect();
    let words: Vec<&str> = plain.split('-').filter(|word| !word.is_empty()).collect();
    format!("service-record-{}.pdf", words.join("-"))
}

pub(crate) fn sent(pdf: Vec<u8>, name: &str) -> Response {
    let shown = HeaderValue::from_str(&format!("inline; filename=\"{name}\"")).unwrap_or(HeaderValue::from_static("inline"));
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/pdf")), (header::CONTENT_DISPOSITION, shown)], pdf).into_response()
}
