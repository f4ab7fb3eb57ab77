//! The API's own description: the OpenAPI document, and the same as a page for people.

use axum::http::{HeaderName, HeaderValue, header};
use axum::response::{Html, IntoResponse, Response};

use crate::json::Json;
use crate::openapi;

/// This document
#[utoipa::path(
    get,
    path = "/v1/openapi.json",
    tag = "anyone",
    responses((status = 200, description = "The OpenAPI 3.1 document.", body = serde_json::Value)),
)]
pub(crate) async fn document() -> Json<&'static serde_json::Value> {
    Json(openapi::document())
}

/// This document as a page
///
/// It needs no script and nothing from another host.
#[utoipa::path(
    get,
    path = "/docs",
    tag = "anyone",
    responses((status = 200, description = "The page.", body = String, content_type = "text/html")),
)]
pub(crate) async fn page() -> Response {
    let page = openapi::page();
    let mut response = Html(page.html.as_str()).into_response();
    let headers = response.headers_mut();
    if let Ok(policy) = HeaderValue::from_str(&page.policy) {
        headers.insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    headers.insert(HeaderName::from_static("x-content-type-options"), HeaderValue::from_static("nosniff"));
    response
}
