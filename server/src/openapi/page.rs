//! The OpenAPI document as one page for people: no script, no file from anywhere else, readable on a phone.
//!
//! Colours keep a contrast of at least 4.5:1 (WCAG 2.2, success criterion 1.4.3); the unit test reckons it.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use maud::{DOCTYPE, Markup, html};
use serde_json::Value;
use sha2::{Digest, Sha256};

/// The page, and what a browser may do with it.
pub(crate) struct Page {
    pub(crate) html: String,
    pub(crate) policy: String,
}

const STYLE: &str = include_str!("page.css");

pub(super) fn of(document: &Value) -> Page {
    let hash = BASE64_STANDARD.encode(Sha256::digest(STYLE));
    let policy = format!("default-src 'none'; style-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'");
    Page { html: whole(document).into_string(), policy }
}

fn text<'a>(value: &'a Value, name: &str) -> &'a str {
    value[name].as_str().unwrap_or_default()
}

fn entries(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flatten()
}

fn items(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

fn whole(document: &Value) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (text(&document["info"], "title")) " for programs" }
                style { (maud::PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#routes" { "To the routes" }
                main {
                    h1 { (text(&document["info"], "title")) " for programs" }
                    p { "OpenAPI " (text(document, "openapi")) ", version " (text(&document["info"], "version")) ". "
                        a href="/v1/openapi.json" { "The same as a document for programs" } "." }
                    @for part in text(&document["info"], "description").split("\n\n") { p { (words(part)) } }
                    nav #routes aria-label="Routes" {
                        h2 { "Routes" }
                        @for tag in items(&document["tags"]) {
                            h3 { (text(tag, "name")) }
                            ul { @for (path, method, operation) in of_tag(document, text(tag, "name")) {
                                li { a href={ "#" (text(operation, "operationId")) } { code { (method.to_uppercase()) " " (path) } } " " (text(operation, "summary")) }
                            } }
                        }
                    }
                    @for tag in items(&document["tags"]) {
                        section {
                            h2 { "For " (text(tag, "name")) }
                            p { (text(tag, "description")) }
                            @for (path, method, operation) in of_tag(document, text(tag, "name")) { (route(path, method, operation)) }
                        }
                    }
                    section { h2 { "Types" } @for (name, schema) in entries(&document["components"]["schemas"]) { (named_type(name, schema)) } }
                }
            }
        }
    }
}

fn of_tag<'a>(document: &'a Value, tag: &str) -> Vec<(&'a String, &'a String, &'a Value)> {
    let all = entries(&document["paths"]).flat_map(|(path, item)| entries(item).map(move |(method, operation)| (path, method, operation)));
    all.filter(|(_, _, operation)| operation["tags"][0] == tag).collect()
}

/// Markdown's code and strong marks as the page's own; nothing else of it is used.
fn words(markdown: &str) -> Markup {
    html! { @for (n, part) in markdown.split('`').enumerate() {
        @if n % 2 == 1 { code { (part) } } @else { @for (n, part) in part.split("**").enumerate() {
            @if n % 2 == 1 { strong { (part) } } @else { (part) }
        } }
    } }
}

fn paragraphs(markdown: &str) -> Markup {
    html! { @for part in markdown.split("\n\n").filter(|part| !part.is_empty()) {
        @if part.starts_with("- ") { ul { @for line in part.lines() { li { (words(line.trim_start_matches("- "))) } } } } @else { p { (words(part)) } }
    } }
}

fn route(path: &str, method: &str, operation: &Value) -> Markup {
    html! {
        article #(text(operation, "operationId")) {
            h3 { code { (method.to_uppercase()) " " (path) } }
            p { strong { (text(operation, "summary")) } }
            (paragraphs(text(operation, "description")))
            @if items(&operation["parameters"]).next().is_some() {
                h4 { "What may be given" }
                dl { @for parameter in items(&operation["parameters"]) {
                    dt { code { (text(parameter, "name")) } " (" (text(parameter, "in")) @if parameter["required"] == true { ", needed" } ", " (kind(&parameter["schema"])) ")" }
                    dd { (words(text(parameter, "description"))) }
                } }
            }
            @if let Some(body) = operation.get("requestBody") {
                h4 { "What is sent" }
                p { (words(text(body, "description"))) }
                (content(&body["content"]))
            }
            h4 { "What is answered" }
            dl { @for (status, response) in entries(&operation["responses"]) {
                dt { code { (status) } " " (words(text(response, "description"))) }
                dd {
                    @for (name, header) in entries(&response["headers"]) { p { "Header " code { (name) } ": " (words(text(header, "description"))) } }
                    @if status.starts_with('2') { (content(&response["content"])) }
                }
            } }
        }
    }
}

fn content(content: &Value) -> Markup {
    html! { @for (media, body) in entries(content) {
        p { code { (media) } @if body.get("schema").is_some() { ": " (kind(&body["schema"])) } }
        @if let Some(example) = body.get("example") { details { summary { "Example" } (pretty(example)) } }
    } }
}

fn pretty(example: &Value) -> Markup {
    html! { pre tabindex="0" { code { (serde_json::to_string_pretty(example).unwrap_or_default()) } } }
}

fn named_type(name: &str, schema: &Value) -> Markup {
    html! {
        article #{ "type-" (name) } {
            h3 { code { (name) } }
            (paragraphs(text(schema, "description")))
            @if let Some(names) = schema["enum"].as_array() { p { "One of " @for (n, one) in names.iter().enumerate() { @if n > 0 { ", " } code { (plain(one)) } } "." } }
            @for part in parts(schema) { (fields(part)) }
            @if schema.get("properties").is_none() && schema.get("enum").is_none() { p { (kind(schema)) } }
        }
    }
}

/// A schema and what it is put together of.
fn parts(schema: &Value) -> impl Iterator<Item = &Value> {
    std::iter::once(schema).chain(items(&schema["allOf"]))
}

fn fields(schema: &Value) -> Markup {
    let needed = |name: &str| items(&schema["required"]).any(|one| one == name);
    html! { @if schema.get("properties").is_some() { dl { @for (name, field) in entries(&schema["properties"]) {
        dt { code { (name) } " (" (kind(field)) @if !needed(name) { ", may be absent" } ")" }
        dd { (words(text(field, "description"))) }
    } } } }
}

fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

/// A schema in a few words, with links to named ones.
fn kind(schema: &Value) -> Markup {
    if let Some(name) = schema["$ref"].as_str().and_then(|path| path.rsplit('/').next()) {
        return html! { a href={ "#type-" (name) } { (name) } };
    }
    for (word, joint) in [("oneOf", " or "), ("anyOf", " or "), ("allOf", " and ")] {
        if let Some(all) = schema[word].as_array() {
            return html! { @for (n, one) in all.iter().enumerate() { @if n > 0 { (joint) } (kind(one)) } };
        }
    }
    let types: Vec<String> = match &schema["type"] {
        Value::Array(all) => all.iter().map(plain).collect(),
        Value::Null => vec!["anything".to_owned()],
        one => vec![plain(one)],
    };
    html! {
        @if schema["type"] == "array" { "list of " (kind(&schema["items"])) } @else { (types.join(" or ")) }
        @if let Some(format) = schema["format"].as_str() { " (" (format) ")" }
        @if let Some(names) = schema["enum"].as_array() { ": " @for (n, one) in names.iter().enumerate() { @if n > 0 { ", " } code { (plain(one)) } } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn light(hex: &str) -> f64 {
        let channel = |at: usize| {
            let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    /// Relative luminance and contrast ratio as WCAG 2.2 defines them (from memory); black on white is 21:1 by its definition.
    fn contrast(one: &str, other: &str) -> f64 {
        let (a, b) = (light(one), light(other));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn every_pair_of_colours_of_the_page_can_be_read() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        let pair = |rule: &str, name: &str| {
            let rule = STYLE.split(rule).nth(1).unwrap().split('}').next().unwrap();
            let value = rule.split(';').find_map(|line| line.trim().trim_start_matches('{').trim().strip_prefix(name)).unwrap();
            value.trim_start_matches(':').trim().to_owned()
        };
        let ground = pair("body ", "background");
        for (text, ground) in [
            (pair("body ", "color"), ground.clone()),
            (pair("a ", "color"), ground),
            (pair("pre ", "color"), pair("pre ", "background")),
            (pair(".skip:focus ", "color"), pair(".skip:focus ", "background")),
        ] {
            assert!(contrast(&text, &ground) >= 4.5, "{text} on {ground}: {}", contrast(&text, &ground));
        }
    }

    #[test]
    fn what_the_document_says_cannot_become_markup() {
        let document = serde_json::json!({ "info": { "title": "<b>", "description": "`a` **b** <script>" }, "tags": [], "paths": {} });
        let page = of(&document).html;
        assert!(page.contains("&lt;script&gt;") && !page.contains("<script"), "{page}");
        assert!(page.contains("<code>a</code> <strong>b</strong>"), "{page}");
    }
}
