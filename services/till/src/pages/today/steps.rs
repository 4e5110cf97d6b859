//! The first steps of a new shop, with what is done ticked.

use crate::app::App;
use crate::problem::Problem;
use crate::request::caller::Caller;
use domain::people::Permission;
use ledger::keeping::FirstSteps;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Step {
    pub(crate) name: &'static str,
    pub(crate) words: &'static str,
    pub(crate) path: &'static str,
    pub(crate) is_done: bool,
}

/// A week: a shop that has sold for so long is no longer new, even if it does not sell online.
const NEW_MS: i64 = 7 * 24 * 60 * 60 * 1000;

/// The steps of a new shop, until it made a piece, sold one and listed one.
pub(crate) async fn read(app: &App, caller: &Caller) -> Result<Option<Vec<Step>>, Problem> {
    if !caller.may(Permission::Make) {
        return Ok(None);
    }
    let done = app.ledger.first_steps().await?;
    let is_listed = done.online || !caller.may(Permission::List);
    let is_done = done.style && done.item && done.sale && is_listed;
    if is_done || app.ledger.sold_before(app.ledger.now().plus_millis(-NEW_MS)).await? {
        return Ok(None);
    }
    Ok(Some(of(caller, done)))
}

fn of(caller: &Caller, done: FirstSteps) -> Vec<Step> {
    let step = |name, words, path, is_done| Step { name, words, path, is_done };
    let all = [
        (
            Permission::Run,
            step("Set up your shop", "Its name, currency and time zone.", "/settings", done.name),
        ),
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
    all.into_iter().filter(|(needs, _)| caller.may(*needs)).map(|(_, step)| step).collect()
}
