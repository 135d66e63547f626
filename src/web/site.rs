//! What every page shares.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use url::Url;

use super::Fault;
use super::hook_doors::Doors;
use super::jobs::Jobs;
use super::templates::{PageFault, Pages};
use super::tried_lists::TriedLists;
use super::turns::Turns;
use super::views::RegionViews;
use crate::clock::SystemClock;
use crate::language::Language;
use crate::links;
use crate::service::app::App;
use crate::service::belief::again::Again;
use crate::service::belief::learn::Shown;
use crate::service::belief::version::Offer;
use crate::service::desk::Credentials;
use crate::service::practice::Practice;
use crate::service::region_drafts::RegionDrafts;
use crate::store::notices::Notice;

/// The state behind the pages. Cheap to clone.
#[derive(Clone)]
pub struct Site(Arc<Inner>);

struct Inner {
    app: App,
    pages: Pages,
    views: RegionViews,
    public: Option<Url>,
    /// Nothing here is real.
    exercise: bool,
    /// An invented season whose clock staff move.
    practice: Option<Arc<dyn Practice>>,
    /// As the sign-in at the desk uses it: on the machine's clock, also where that of the season is moved by hand.
    door: App,
    /// Path of the public address without its last slash; empty at the root.
    base: String,
    /// Codes tried and links asked for, by network.
    code_turns: Turns,
    link_turns: Turns,
    doors: Doors,
    /// `None`: the desk is off.
    credentials: Option<Credentials>,
    /// Long work behind pages of the desk.
    learned: Jobs<Shown>,
    offers: Jobs<Offer>,
    fits: Jobs<Again>,
    region_drafts: RegionDrafts,
    tried_lists: TriedLists,
}

impl Site {
    /// # Errors
    /// When a page or its words do not hold together: a fault of the program, told at the start and not to a visitor.
    pub fn new(app: App) -> Result<Self, PageFault> {
        Self::with(app, None, None)
    }

    /// The pages of an exercise: they say so, their alerts too, and the notices shown are those of a season that was
    /// played, each from the hour at which it was decided on.
    ///
    /// # Errors
    /// See [`Site::new`].
    pub fn of_exercise(app: App, played: Vec<Notice>) -> Result<Self, PageFault> {
        Self::with(app, Some(played), None)
    }

    /// The pages of a practice: an exercise with a clock that staff move at the desk.
    ///
    /// # Errors
    /// See [`Site::new`].
    pub fn of_practice(app: App, practice: Arc<dyn Practice>) -> Result<Self, PageFault> {
        Self::with(app, None, Some(practice))
    }

    fn with(app: App, played: Option<Vec<Notice>>, practice: Option<Arc<dyn Practice>>) -> Result<Self, PageFault> {
        let door = match &practice {
            None => app.clone(),
            Some(_) => App { clock: Arc::new(SystemClock), ..app.clone() },
        };
        // The settings were checked: what does not parse is empty, and then links have no host.
        let public = app.config.messages.public_url.url().cloned();
        let base = public.as_ref().map_or_else(String::new, |url| url.path().trim_end_matches('/').to_owned());
        Ok(Self(Arc::new(Inner {
            pages: Pages::load()?,
            exercise: played.is_some() || practice.is_some(),
            practice,
            door,
            views: RegionViews::new(app.clone(), played),
            public,
            base,
            doors: Doors::of(&app.config.hooks),
            credentials: Credentials::of(&app.config, app.store.randomness()).map_err(PageFault::Desk)?,
            app,
            region_drafts: RegionDrafts::default(),
            tried_lists: TriedLists::default(),
            code_turns: Turns::default(),
            link_turns: Turns::default(),
            learned: Jobs::default(),
            offers: Jobs::default(),
            fits: Jobs::default(),
        })))
    }

    /// What the webhooks are opened by.
    pub(super) fn doors(&self) -> &Doors {
        &self.0.doors
    }

    /// What signing in at the desk needs; `None` where the desk is off.
    pub(super) fn credentials(&self) -> Option<&Credentials> {
        self.0.credentials.as_ref()
    }

    pub(super) fn learned(&self) -> &Jobs<Shown> {
        &self.0.learned
    }

    pub(super) fn offers(&self) -> &Jobs<Offer> {
        &self.0.offers
    }

    pub(super) fn fits(&self) -> &Jobs<Again> {
        &self.0.fits
    }

    /// Regions that staff try out before they save them.
    pub(super) fn region_drafts(&self) -> &RegionDrafts {
        &self.0.region_drafts
    }

    /// Lists that staff have tried and not taken in yet.
    pub(super) fn tried_lists(&self) -> &TriedLists {
        &self.0.tried_lists
    }

    pub(super) fn code_turns(&self) -> &Turns {
        &self.0.code_turns
    }

    pub(super) fn link_turns(&self) -> &Turns {
        &self.0.link_turns
    }

    pub fn app(&self) -> &App {
        &self.0.app
    }

    /// As [`Site::app`], for the sign-in: sessions and codes go by the machine's clock.
    pub(super) fn door(&self) -> &App {
        &self.0.door
    }

    /// What stands behind the pages of practice; `None` of a real service.
    pub fn practice(&self) -> Option<&Arc<dyn Practice>> {
        self.0.practice.as_ref()
    }

    pub fn is_exercise(&self) -> bool {
        self.0.exercise
    }

    pub fn now(&self) -> DateTime<Utc> {
        self.0.app.clock.now()
    }

    pub(super) fn pages(&self) -> &Pages {
        &self.0.pages
    }

    /// What is known of all regions, made once for everybody.
    pub(super) fn views(&self) -> &RegionViews {
        &self.0.views
    }

    /// Shows what is kept and begins to work out the rest, before the first visitor comes.
    pub fn warm(&self) {
        let site = self.clone();
        tokio::spawn(async move {
            if let Err(why) = site.views().get().await {
                why.log();
            }
        });
    }

    /// Lets no more work begin behind the pages, and waits until none is under way: then the store can be closed.
    pub async fn rest(&self) {
        let Inner { views, learned, offers, fits, region_drafts, .. } = &*self.0;
        tokio::join!(views.rest(), learned.rest(), offers.rest(), fits.rest(), region_drafts.rest());
    }

    /// Waits until what all pages show is worked out, however long that takes.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn ready(&self) -> Result<(), Fault> {
        self.views().renewed().await
    }

    /// A word of a page by its path of keys, for answers that are no page; empty when there is none.
    pub(super) fn word(&self, language: Language, page: &str, keys: &[&str]) -> String {
        let mut value = self.0.pages.words().of(language, page);
        for key in keys {
            value = value.get_attr(key).unwrap_or_default();
        }
        value.as_str().unwrap_or_default().to_owned()
    }

    /// Path before every path of ours; empty at the root of a host.
    pub fn base(&self) -> &str {
        &self.0.base
    }

    pub fn public(&self) -> Option<&Url> {
        self.0.public.as_ref()
    }

    /// Whether visitors come over TLS, which a proxy in front of us ends.
    pub fn is_https(&self) -> bool {
        self.0.public.as_ref().is_some_and(|url| url.scheme() == "https")
    }

    /// The path of a page in a language, for links inside pages: `path` begins with a slash.
    pub fn path(&self, language: Language, path: &str) -> String {
        let prefix = links::language_prefix(language);
        // The Spanish home stands at `/es`, without a slash behind.
        let path = if path == "/" && !prefix.is_empty() { "" } else { path };
        format!("{}{prefix}{path}", self.0.base)
    }

    /// The whole address of a page, for feeds and calendars; `None` without a public address.
    pub fn address(&self, language: Language, path: &str) -> Option<Url> {
        let mut url = self.0.public.clone()?;
        url.set_path(&self.path(language, path));
        Some(url)
    }
}
