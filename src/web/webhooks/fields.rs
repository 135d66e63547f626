//! What a call says, whatever form it has: query, form or JSON.

use std::collections::BTreeMap;

use axum::http::{HeaderMap, header};
use encoding_rs::{Encoding, UTF_8, UTF_16BE};
use percent_encoding::percent_decode;

/// Named values of one call. Those in the body win over those in the address.
pub struct Fields {
    /// As the bytes they are: a gateway may write one of them in another character set than the rest.
    named: BTreeMap<String, Vec<u8>>,
    json: Option<serde_json::Value>,
}

impl Fields {
    /// # Errors
    /// In words, when the body is not what it says it is.
    pub fn of(query: &str, headers: &HeaderMap, body: &[u8]) -> Result<Self, String> {
        let mut named: BTreeMap<String, Vec<u8>> = pairs(query.as_bytes()).collect();
        let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
        let mut json = None;
        if kind.starts_with("application/json") || kind.split(';').next().is_some_and(|kind| kind.ends_with("+json")) {
            json = Some(serde_json::from_slice(body).map_err(|why| format!("the body is not JSON: {why}"))?);
        } else if !body.is_empty() {
            named.extend(pairs(body));
        }
        Ok(Self { named, json })
    }

    /// A value by its name, or in JSON by its pointer (RFC 6901), such as `/data/from`.
    pub fn get(&self, name: &str) -> Option<String> {
        self.get_in(name, UTF_8)
    }

    /// A value whose character set stands in another field. What can be read as UTF-8 is, whatever that field says: some
    /// gateways name the set in which the text came and hand it on in UTF-8, and a STOP must be understood either way.
    pub fn get_said_in(&self, name: &str, charset: &str) -> Option<String> {
        let is_utf8 = |bytes: &Vec<u8>| !bytes.contains(&0) && std::str::from_utf8(bytes).is_ok();
        if self.named.get(name).is_some_and(is_utf8) {
            return self.get(name);
        }
        self.get_in(name, self.get(charset).and_then(|label| of_label(&label)).unwrap_or(UTF_8))
    }

    fn get_in(&self, name: &str, charset: &'static Encoding) -> Option<String> {
        let inside =
            self.json.as_ref().and_then(|json| if name.starts_with('/') { json.pointer(name) } else { json.get(name) });
        match inside {
            Some(serde_json::Value::String(text)) => Some(text.clone()),
            Some(serde_json::Value::Number(number)) => Some(number.to_string()),
            _ => self.named.get(name).map(|bytes| charset.decode(bytes).0.into_owned()),
        }
    }
}

/// Names and values of a form or query, as bytes.
fn pairs(form: &[u8]) -> impl Iterator<Item = (String, Vec<u8>)> {
    form.split(|byte| *byte == b'&').filter(|pair| !pair.is_empty()).map(|pair| {
        let end = pair.iter().position(|byte| *byte == b'=').unwrap_or(pair.len());
        let name = String::from_utf8_lossy(&decoded(&pair[..end])).into_owned();
        (name, decoded(pair.get(end + 1..).unwrap_or_default()))
    })
}

fn decoded(text: &[u8]) -> Vec<u8> {
    let blanks: Vec<u8> = text.iter().map(|byte| if *byte == b'+' { b' ' } else { *byte }).collect();
    percent_decode(&blanks).collect()
}

/// In texts from phones two bytes a letter means the higher one first (3GPP TS 23.038 section 4); on the web the same names
/// mean the other order.
fn of_label(label: &str) -> Option<&'static Encoding> {
    match label.trim().to_ascii_lowercase().as_str() {
        "utf-16" | "utf16" | "ucs-2" | "ucs2" | "ucs-2be" | "utf16be" | "iso-10646-ucs-2" => Some(UTF_16BE),
        other => Encoding::for_label(other.as_bytes()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(query: &str, kind: &str, body: &str) -> Result<Fields, String> {
        let mut headers = HeaderMap::new();
        headers.insert(header::CONTENT_TYPE, kind.parse().expect("a header value"));
        Fields::of(query, &headers, body.as_bytes())
    }

    #[test]
    fn a_value_is_found_in_query_form_and_json() {
        let form = fields("from=a&x=1", "application/x-www-form-urlencoded", "from=%2B1505&text=S%C3%AD+por+favor");
        let form = form.expect("a form");
        assert_eq!(form.get("from").as_deref(), Some("+1505"));
        assert_eq!(form.get("text").as_deref(), Some("Sí por favor"));
        assert_eq!(form.get("x").as_deref(), Some("1"));
        let json = fields("", "application/json; charset=utf-8", r#"{"data":{"from":"+1505","n":7},"id":"m"}"#);
        let json = json.expect("JSON");
        assert_eq!(json.get("/data/from").as_deref(), Some("+1505"));
        assert_eq!(json.get("/data/n").as_deref(), Some("7"));
        assert_eq!((json.get("id").as_deref(), json.get("/data")), (Some("m"), None));
        assert!(fields("", "application/json", "{").is_err());
    }

    // What the gateways say that pass a text on as the network brought it, without making UTF-8 of it.
    #[test]
    fn a_text_is_read_in_the_character_set_that_the_call_names() {
        for (charset, text, wanted) in [
            ("UTF-8", "%C2%A1Alto!", "¡Alto!"),
            ("UTF-16BE", "%00%A1%00A%00l%00t%00o%00+%D8%3C%DF2", "¡Alto 🌲"),
            ("ucs-2", "%00S%00T%00O%00P", "STOP"),
            ("ISO-8859-1", "s%ED", "sí"),
            ("windows-1252", "%80+s%ED", "€ sí"),
            ("UTF-16BE", "STOP", "STOP"),
            ("ISO-8859-1", "s%C3%AD", "sí"),
            ("klingon", "s%C3%AD", "sí"),
            ("", "s%C3%AD", "sí"),
        ] {
            let read =
                fields(&format!("text={text}&charset={charset}&from=%2B1505"), "text/plain", "").expect("a call");
            assert_eq!(read.get_said_in("text", "charset").as_deref(), Some(wanted), "{charset}");
            assert_eq!(read.get("from").as_deref(), Some("+1505"));
        }
        let read = fields("text=s%C3%AD+%zz&&x&=y", "text/plain", "").expect("a call");
        assert_eq!(read.get_said_in("text", "charset").as_deref(), Some("sí %zz"), "no character set named");
        assert_eq!((read.get("x").as_deref(), read.get("").as_deref()), (Some(""), Some("y")));
    }
}
