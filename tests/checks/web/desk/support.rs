//! A site with the desk on, and browsers that keep cookies.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use chrono::TimeDelta;
use data_encoding::BASE32_NOPAD;
use treebell::clock::{Clock, ManualClock};
use treebell::config::Config;
use treebell::people::Key;
use treebell::people::account::{Account, AccountName, County, RegionReach, Role};
use treebell::randomness::Randomness;
use treebell::secret::Secret;
use treebell::service::app::App;
use treebell::service::desk;
use treebell::service::desk::{code_at, step_of};
use treebell::service::practice::Practice;
use treebell::store::Store;
use treebell::web::Site;

use super::super::support::{Answer, World};
use crate::people::two_regions;

pub const PASSWORD: &str = "tall grass by the old gate";
pub const SESSION: &str = "__Host-desk";
pub const DEVICE: &str = "__Host-desk-browser";

/// Regions `north` and `south` of a desk that is on.
pub struct DeskWorld {
    pub world: World,
    folder: tempfile::TempDir,
}

pub fn name(text: &str) -> AccountName {
    AccountName::parse(text).unwrap()
}

/// Staff of a region.
pub fn of_region(region: &str) -> RegionReach {
    RegionReach { regions: vec![region.into()], counties: Vec::new() }
}

pub fn of_county(county: &str) -> RegionReach {
    RegionReach { regions: Vec::new(), counties: vec![County::parse(county).unwrap()] }
}

impl DeskWorld {
    pub async fn new() -> Self {
        Self::on(Store::in_memory().await.unwrap()).await
    }

    pub async fn on(store: Store) -> Self {
        Self::with(store, |_| {}).await
    }

    pub async fn with(store: Store, change: impl FnOnce(&mut Config)) -> Self {
        two_regions(&store).await;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("desk-key");
        std::fs::write(&file, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
        let world = World::on(store, |config| {
            config.desk.enabled = true;
            config.desk.keys = vec![Secret::File(file)];
            config.desk.photographs = Some(folder.path().join("photographs"));
            // Where a browser is said to be, it is.
            config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
            change(config);
        });
        Self { world, folder }
    }

    /// With the desk on over an app that a check has made, on its clock.
    pub fn over(app: &App, clock: Arc<ManualClock>) -> Self {
        Self::over_with(app, clock, |app| Site::new(app).unwrap())
    }

    /// As [`DeskWorld::over`], of a practice. The sign-in goes by this machine's clock.
    pub fn practising(app: &App, clock: Arc<ManualClock>, practice: Arc<dyn Practice>) -> Self {
        Self::over_with(app, clock, |app| Site::of_practice(app, practice).unwrap())
    }

    fn over_with(app: &App, clock: Arc<ManualClock>, site: impl FnOnce(App) -> Site) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("desk-key");
        std::fs::write(&file, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
        let mut config = (*app.config).clone();
        config.messages.public_url = "https://pinyon.example.org".into();
        config.desk.enabled = true;
        config.desk.keys = vec![Secret::File(file)];
        config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
        let app = App { config: Arc::new(config), ..app.clone() };
        let site = site(app.clone());
        Self { world: World::of(app, clock, site), folder }
    }

    /// Names in the folder of photographs.
    pub fn photographs(&self) -> Vec<String> {
        let folder = std::fs::read_dir(self.folder.path().join("photographs"));
        let names = folder.into_iter().flatten().map(|entry| entry.unwrap().file_name().into_string().unwrap());
        names.collect()
    }

    /// A path beside the folder of photographs or in it.
    pub fn path(&self, name: &str) -> std::path::PathBuf {
        self.folder.path().join(name)
    }

    pub fn store(&self) -> &Store {
        &self.world.app.store
    }

    pub fn pass(&self, time: TimeDelta) {
        self.world.clock.advance(time);
    }

    /// A browser at home in a network of its own.
    pub fn browser(&self) -> Browser<'_> {
        Browser { world: &self.world, jar: BTreeMap::new(), token: String::new(), from: "192.0.2.7".into() }
    }

    pub fn browser_at(&self, from: &str) -> Browser<'_> {
        Browser { from: from.into(), ..self.browser() }
    }

    /// Makes an account; gives the path of its invitation.
    pub async fn invite(&self, who: &str, role: Role, reach: RegionReach) -> String {
        let account = Account { name: name(who), role, reach };
        let now = self.world.clock.now();
        let token = desk::add(self.store(), &account, TimeDelta::hours(72), now).await.unwrap();
        format!("/desk/invitation/{token}")
    }

    /// Somebody who is signed in whole, with the secret of their second factor if their role wants one.
    pub async fn signed_in(&self, who: &str, role: Role, reach: RegionReach) -> (Browser<'_>, Vec<u8>) {
        let invitation = self.invite(who, role, reach).await;
        let mut browser = self.browser();
        browser.get(&invitation).await;
        let set = browser.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
        assert_eq!(set.status, StatusCode::SEE_OTHER, "{}", set.body);
        if set.header("location") == "/desk/account" || set.header("location") == "/desk" {
            browser.get("/desk/account").await;
            return (browser, Vec::new());
        }
        let secret = secret_on(&browser.get("/desk/second-factor").await.body);
        let done = browser.post("/desk/second-factor", &[("code", &self.code(&secret))]).await;
        assert_eq!(done.status, StatusCode::OK, "{}", done.body);
        browser.get("/desk/account").await;
        // The code that set it up is used.
        self.pass(TimeDelta::seconds(60));
        (browser, secret)
    }

    /// The code of this moment.
    pub fn code(&self, secret: &[u8]) -> String {
        code_at(secret, step_of(self.world.clock.now()))
    }

    /// Acts of the audit on one account, the oldest first: act and by whose account.
    pub async fn acts_on(&self, who: &str) -> Vec<(String, Option<String>)> {
        let filter =
            treebell::store::audit::AuditFilter { about: Some(format!("account/{who}")), ..Default::default() };
        let mut rows = self.store().audit(&filter).await.unwrap();
        rows.reverse();
        rows.into_iter().map(|row| (row.act, row.account)).collect()
    }
}

/// The key that the page of a second factor spells.
pub fn secret_on(page: &str) -> Vec<u8> {
    let spelled = page.split("<code class=\"code\">").nth(1).expect("a key on the page").split('<').next().unwrap();
    BASE32_NOPAD.decode(spelled.replace(' ', "").as_bytes()).unwrap()
}

const BOUNDARY: &str = "----pinyon-boundary";

/// Fields, then the photograph with the name that its sender gives it, as RFC 7578 writes them.
pub fn multipart(fields: &[(&str, &str)], file: Option<(&str, &[u8])>) -> Vec<u8> {
    multipart_of("photograph", fields, file)
}

/// As [`multipart`], of a file in another field.
pub fn multipart_of(field: &str, fields: &[(&str, &str)], file: Option<(&str, &[u8])>) -> Vec<u8> {
    let mut body = Vec::new();
    for (name, value) in fields {
        let part = format!("--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n");
        body.extend_from_slice(part.as_bytes());
    }
    if let Some((name, bytes)) = file {
        let head = format!(
            "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"{field}\"; filename=\"{name}\"\r\n\
             Content-Type: image/jpeg\r\n\r\n"
        );
        body.extend_from_slice(head.as_bytes());
        body.extend_from_slice(bytes);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(format!("--{BOUNDARY}--\r\n").as_bytes());
    body
}

/// Cookies and the token of the last page, as a browser has them.
pub struct Browser<'a> {
    world: &'a World,
    pub jar: BTreeMap<String, String>,
    pub token: String,
    pub from: String,
}

impl Browser<'_> {
    pub async fn get(&mut self, path: &str) -> Answer {
        let request = self.request(Request::get(path)).body(Body::empty()).unwrap();
        self.ask(request).await
    }

    /// A form of the page that is open, sent as a browser sends it.
    pub async fn post(&mut self, path: &str, form: &[(&str, &str)]) -> Answer {
        self.post_with(path, form, &[("sec-fetch-site", "same-origin")]).await
    }

    pub async fn post_with(&mut self, path: &str, form: &[(&str, &str)], headers: &[(&str, &str)]) -> Answer {
        let token = self.token.clone();
        let form = form.iter().copied().chain([("form_token", token.as_str())]);
        let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
        let mut request = self.request(Request::post(path)).header("content-type", "application/x-www-form-urlencoded");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.ask(request.body(Body::from(body)).unwrap()).await
    }

    /// A form of the page that is open which may carry a photograph, sent as a browser sends it.
    pub async fn upload(&mut self, path: &str, form: &[(&str, &str)], file: Option<(&str, &[u8])>) -> Answer {
        let token = self.token.clone();
        let fields: Vec<(&str, &str)> =
            [("form_token", token.as_str())].into_iter().chain(form.iter().copied()).collect();
        self.upload_raw(path, multipart(&fields, file), &[("sec-fetch-site", "same-origin")]).await
    }

    /// A form of the page that is open with a list of people.
    pub async fn upload_list(&mut self, path: &str, list: &[u8]) -> Answer {
        let token = self.token.clone();
        let body = multipart_of("list", &[("form_token", &token)], Some(("people.csv", list)));
        self.upload_raw(path, body, &[("sec-fetch-site", "same-origin")]).await
    }

    /// A form with a photograph whose body comes as it comes.
    pub async fn stream(&mut self, path: &str, body: Body) -> Answer {
        let kind = format!("multipart/form-data; boundary={BOUNDARY}");
        let request = self.request(Request::post(path)).header("content-type", kind);
        self.ask(request.header("sec-fetch-site", "same-origin").body(body).unwrap()).await
    }

    /// A body made by [`multipart`].
    pub async fn upload_raw(&mut self, path: &str, body: Vec<u8>, headers: &[(&str, &str)]) -> Answer {
        let kind = format!("multipart/form-data; boundary={BOUNDARY}");
        let mut request = self.request(Request::post(path)).header("content-type", kind);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.ask(request.body(Body::from(body)).unwrap()).await
    }

    fn request(&self, request: axum::http::request::Builder) -> axum::http::request::Builder {
        let cookies: Vec<String> = self.jar.iter().map(|(name, value)| format!("{name}={value}")).collect();
        request
            .header("cookie", cookies.join("; "))
            .header("x-forwarded-for", &self.from)
            .header("user-agent", "Mozilla/5.0 (Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0")
    }

    async fn ask(&mut self, request: Request<Body>) -> Answer {
        let answer = self.world.ask(request).await;
        for line in answer.headers.get_all("set-cookie") {
            let line = line.to_str().unwrap();
            let (name, rest) = line.split_once('=').unwrap();
            let value = rest.split(';').next().unwrap();
            match value {
                "" => self.jar.remove(name),
                value => self.jar.insert(name.to_owned(), value.to_owned()),
            };
        }
        if let Some(token) = answer.body.split("name=\"form_token\" value=\"").nth(1) {
            self.token = token.split('"').next().unwrap().to_owned();
        }
        answer
    }

    /// The first step of a sign-in.
    pub async fn give_password(&mut self, who: &str, password: &str) -> Answer {
        self.get("/desk/sign-in").await;
        self.post("/desk/sign-in", &[("name", who), ("password", password), ("next", "")]).await
    }

    /// The second.
    pub async fn give_code(&mut self, code: &str) -> Answer {
        self.get("/desk/code").await;
        self.post("/desk/code", &[("code", code), ("next", "")]).await
    }

    pub async fn is_in(&mut self) -> bool {
        self.get("/desk/account").await.status == StatusCode::OK
    }
}
