//! The first steps of a new shop, with what is done ticked.

use crate::app::App;
use crate::problem::Problem;
use crate::request::caller::Caller;
use domain::people::Permission;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Step {
    pub(crate) name: &'static str,
    pub(crate) words: &'static str,
    pub(crate) path: &'static str,
    pub(crate) is_done: bool,
}

/// The steps of a shop that has not yet weighed, priced and sold; none once it has.
pub(crate) async fn read(app: &App, caller: &Caller) -> Result<Option<Vec<Step>>, Problem> {
    let done = app.ledger.first_steps().await?;
    if !caller.may(Permission::Make) || (done.style && done.item && done.sale) {
        return Ok(None);
    }
    let step = |name, words, path, is_done| Step { name, words, path, is_done };
    let all = [
        (Permission::Run, step("Set up your shop", "Its name, currency and time zone.", "/settings", true)),
        (
            Permission::Make,
            step(
                "Add your first style",
                "Its rate turns a weight into a price.",
                "/shelf/styles",
                done.style,
            ),
        ),
        (
            Permission::Make,
            step("Weigh your first piece", "Save it, and print its tag.", "/workbench", done.item),
        ),
        (
            Permission::Sell,
            step("Make your first sale", "Scan a tag and take payment.", "/counter", done.sale),
        ),
        (
            Permission::List,
            step("Sell online", "List pieces in a feed, or connect an online shop.", "/online", done.online),
        ),
    ];
    Ok(Some(all.into_iter().filter(|(needs, _)| caller.may(*needs)).map(|(_, step)| step).collect()))
}
