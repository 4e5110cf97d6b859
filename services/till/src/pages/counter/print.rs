//! A receipt alone on its page, to be printed: GET /counter/sales/{sale}/print

use crate::app::App;
use crate::pages::counter::receipt::Receipt;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::ids::SaleId;
use serde::Deserialize;

/// On which paper.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Paper {
    /// A till roll of 80 mm.
    #[default]
    Roll,
    /// A whole page.
    Page,
}

impl Paper {
    /// Its name in addresses.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Roll => "roll",
            Self::Page => "page",
        }
    }

    /// The style sheet with its size.
    pub(crate) fn sheet(self) -> &'static str {
        match self {
            Self::Roll => "receipt-roll.css",
            Self::Page => "receipt-page.css",
        }
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PaperQuery {
    #[serde(default)]
    pub(crate) paper: Paper,
}

#[derive(Template)]
#[template(path = "counter/print.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    receipt: Receipt,
    paper: Paper,
}

/// GET /counter/sales/{sale}/print
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(sale): PathParam<SaleId>,
    QueryParam(query): QueryParam<PaperQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let view = app.ledger.sale(sale).await?;
    let receipt = Receipt::read(&app, &view).await?;
    let frame = Frame::new(&app, &caller, Room::Counter);
    Ok(HtmlPage(Page { frame, id: sale.to_string(), receipt, paper: query.paper }))
}
