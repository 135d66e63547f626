//! What a route of the desk needs.

use axum::routing::MethodRouter;

use crate::people::account::Deed;
use crate::web::Site;

/// A route, and who may ask it.
pub struct Entry {
    pub path: &'static str,
    pub kind: Kind,
    pub needs: Needs,
    /// Of the one method that `kind` says.
    pub handler: fn() -> MethodRouter<Site>,
}

/// How a route is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// By GET; changes nothing.
    Page,
    /// By POST, with the token of a form of ours.
    Form,
    /// As a form, which may carry a photograph or a list; its handler gets an [`Upload`](super::Upload).
    Upload,
}

/// Who may ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Needs {
    /// Anybody.
    Nothing,
    /// Whoever has begun to sign in, or is signed in.
    Started,
    /// Whose password was right, and whose code is asked for.
    Code,
    /// Who sets up a second factor.
    SetUp,
    /// Who is signed in and may do this, whatever the region.
    Deed(Deed),
    /// Who is signed in and may act on the region that the path names.
    ActOn(Subject),
}

/// What part of a path names a region.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// `{region}`, its id.
    Region,
    /// `{report}`, the id of a field report of its.
    Report,
    /// `{notice}`, the id of one of its notices as [`notice_part`](crate::links::notice_part) writes it.
    Notice,
}

impl Entry {
    pub const fn page(path: &'static str, needs: Needs, handler: fn() -> MethodRouter<Site>) -> Self {
        Self { path, kind: Kind::Page, needs, handler }
    }

    pub const fn form(path: &'static str, needs: Needs, handler: fn() -> MethodRouter<Site>) -> Self {
        Self { path, kind: Kind::Form, needs, handler }
    }

    pub const fn upload(path: &'static str, needs: Needs, handler: fn() -> MethodRouter<Site>) -> Self {
        Self { path, kind: Kind::Upload, needs, handler }
    }
}
