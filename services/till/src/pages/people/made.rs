//! The page that shows a new token once.

use crate::pages::frame::Frame;
use askama::Template;

#[derive(Template)]
#[template(path = "people/made.html")]
pub(super) struct Made {
    pub(super) frame: Frame,
    pub(super) name: String,
    pub(super) token: String,
}
