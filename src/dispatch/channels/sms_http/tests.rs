//! What leaves for a gateway, and which settings are refused.

use std::collections::BTreeMap;

use super::*;

fn config() -> SmsConfig {
    SmsConfig {
        url: Some("https://sms.example.org/send".into()),
        form: fields(&[("to", "{{ to }}"), ("text", "{{ text }}"), ("ref", "{{ key }}")]),
        ..SmsConfig::default()
    }
}

fn fields(fields: &[(&str, &str)]) -> BTreeMap<String, String> {
    fields.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
}

fn request(config: &SmsConfig, text: &str) -> reqwest::Request {
    let gateway = SmsGateway::new(config, "t").map_err(|faults| format!("{faults:?}")).unwrap();
    gateway.request(&gateway.values("+15055550100", text, "k1", None)).unwrap()
}

fn body(request: &reqwest::Request) -> &str {
    std::str::from_utf8(request.body().unwrap().as_bytes().unwrap()).unwrap()
}

const HARD: &str = "¿Ya? \"50%\" & más\\ <b>\n+1={{ to }}";

#[test]
fn a_form_carries_any_text() {
    let request = request(&config(), HARD);
    let read: Vec<_> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
    assert_eq!(read, [("ref".into(), "k1".into()), ("text".into(), HARD.into()), ("to".into(), "+15055550100".into())]);
    assert_eq!(request.headers()[CONTENT_TYPE], "application/x-www-form-urlencoded");
}

#[test]
fn json_carries_any_text() {
    let config = SmsConfig {
        form: BTreeMap::new(),
        body: Some(r#"{"messages": [{"to": "{{to_digits}}", "text": "{{ text }}", "id": "a-{{ key }}"}]}"#.into()),
        ..config()
    };
    let request = request(&config, HARD);
    let read: serde_json::Value = serde_json::from_str(body(&request)).unwrap();
    assert_eq!(read["messages"][0]["text"], HARD);
    assert_eq!(read["messages"][0]["to"], "15055550100");
    assert_eq!(read["messages"][0]["id"], "a-k1");
    assert_eq!(request.headers()[CONTENT_TYPE], "application/json");
}

#[test]
fn an_address_carries_any_text_and_never_changes_its_host() {
    let config = SmsConfig {
        url: Some("http://127.0.0.1:13013/cgi-bin/sendsms?to={{ to }}&text={{ text }}&dlr=http%3A%2F%2Fx%2F%3Fref%3D{{ key }}".into()),
        method: "get".into(),
        form: BTreeMap::new(),
        ..config()
    };
    let request = request(&config, "@evil.example/#&to=0 + ñ");
    let read: Vec<_> = request.url().query_pairs().into_owned().collect();
    assert_eq!(read[0].1, "+15055550100");
    assert_eq!(read[1].1, "@evil.example/#&to=0 + ñ");
    assert_eq!(read[2].1, "http://x/?ref=k1");
    assert_eq!(request.url().host_str(), Some("127.0.0.1"));
}

#[test]
fn xml_and_hand_written_forms_are_escaped_too() {
    let with = |kind: &str, body: &str| SmsConfig {
        form: BTreeMap::new(),
        headers: fields(&[("Content-Type", kind)]),
        body: Some(body.into()),
        ..config()
    };
    let xml = request(&with("application/xml", "<m to='{{ to }}'>{{ text }}</m>"), "a<b & \"c\"\u{1}");
    assert_eq!(body(&xml), "<m to='+15055550100'>a&lt;b &amp; &quot;c&quot;</m>");
    let form = request(&with("application/x-www-form-urlencoded", "t={{ to }}&x={{ text }}"), "a&b=c ñ");
    assert_eq!(body(&form), "t=%2B15055550100&x=a%26b%3Dc+%C3%B1");
}

#[test]
fn a_secret_travels_in_a_header_and_is_marked() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), "user:pass\n").unwrap();
    let config = SmsConfig {
        headers: fields(&[("Authorization", "Basic {{ secret_base64 }}")]),
        secret: Some(Secret::File(file.path().to_owned())),
        ..config()
    };
    let request = request(&config, "x");
    // RFC 7617 writes user-id and password the same way.
    assert_eq!(request.headers()["authorization"], "Basic dXNlcjpwYXNz");
    assert!(request.headers()["authorization"].is_sensitive());
}

#[test]
fn a_gateway_is_told_the_alphabet_in_its_own_words() {
    let mut config = config();
    config.form.insert("unicode".into(), "{{ coding }}".into());
    config.coding = Some(CodingConfig { gsm7: "no".into(), ucs2: "yes".into() });
    for (text, coding) in [("Look: {€} ñ @ é", "no"), ("Mire los árboles", "yes"), ("🌲", "yes"), ("", "no")] {
        let request = request(&config, text);
        let read: BTreeMap<_, _> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
        assert_eq!(read["unicode"], coding, "{text}");
    }
}

#[tokio::test]
async fn a_gateway_is_told_where_to_report_without_the_secret_path_in_the_settings() {
    let path = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(path.path(), "s3cret-path-0042\n").unwrap();
    let mut config = config();
    let report = "http://127.0.0.1:8480/hooks/{{ hooks_path }}/report?status=%d&ref={{ key }}";
    config.form.insert("dlr-url".into(), report.into());
    let secret = Secret::File(path.path().to_owned());
    let gateway = SmsGateway::with_webhooks(&config, Some(&secret), "t").map_err(|_| "faults").unwrap();
    let told = async || {
        let hooks_path = gateway.hooks_path().await?;
        let request = gateway.request(&gateway.values("+15055550100", "x", "k1", hooks_path.as_ref()))?;
        let read: BTreeMap<_, _> = url::form_urlencoded::parse(body(&request).as_bytes()).into_owned().collect();
        Ok::<_, String>(read["dlr-url"].clone())
    };
    assert_eq!(told().await.unwrap(), "http://127.0.0.1:8480/hooks/s3cret-path-0042/report?status=%d&ref=k1");
    std::fs::write(path.path(), "changed-path-0042").unwrap();
    assert_eq!(told().await.unwrap(), "http://127.0.0.1:8480/hooks/changed-path-0042/report?status=%d&ref=k1");
    for (bad, wanted) in [("a/path/with/slashes", "has a '/' in it"), ("", "is empty"), ("short", "is 5 bytes long")] {
        std::fs::write(path.path(), bad).unwrap();
        assert!(told().await.unwrap_err().contains(wanted), "{bad}");
        let faults = SmsGateway::with_webhooks(&config, Some(&secret), "t").err().unwrap();
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(faults[0].to_string().starts_with(&format!("hooks.path: {wanted}")), "{faults:?}");
    }
}

#[test]
fn faults_of_the_settings_are_told_with_place_and_mend() {
    let check = |change: &dyn Fn(&mut SmsConfig), wanted: &str| {
        let mut config = config();
        change(&mut config);
        let faults = SmsGateway::new(&config, "t").err().unwrap_or_default();
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(told.iter().any(|line| line.contains(wanted)), "wanted {wanted:?}, told {told:?}");
    };
    check(&|c| c.url = Some("sms.example.org".into()), "sms.url: is no address");
    check(
        &|c| c.form = fields(&[("to", "{{ too }}"), ("t", "{{ text }}")]),
        "sms.form.to: `{{ too }}` is unknown: there are to,",
    );
    check(&|c| c.form = fields(&[("to", "{{ to }}")]), "sms: neither");
    check(&|c| c.body = Some("{}".into()), "sms.form: give either");
    check(&|c| c.method = "DELETE".into(), "sms.method: `DELETE`");
    check(&|c| c.method = "GET".into(), "sms.method: GET carries no body");
    check(&|c| c.reference_pointer = Some("id".into()), "sms.reference_pointer: `id` is no JSON pointer");
    check(&|c| c.headers = fields(&[("X-A", "{{ secret }}")]), "sms.secret: is missing");
    check(&|c| c.headers = fields(&[("X-A", "{{ coding }}")]), "sms.coding: is missing");
    check(&|c| c.headers = fields(&[("X-A", "{{ hooks_path }}")]), "hooks.path: is missing");
    check(&|c| c.headers = fields(&[("X-A", "{{ text }}")]), "sms.headers.x-a: a header cannot carry");
    check(&|c| c.headers = fields(&[("X A", "b")]), "sms.headers.X A: is no name");
    let body = |text: &str| {
        let text = text.to_owned();
        move |c: &mut SmsConfig| {
            c.form.clear();
            c.body = Some(text.clone());
        }
    };
    check(&body("{\"to\": {{ to }}, \"text\": \"{{ text }}\"}"), "sms.body: is not JSON once filled in");
    check(&body("to={{ to }}"), "sms.body: its kind is not known");
    check(&body("{\"to\": \"{{ to"), "sms.body: `{{` has no `}}`");
}
