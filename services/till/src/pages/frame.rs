//! The frame of every page: the shop's name, the nine rooms, who is signed in.

use crate::app::App;
use crate::pages::assets;
use crate::pages::mask::masked;
use crate::pages::policy;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use askama::Template;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use domain::people::Permission;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Room {
    Today,
    Workbench,
    Shelf,
    Counter,
    Customers,
    Online,
    Herd,
    Books,
    Settings,
}

impl Room {
    /// All of them, in the order of the menu.
    pub(crate) const ALL: [Self; 9] = [
        Self::Today,
        Self::Workbench,
        Self::Shelf,
        Self::Counter,
        Self::Online,
        Self::Customers,
        Self::Herd,
        Self::Books,
        Self::Settings,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Today => "Today",
            Self::Workbench => "Workbench",
            Self::Shelf => "Shelf",
            Self::Counter => "Counter",
            Self::Customers => "Customers",
            Self::Online => "Online",
            Self::Herd => "Herd & Yarn",
            Self::Books => "Books",
            Self::Settings => "Settings",
        }
    }

    pub(crate) fn path(self) -> &'static str {
        match self {
            Self::Today => "/today",
            Self::Workbench => "/workbench",
            Self::Shelf => "/shelf",
            Self::Counter => "/counter",
            Self::Customers => "/customers",
            Self::Online => "/online",
            Self::Herd => "/herd",
            Self::Books => "/books",
            Self::Settings => "/settings",
        }
    }

    /// Drawn for this program with one stroke width: the sun over a hill, a hanging scale, folded knits, a torn
    /// slip, a tied parcel, a bobble hat, a ball of yarn, an open book, a button with four holes.
    fn mark(self) -> &'static str {
        match self {
            Self::Today => "M2 19c4-4 16-4 20 0M7 15a5 5 0 0 1 10 0M12 4v3M4.5 8l2 2M19.5 8l-2 2",
            Self::Workbench => "M12 2v4M6 6h12v9a6 6 0 0 1-12 0zM12 14l3-4M3 22h18",
            Self::Shelf => "M2 11h20M2 21h20M5 11V8h8v3M6 8V5h6v3M12 21v-3h8v3M13 18v-3h6v3",
            Self::Counter => "M6 2h12v19l-2-2-2 2-2-2-2 2-2-2-2 2zM9 7h6M9 11h6",
            Self::Online => "M3 8l9-4 9 4v9l-9 4-9-4zM3 8l9 4 9-4M12 12v9M7.5 6l9 4",
            Self::Customers => {
                "M5 17c0-13 14-13 14 0M3 17h18v4H3zM7 17v4M12 17v4M17 17v4M12 3a2 2 0 1 0 .01 0"
            }
            Self::Herd => "M12 3a9 9 0 1 0 .01 0M5 7c6 0 11 5 12 12M4 12c5 0 8 3 9 9M9 4c6 1 10 5 11 10",
            Self::Books => "M12 6C9 4 6 4 3 5v14c3-1 6-1 9 1 3-2 6-2 9-1V5c-3-1-6-1-9 1zM12 6v14",
            Self::Settings => {
                "M12 3a9 9 0 1 0 .01 0M9 8.5v1M15 8.5v1M9 14.5v1M15 14.5v1M12 5.5a6.5 6.5 0 1 0 .01 0"
            }
        }
    }

    /// The permission that its link in the menu requires.
    pub(crate) fn permission(self) -> Permission {
        match self {
            Self::Today | Self::Shelf => Permission::Look,
            Self::Workbench | Self::Herd => Permission::Make,
            Self::Counter => Permission::Sell,
            Self::Customers => Permission::Customers,
            Self::Online => Permission::List,
            Self::Books => Permission::ReadBooks,
            Self::Settings => Permission::Run,
        }
    }
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct NavLink {
    pub(crate) name: &'static str,
    pub(crate) path: &'static str,
    /// Its mark, as an SVG path in 24 × 24.
    pub(crate) mark: &'static str,
    pub(crate) is_here: bool,
}

/// The field `frame` of a page's struct, for `frame.html`.
#[derive(Clone, Debug)]
pub(crate) struct Frame {
    pub(crate) shop: String,
    /// Who is signed in; empty on pages that need no sign-in.
    pub(crate) who: String,
    /// The value of every form's field `_seal`: the session's token, under this page's mask.
    pub(crate) form_token: String,
    /// The menu: the rooms that the caller may open.
    pub(crate) links: Vec<NavLink>,
}

impl Frame {
    /// For somebody in a room.
    pub(crate) fn new(app: &App, caller: &Caller, here: Room) -> Self {
        let link = |room: Room| NavLink {
            name: room.name(),
            path: room.path(),
            mark: room.mark(),
            is_here: room == here,
        };
        Self {
            shop: app.ledger.shop().name.clone(),
            who: caller.who.clone(),
            form_token: masked(&caller.form_token),
            links: Room::ALL.into_iter().filter(|room| caller.may(room.permission())).map(link).collect(),
        }
    }

    /// For a page outside of all rooms, such as one's account.
    pub(crate) fn beside(app: &App, caller: &Caller) -> Self {
        let mut frame = Self::new(app, caller, Room::Today);
        frame.links.iter_mut().for_each(|link| link.is_here = false);
        frame
    }

    /// For pages without sign-in: signing in, the first setup, an unknown page.
    pub(crate) fn outside(app: &App, form_token: &str) -> Self {
        let (shop, who) = (app.ledger.shop().name.clone(), String::new());
        Self { shop, who, form_token: masked(form_token), links: Vec::new() }
    }

    /// The address of a file that comes with the program.
    #[expect(clippy::unused_self, reason = "templates have nothing but the frame to ask")]
    pub(crate) fn asset(&self, name: &str) -> String {
        assets::address(name)
    }

    /// A new key for a form's field `_key`: sent twice, the form is done once.
    #[expect(clippy::unused_self, reason = "templates have nothing but the frame to ask")]
    pub(crate) fn new_key(&self) -> String {
        crate::security::random::text()
    }
}

pub(crate) struct HtmlPage<T>(pub(crate) T);

impl<T: Template> IntoResponse for HtmlPage<T> {
    fn into_response(self) -> Response {
        match self.0.render() {
            Ok(html) => {
                (StatusCode::OK, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response()
            }
            Err(error) => Problem::new(Kind::StorageError, "the page could not be written")
                .because(&error)
                .into_response(),
        }
    }
}

impl<T: Template> HtmlPage<T> {
    /// For a page with a field that a camera can fill.
    pub(crate) fn with_camera(self) -> Response {
        let mut response = self.into_response();
        let policy = HeaderValue::from_static(policy::WITH_CAMERA);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
        response
    }
}

/// 303 See Other: redirects after a form succeeded, so that reloading does not send it again.
pub(crate) fn see_other(path: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, path)]).into_response()
}
