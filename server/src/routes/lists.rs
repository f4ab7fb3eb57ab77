//! Lists and single things of the book: people, devices, properties, engine cards, machines, histories, records.

use std::cmp::Reverse;

use axum::extract::rejection::PathRejection;
use axum::extract::{OriginalUri, Path, State};
use axum::response::Response;
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde::Serialize;
use shared::engine_card::EngineCard;
use shared::ids::{PropertyId, RecordId};
use sync_core::queries::{
    DeviceLine, HistoryLine, MachineLine, PersonLine, PropertyLine, PropertyView, RecordView, ServiceRecord, ShopStatus, find,
};
use utoipa::ToSchema;

use super::given::{self, Given};
use super::looking::Shown;
use super::page::{Page, PagingFind, PagingIn};
use crate::bearer::{Caller, OfficeOrLead, OpenMachine};
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// The shop in numbers
#[utoipa::path(
    get,
    path = "/v1/status",
    tag = "any device",
    responses((status = 200, description = "What the book holds.", body = ShopStatus)),
)]
pub(crate) async fn status(State(state): State<ServerState>, _: Caller) -> Result<Json<ShopStatus>, ApiError> {
    state.read(|book| book.reader().shop_status()).await.map(Json)
}

/// Everyone on the roster, by name
#[utoipa::path(
    get,
    path = "/v1/people",
    tag = "office and leads",
    params(PagingFind),
    responses((status = 200, description = "A page of people.", body = Page<PersonLine>)),
)]
pub(crate) async fn people(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    _: OfficeOrLead,
    Given(asked): Given<PagingFind>,
) -> Result<Response, ApiError> {
    let (paging, sought) = asked.parts();
    let people = state.read(|book| book.reader().people()).await?;
    paging.of(&uri, find(people, &sought), |line| (line.name.clone(), line.person))
}

/// Every device on the roster, by its person's name
#[utoipa::path(
    get,
    path = "/v1/devices",
    tag = "office and leads",
    params(PagingFind),
    responses((status = 200, description = "A page of devices.", body = Page<DeviceLine>)),
)]
pub(crate) async fn devices(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    _: OfficeOrLead,
    Given(asked): Given<PagingFind>,
) -> Result<Response, ApiError> {
    let (paging, sought) = asked.parts();
    let devices = state.read(|book| book.reader().devices()).await?;
    paging.of(&uri, find(devices, &sought), |line| (line.person_name.clone(), line.name.clone(), line.device))
}

/// The properties open to the caller, by name
#[utoipa::path(
    get,
    path = "/v1/properties",
    tag = "any device",
    params(PagingFind),
    responses((status = 200, description = "A page of properties.", body = Page<PropertyLine>)),
)]
pub(crate) async fn properties(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    caller: Caller,
    Given(asked): Given<PagingFind>,
) -> Result<Response, ApiError> {
    let (paging, sought) = asked.parts();
    let properties = state.read(move |book| book.read_by(caller.person).properties()).await?;
    paging.of(&uri, find(properties, &sought), |line| (line.name.clone(), line.property))
}

/// One property, with the machines there that are open to the caller
#[utoipa::path(
    get,
    path = "/v1/properties/{id}",
    tag = "any device",
    params(("id" = String, Path, format = Uuid, description = "The property.")),
    responses((status = 200, description = "The property.", body = PropertyView)),
)]
pub(crate) async fn property(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
) -> Result<Json<PropertyView>, ApiError> {
    let property: PropertyId = given::id(id?)?;
    state.read(move |book| book.read_by(caller.person).property(property)).await.map(Json)
}

/// Every engine card that stands, by name
#[utoipa::path(
    get,
    path = "/v1/engine-cards",
    tag = "any device",
    params(PagingFind),
    responses((status = 200, description = "A page of engine cards.", body = Page<EngineCard>)),
)]
pub(crate) async fn engine_cards(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    _: Caller,
    Given(asked): Given<PagingFind>,
) -> Result<Response, ApiError> {
    let (paging, sought) = asked.parts();
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    paging.of(&uri, find(cards, &sought), |card| (card.name.clone(), card.card))
}

/// The machines open to the caller, by tag
#[utoipa::path(
    get,
    path = "/v1/machines",
    tag = "any device",
    params(PagingFind),
    responses((status = 200, description = "A page of machines.", body = Page<MachineLine>)),
)]
pub(crate) async fn machines(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    caller: Caller,
    Given(asked): Given<PagingFind>,
) -> Result<Response, ApiError> {
    let (paging, sought) = asked.parts();
    let machines = state.read(move |book| book.read_by(caller.person).machines()).await?;
    paging.of(&uri, find(machines, &sought), |line| (line.tag.clone(), line.machine))
}

/// Every record of a machine, newest first
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/history",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), PagingIn),
    responses((status = 200, description = "A page of its history.", body = Page<HistoryLine>)),
)]
pub(crate) async fn history(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<PagingIn>,
) -> Result<Response, ApiError> {
    let (paging, unit) = asked.parts()?;
    let (before, most) = (paging.place::<Reverse<(i64, RecordId)>>()?.map(|Reverse(place)| place), paging.one_more()?);
    let lines = state.read(move |book| book.machines().history_before(machine, before, most, unit)).await?;
    paging.of(&uri, lines, |line| Reverse((line.at_ms, line.record)))
}

/// The service record of a visit, for the client
#[utoipa::path(
    get,
    path = "/v1/visits/{id}/service-record",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The record that opened the visit."), Shown),
    responses((status = 200, description = "The service record.", body = ServiceRecord)),
)]
pub(crate) async fn service_record(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Result<Json<ServiceRecord>, ApiError> {
    let (visit, unit): (RecordId, _) = (given::id(id?)?, given::unit(shown.unit.as_deref())?);
    let now = state.now();
    state.read(move |book| book.read_by(caller.person).service_record(visit, unit, &now)).await.map(Json)
}

/// A record with the bytes that its device signed.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SignedRecord {
    #[serde(flatten)]
    view: RecordView,
    /// The signed bytes, COSE_Sign1 (RFC 9052), in base64 (RFC 4648 section 4).
    #[schema(content_encoding = "base64", content_media_type = "application/cose")]
    signed: String,
}

/// One record, described, with its signed bytes
#[utoipa::path(
    get,
    path = "/v1/records/{id}",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The record."), Shown),
    responses((status = 200, description = "The record.", body = SignedRecord)),
)]
pub(crate) async fn record(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Result<Json<SignedRecord>, ApiError> {
    let (record, unit): (RecordId, _) = (given::id(id?)?, given::unit(shown.unit.as_deref())?);
    let view = state.read(move |book| book.read_by(caller.person).record(record, unit)).await?;
    Ok(Json(SignedRecord { signed: BASE64_STANDARD.encode(&view.bytes), view }))
}
