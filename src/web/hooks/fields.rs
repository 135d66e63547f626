//! What a call says, whatever form it has: query, form or JSON.

use std::collections::BTreeMap;

use axum::http::{HeaderMap, header};

/// Named values of one call. Those in the body win over those in the address.
pub struct Fields {
    named: BTreeMap<String, String>,
    json: Option<serde_json::Value>,
}

impl Fields {
    /// # Errors
    /// In words, when the body is not what it says it is.
    pub fn of(query: &str, headers: &HeaderMap, body: &[u8]) -> Result<Self, String> {
        let mut named: BTreeMap<String, String> =
            url::form_urlencoded::parse(query.as_bytes()).map(|(name, value)| (name.into(), value.into())).collect();
        let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
        let mut json = None;
        if kind.starts_with("application/json") || kind.split(';').next().is_some_and(|kind| kind.ends_with("+json")) {
            json = Some(serde_json::from_slice(body).map_err(|why| format!("the body is not JSON: {why}"))?);
        } else if !body.is_empty() {
            named.extend(url::form_urlencoded::parse(body).map(|(name, value)| (name.into(), value.into())));
        }
        Ok(Self { named, json })
    }

    /// A value by its name, or in JSON by its pointer (RFC 6901), such as `/data/from`.
    pub fn get(&self, name: &str) -> Option<String> {
        let inside =
            self.json.as_ref().and_then(|json| if name.starts_with('/') { json.pointer(name) } else { json.get(name) });
        match inside {
            Some(serde_json::Value::String(text)) => Some(text.clone()),
            Some(serde_json::Value::Number(number)) => Some(number.to_string()),
            _ => self.named.get(name).cloned(),
        }
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
}
