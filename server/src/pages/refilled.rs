//! A form with what was typed into it put back: for one that was refused, and stands on its page again.
//!
//! It reads what our own pages write, and nothing else: every attribute in double quotes, `&`, `<`, `>` and `"` escaped inside.

use std::collections::BTreeMap;

/// What is put back into a form.
pub(super) struct Typed<'a> {
    /// What was typed, by field.
    pub(super) fields: &'a BTreeMap<String, String>,
    /// The field that is wrong, where it is known.
    pub(super) wrong: Option<&'a str>,
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn unescaped(text: &str) -> String {
    text.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}

/// The value of an attribute of a tag, as it is written.
pub(super) fn attribute<'t>(tag: &'t str, name: &str) -> Option<&'t str> {
    let rest = tag.split(&format!(" {name}=\"")).nth(1)?;
    rest.split('"').next()
}

/// A tag with an attribute that has another value, or one that it had not.
fn with(tag: &str, name: &str, value: &str) -> String {
    let value = escaped(value);
    match tag.split_once(&format!(" {name}=\"")) {
        Some((before, rest)) => {
            let after = rest.split_once('"').map_or("", |(_, after)| after);
            format!("{before} {name}=\"{value}\"{after}")
        }
        None => format!("{} {name}=\"{value}\">", tag.trim_end_matches('>')),
    }
}

/// The pieces of a form: each tag, and the text that follows it.
fn pieces(html: &str) -> impl Iterator<Item = (&str, &str)> {
    html.split('<').enumerate().map(|(n, piece)| if n == 0 { ("", piece) } else { piece.split_once('>').unwrap_or((piece, "")) })
}

/// The hidden fields of a form, by name: what makes it this form and no other.
pub(super) fn hidden(html: &str) -> BTreeMap<String, String> {
    let of = |tag: &str| {
        let is = tag.starts_with("input ") && attribute(tag, "type") == Some("hidden");
        is.then(|| Some((attribute(tag, "name")?.to_owned(), unescaped(attribute(tag, "value").unwrap_or_default())))).flatten()
    };
    pieces(html).filter_map(|(tag, _)| of(tag)).collect()
}

/// The names of what a browser always sends of a form: every field but those that may be left out.
pub(super) fn always_sent(html: &str) -> impl Iterator<Item = &str> {
    let of =
        |tag: &'_ str| matches!(tag.split(' ').next(), Some("input" | "textarea" | "select")) && attribute(tag, "type") != Some("checkbox");
    pieces(html).filter(move |(tag, _)| of(tag)).filter_map(|(tag, _)| attribute(tag, "name"))
}

/// The label of a field, as people read it.
pub(super) fn label(html: &str, name: &str) -> Option<String> {
    let before = html.split(&format!("name=\"{name}\"")).next().filter(|before| before.len() < html.len())?;
    let label = before.rsplit("<label class=\"field\"><span>").next().filter(|label| label.len() < before.len())?;
    label.split('<').next().map(str::to_owned)
}

impl Typed<'_> {
    /// The form's inside with what was typed. What is hidden stays as the page has it; a passphrase and a file are never put back.
    pub(super) fn put_back(&self, html: &str) -> String {
        let mut out = String::with_capacity(html.len() + 256);
        let mut chosen: Option<&String> = None;
        for (tag, text) in pieces(html) {
            if tag.is_empty() {
                out.push_str(text);
                continue;
            }
            let element = tag.split(' ').next().unwrap_or_default();
            let field = attribute(tag, "name").and_then(|name| self.fields.get(name));
            let is_wrong = attribute(tag, "name").is_some_and(|name| Some(name) == self.wrong);
            let mut tag = format!("<{tag}>");
            let mut text = text.to_owned();
            match element {
                "input" => match attribute(&tag, "type") {
                    Some("hidden" | "password" | "file") => {}
                    Some("checkbox") => {
                        tag = tag.replace(" checked", "");
                        if field.is_some() {
                            tag = format!("{} checked>", tag.trim_end_matches('>'));
                        }
                    }
                    _ => tag = field.map_or(tag.clone(), |typed| with(&tag, "value", typed)),
                },
                "textarea" => text = field.map_or(text, |typed| escaped(typed)),
                "select" => chosen = field,
                "/select" => chosen = None,
                "option" => {
                    if let Some(chosen) = chosen {
                        tag = tag.replace(" selected", "");
                        if attribute(&tag, "value") == Some(escaped(chosen).as_str()) {
                            tag = format!("{} selected>", tag.trim_end_matches('>'));
                        }
                    }
                }
                _ => {}
            }
            if is_wrong && matches!(element, "input" | "textarea" | "select") {
                tag = with(&with(&tag, "aria-invalid", "true"), "aria-describedby", "refused");
            }
            out.push_str(&tag);
            out.push_str(&text);
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_typed_is_put_back_and_nothing_else() {
        let page = "<input type=\"hidden\" name=\"how\" value=\"in\"><input type=\"hidden\" name=\"to\" value=\"a?b&amp;c\"><label class=\"field\"><span>Name</span><small>as said</small>\
                    <input name=\"name\" required maxlength=\"9\" value=\"old\"></label><input name=\"new\"><input type=\"password\" name=\"secret\">\
                    <textarea name=\"text\" rows=\"2\">before</textarea><select name=\"role\"><option value=\"a\" selected>A</option>\
                    <option value=\"b&amp;\">B</option></select><input type=\"checkbox\" name=\"yes\" checked><button>Go</button>";
        let fields = [("how", "out"), ("name", "\"<x>\" & y"), ("new", "1"), ("secret", "s"), ("text", "</textarea><b>"), ("role", "b&")];
        let fields = fields.map(|(name, text)| (name.to_owned(), text.to_owned())).into();
        let typed = Typed { fields: &fields, wrong: Some("name") }.put_back(page);
        let wanted = "<input type=\"hidden\" name=\"how\" value=\"in\"><input type=\"hidden\" name=\"to\" value=\"a?b&amp;c\"><label class=\"field\"><span>Name</span><small>as said</small>\
                      <input name=\"name\" required maxlength=\"9\" value=\"&quot;&lt;x&gt;&quot; &amp; y\" aria-invalid=\"true\" aria-describedby=\"refused\"></label>\
                      <input name=\"new\" value=\"1\"><input type=\"password\" name=\"secret\">\
                      <textarea name=\"text\" rows=\"2\">&lt;/textarea&gt;&lt;b&gt;</textarea><select name=\"role\"><option value=\"a\">A</option>\
                      <option value=\"b&amp;\" selected>B</option></select><input type=\"checkbox\" name=\"yes\"><button>Go</button>";
        assert_eq!(typed, wanted);
        assert_eq!(hidden(page), [("how", "in"), ("to", "a?b&c")].map(|(name, text)| (name.to_owned(), text.to_owned())).into());
        assert_eq!((label(page, "name").as_deref(), label(page, "none")), (Some("Name"), None));
        // Nothing typed, nothing changed but the mark that was not set.
        assert_eq!(Typed { fields: &BTreeMap::new(), wrong: None }.put_back(page), page.replace(" checked", ""));
    }
}
