//! The newest pieces in stock, each with its photograph or else its yarn.

use crate::app::App;
use crate::images::pictures::Size;
use crate::pages::shelf::tag::{Tag, tag};
use crate::problem::Problem;

/// As many as fit into one row of a desktop.
const SHOWN: usize = 6;

pub(crate) struct Newest {
    pub(crate) tag: Tag,
    /// The address of its first photograph.
    pub(crate) picture: Option<String>,
}

pub(crate) async fn read(app: &App) -> Result<Vec<Newest>, Problem> {
    let items = app.ledger.free_items("", SHOWN).await?;
    let ids: Vec<_> = items.iter().map(|item| item.id).collect();
    let offers = app.ledger.offers(&ids).await?;
    let newest = |item: &ledger::shelf::ItemView| Newest {
        tag: tag(item, offers.get(&item.id).is_some_and(ledger::online::Offers::is_listed)),
        picture: item.text.images.first().and_then(|image| Size::Small.address(image)),
    };
    Ok(items.iter().map(newest).collect())
}
